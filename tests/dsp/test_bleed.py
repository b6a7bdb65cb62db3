"""Direct monitoring planted at a known lead and level (truth by construction)."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from pipeline.dsp.activity import FRAME_S, Activity
from pipeline.dsp.bleed import find_bleed
from pipeline.dsp.linearity import capture_spectra, di_spectra

FS = 48_000
SECONDS = 8


def player(seed):
    """Plucked notes of random pitch and time, with the noise of pick and strings."""
    rng = np.random.default_rng(seed)
    x = np.zeros(SECONDS * FS)
    at = 0
    while at < len(x) - FS:
        t = np.arange(round(0.6 * FS)) / FS
        hz = 82.4 * 2 ** (rng.integers(0, 24) / 12)
        note = sum(
            np.exp(-(2 + k) * t)
            * np.sin(2 * np.pi * k * hz * (1 + 5e-5 * k * k) * t)
            / k
            for k in range(1, 15)
        )
        pick = np.exp(-400 * t) * rng.standard_normal(len(t))
        x[at : at + len(t)] += rng.uniform(0.3, 1.0) * (note + 0.5 * pick)
        at += int(rng.uniform(0.1, 0.4) * FS)
    x += 2e-4 * rng.standard_normal(len(x))
    return 0.1 * x / x.std()


def capture(di, drive, seed):
    speaker = butter(4, (90, 4500), "bandpass", fs=FS, output="sos")
    x = sosfilt(speaker, np.tanh(drive * di))
    x *= 0.1 / x.std()
    return x + 3e-4 * np.random.default_rng(seed + 99).standard_normal(len(x))


def spectra(di, x):
    frames = round(SECONDS / FRAME_S)
    everywhere = Activity(FRAME_S, np.ones(frames, bool), np.zeros(frames, bool))
    return capture_spectra(di_spectra(di, FS, everywhere), x, everywhere)


@pytest.mark.parametrize("drive", [1.0, 30.0])
@pytest.mark.parametrize("lead", [260, 700, 4000])
def test_copy_is_found(drive, lead):
    di = player(lead)
    x = capture(di, drive, lead) + 10 ** (-26 / 20) * np.roll(di, -lead)
    found = find_bleed(spectra(di, x))
    assert found.lead_samples == lead
    assert found.level_db == pytest.approx(-26.0, abs=3.0)


@pytest.mark.parametrize("drive", [1.0, 10.0, 60.0])
def test_no_copy_no_alarm(drive):
    for seed in range(3):
        di = player(seed)
        assert find_bleed(spectra(di, capture(di, drive, seed))) is None


def test_a_player_who_repeats_himself_is_no_bleed():
    # The same noise burst again and again, 30 ms apart and ever weaker: an amp that is
    # as loud as it gets leaves a lone spike ahead of itself, which the DI explains.
    rng = np.random.default_rng(5)
    di = np.zeros(SECONDS * FS)
    for at in range(0, len(di) - FS, FS // 3):
        burst = rng.standard_normal(600) * np.hanning(600)
        di[at : at + 600] += burst
        di[at + 1440 : at + 2040] += 0.5 * burst
    di *= 0.1 / di.std()
    found = find_bleed(spectra(di, capture(di, 1.0, 5)))
    assert found is None
    leaking = capture(di, 1.0, 5) + 10 ** (-20 / 20) * np.roll(di, -700)
    assert find_bleed(spectra(di, leaking)).lead_samples == 700


def test_the_plot_shows_the_copy():
    di = player(7)
    x = capture(di, 10.0, 7) + 10 ** (-26 / 20) * np.roll(di, -700)
    found = find_bleed(spectra(di, x))
    lead, height = np.array(found.lead_s), np.array(found.height_db)
    early = lead > 0.004
    top = lead[early][height[early].argmax()]
    assert top == pytest.approx(700 / FS, abs=0.155 / 400)
    assert height[early].max() == pytest.approx(
        20 * np.log10(found.prominence), abs=0.1
    )


def test_silence():
    di = player(0)
    assert find_bleed(spectra(di, np.zeros_like(di))) is None
