"""Analogue or sampled circuits. Authority: truth by construction with SciPy's filters.

Two unlike microphones hear white noise; nothing but their colours and a delay lies
between them, so the phase is known as well as it ever will be.
"""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.pairs import Families, Reading, odds_from_others, relate_mics

RATE_HZ = 48_000
DELAY = 7.3
SIZE = 6 * RATE_HZ
FREQ_HZ = np.arange(SIZE // 2 + 1) * RATE_HZ / SIZE


def butterworth(corner_hz: float, order: int) -> np.ndarray:
    """Analogue, exact at every frequency."""
    b, a = signal.butter(order, 2 * np.pi * corner_hz, analog=True)
    return signal.freqs(b, a, 2 * np.pi * FREQ_HZ)[1]


def bilinear(corner_hz: float, order: int) -> np.ndarray:
    b, a = signal.butter(order, corner_hz, fs=RATE_HZ)
    return signal.freqz(b, a, FREQ_HZ, fs=RATE_HZ)[1]


def folded(corner_hz: float, order: int) -> np.ndarray:
    """An impulse response of minimum phase with the analogue amplitude."""
    taps = np.fft.irfft(np.abs(butterworth(corner_hz, order)) ** 2, SIZE)
    taps = np.roll(taps, 1024)[:2049]
    # SciPy takes the square root of what it is given.
    h = signal.minimum_phase(taps, method="homomorphic", n_fft=1 << 16)
    return signal.freqz(h, 1, FREQ_HZ, fs=RATE_HZ)[1]


def heard(colour: np.ndarray, delay: float, hiss: int) -> np.ndarray:
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(SIZE))
    ramp = np.exp(-2j * np.pi * FREQ_HZ / RATE_HZ * delay)
    x = np.fft.irfft(spectrum * colour * ramp, SIZE)
    x[-RATE_HZ // 2 :] = 0
    return x + 1e-3 * np.std(x) * np.random.default_rng(hiss).standard_normal(SIZE)


@pytest.mark.parametrize(
    ("filtered", "name"),
    [(butterworth, "analogue"), (bilinear, "sampled"), (folded, "sampled")],
)
def test_unlike_microphones_show_their_circuits(filtered, name: str) -> None:
    """A second-order corner at 9 kHz against one at 14 kHz."""
    a = heard(filtered(14_000, 2), 40.0, 2)
    b = heard(filtered(9000, 2), 40.0 + DELAY, 3)
    found = relate_mics(a, b, RATE_HZ)
    assert found is not None
    families = found.families
    assert (families.odds > 1.0) is (name == "sampled")
    assert (families.odds < -1.0) is (name == "analogue")
    right = getattr(families, name)
    assert right.delay_samples == pytest.approx(DELAY, abs=0.05)
    assert abs(found.delay_samples - DELAY) <= found.uncertainty_samples


def test_both_answers_turn_with_the_microphones() -> None:
    """Property: exchanged, every delay changes its sign and the odds stay."""
    a = heard(bilinear(14_000, 2), 40.0, 2)
    b = heard(bilinear(9000, 2), 40.0 + DELAY, 3)
    forth, back = relate_mics(a, b, RATE_HZ), relate_mics(b, a, RATE_HZ)
    assert forth is not None
    assert back is not None
    for name in ("analogue", "sampled"):
        one, other = (getattr(e.families, name) for e in (forth, back))
        assert one.delay_samples == pytest.approx(-other.delay_samples, abs=0.02)
    assert forth.families.odds == pytest.approx(back.families.odds, abs=1.0)


def test_settling_weighs_and_widens() -> None:
    """Even odds: the mean; law of total variance. Near answers say nothing of odds."""
    families = Families(Reading(0.0, 0.2), Reading(0.06, 0.1), 0.0)
    even = families.settled()
    assert even.delay_samples == pytest.approx(0.03, rel=0.01)
    variance = (0.04 + 0.01) / 2 + 0.03**2
    assert even.deviation_samples**2 == pytest.approx(variance, rel=0.01)
    told = families.settled(2.0)
    assert told.delay_samples == pytest.approx(0.06 / (1 + np.exp(-2.0)), rel=0.01)
    assert told.deviation_samples < even.deviation_samples


def test_answers_far_apart_speak_for_sampled_circuits() -> None:
    """Property: the farther, the nearer to the sampled one, either way round."""
    shares = [
        Families(Reading(0.0, 0.1), Reading(apart, 0.1), 0.0).settled().delay_samples
        / apart
        for apart in (-0.9, -0.5, -0.1, 0.1, 0.5, 0.9)
    ]
    assert shares[:3] == pytest.approx(shares[:2:-1])
    assert 0.5 < shares[3] < shares[4] < shares[5]


def test_a_night_tells_that_it_is_sampled() -> None:
    assert odds_from_others([5.0] * 12) == (2.0,) * 12
    # Not that it is analogue, and nothing where there are no others.
    assert odds_from_others([-5.0] * 12) == (0.0,) * 12
    assert odds_from_others([8.0]) == (0.0,)
    assert odds_from_others([]) == ()


def test_the_others_do_not_count_the_pair_itself() -> None:
    """One loud pair among silent ones tells the others, not itself."""
    told = odds_from_others([8.0, 0.0, 0.0])
    assert told[0] == 0.0
    assert told[1] == told[2] > 0.0


def test_order_does_not_matter() -> None:
    odds = np.random.default_rng(4).uniform(-2, 6, 40)
    order = np.random.default_rng(5).permutation(40)
    told = np.array(odds_from_others(odds.tolist()))
    np.testing.assert_array_equal(told[order], odds_from_others(odds[order].tolist()))
