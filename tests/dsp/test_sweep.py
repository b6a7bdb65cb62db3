"""The sweep against the closed forms of Novak (2015), Farina (2000) and handbooks."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.harmonics import noise_in_harmonics, read_sweep
from pipeline.dsp.sweep import (
    deconvolve,
    design_sweep,
    sweep_signal,
)

RATE = 48_000


def within(levels: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """An order's levels at the chosen points; it ends before the sweep does."""
    return levels[chosen[: len(levels)]]


@pytest.mark.parametrize(
    ("high_hz", "wanted_s", "growth_s", "seconds", "lead_2"),
    [
        (20_000.0, 10.0, 1.45, 10.016245, 48_243.04),
        (6000.0, 4.0, 0.70, 3.992648, 23_289.75),
    ],
)
def test_design_follows_novak(
    high_hz: float, wanted_s: float, growth_s: float, seconds: float, lead_2: float
) -> None:
    # Worked from equations 47 and 49 of Novak et al., JAES 63(10) 2015.
    sweep = design_sweep(20.0, high_hz, wanted_s, RATE)
    assert sweep.growth_s == pytest.approx(growth_s, abs=1e-12)
    assert sweep.seconds == pytest.approx(seconds, abs=1e-6)
    assert sweep.lead_samples(2) == pytest.approx(lead_2, abs=0.005)


def test_third_lead_of_the_short_sweep() -> None:
    # dt_3 = L ln 3 = 36 913.37 samples (Farina's dt_N = L ln N).
    assert design_sweep(20, 6000, 4, RATE).lead_samples(3) == pytest.approx(
        36_913.37, abs=0.005
    )


def test_the_inverse_of_equation_51_inverts_the_spectrum() -> None:
    # Novak et al., equation 51. Product 1 in the middle of the range; the closed form
    # is asymptotic, so its ripple is bounded by 5 percent there, two octaves from the
    # ends.
    sweep = design_sweep(20.0, 20_000.0, 10.0, RATE)
    size = 2 * sweep.frames
    freq = np.fft.rfftfreq(size, 1 / RATE)
    spectrum = np.fft.rfft(sweep_signal(sweep), size) / RATE
    inside = (freq > 80.0) & (freq < 5000.0)
    freq, growth = freq[inside], sweep.growth_s
    turn = -2 * np.pi * freq * growth * (1 - np.log(freq / 20.0)) + np.pi / 4
    product = spectrum[inside] * 2 * np.sqrt(freq / growth) * np.exp(1j * turn)
    assert np.abs(product - 1.0).max() < 0.05


def test_harmonics_of_a_polynomial() -> None:
    # y = x + 0.1 x^2 + 0.2 x^3 at unit amplitude: H1 = 1.15, |H2| = |H3| = 0.05,
    # trigonometric identities (also in the tests of a measurement library).
    sweep = design_sweep(20.0, 6000.0, 4.0, RATE)
    x = np.concatenate([sweep_signal(sweep), np.zeros(RATE)])
    read = read_sweep(x + 0.1 * x**2 + 0.2 * x**3, sweep, 0.0, orders=4)
    middle = (read.freq_hz > 100) & (read.freq_hz < 1200)
    assert 10 ** (read.linear_db[middle] / 20) == pytest.approx(1.15, rel=0.003)
    for order in (2, 3):
        ratio = 10 ** (within(read.harmonics_db[order - 2], middle) / 20)
        assert ratio == pytest.approx(0.05 / 1.15, rel=0.02)
    assert within(read.harmonics_db[2], middle).max() < -60.0


@pytest.mark.parametrize(
    ("level", "fundamental", "thd"),
    [(0.9, 0.962614, 0.042199), (0.7, 0.811880, 0.137588), (0.5, 0.608998, 0.232938)],
)
def test_clipping_table(level: float, fundamental: float, thd: float) -> None:
    # Fourier series of a symmetrically clipped sine. Nine orders of it: what lies
    # above is under 2 percent of the total for these levels.
    sweep = design_sweep(20.0, 3000.0, 8.0, RATE)
    x = np.concatenate([sweep_signal(sweep), np.zeros(RATE)])
    read = read_sweep(np.clip(x, -level, level), sweep, 0.0, orders=9)
    middle = (read.freq_hz > 60) & (read.freq_hz < 250)
    assert 10 ** (read.linear_db[middle] / 20) == pytest.approx(fundamental, rel=0.005)
    assert read.distortion[middle] == pytest.approx(thd, rel=0.03)
    for even in (0, 2, 4):  # symmetric clipping has no even harmonics
        assert within(read.harmonics_db[even], middle).max() < -50.0


def test_a_filter_comes_back() -> None:
    # Truth by construction: a known filter, a known lag.
    sweep = design_sweep(20.0, 20_000.0, 5.0, RATE)
    b, a = signal.butter(2, [100.0, 5000.0], "bandpass", fs=RATE)
    dry = np.concatenate([np.zeros(300), sweep_signal(sweep), np.zeros(RATE)])
    read = read_sweep(signal.lfilter(b, a, dry), sweep, 300.0)
    _, truth = signal.freqz(b, a, worN=read.freq_hz, fs=RATE)
    middle = (read.freq_hz > 50) & (read.freq_hz < 12_000)
    truth_db = 20 * np.log10(np.abs(truth))
    assert np.abs(read.linear_db - truth_db)[middle].max() < 0.1


def test_noise_shows_at_the_level_that_is_foretold() -> None:
    # A chain without distortion: what is read in place of harmonics is noise alone.
    # Mean power over the points, so the estimate's spread is some tenths of a dB.
    sweep = design_sweep(20.0, 20_000.0, 4.0, RATE)
    rng = np.random.default_rng(3)
    b, a = signal.butter(1, 2000.0, fs=RATE)  # coloured, as an amplifier's is
    noise = 1e-3 * signal.lfilter(b, a, rng.normal(size=sweep.frames + 4 * RATE))
    x = np.concatenate([sweep_signal(sweep), np.zeros(RATE)])
    read = read_sweep(x + noise[: len(x)], sweep, 0.0)
    floors = noise_in_harmonics(noise[len(x) :], sweep, read.linear_db)
    for order, (found, foretold) in enumerate(
        zip(read.harmonics_db, floors, strict=True), start=2
    ):
        inside = (read.freq_hz > 100) & (order * read.freq_hz < 12_000)
        ratio = np.mean(10 ** (within(found - foretold, inside) / 10))
        assert 10 * np.log10(ratio) == pytest.approx(0.0, abs=1.5)


def test_response_of_nothing_but_a_delay_is_a_spike() -> None:
    sweep = design_sweep(20.0, 20_000.0, 2.0, RATE)
    x = np.concatenate([np.zeros(77), sweep_signal(sweep), np.zeros(1000)])
    whole = deconvolve(x, sweep)
    assert int(np.abs(whole).argmax()) == 77


@pytest.mark.parametrize(
    "bad", [(0.0, 100.0, 1.0), (100.0, 30_000.0, 1.0), (20, 20_000, 0.01)]
)
def test_impossible_sweeps_are_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match=r"expected|too short"):
        design_sweep(*bad, RATE)
