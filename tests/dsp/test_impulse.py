"""Impulse responses: minimum phase by theory, music against truth by construction."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.activity import active_frames
from pipeline.dsp.impulse import minimum_phase_taps, music_impulse
from pipeline.dsp.linearity import capture_spectra, di_spectra

RATE = 48_000


def against(di, x):
    activity = active_frames(di, RATE)
    return capture_spectra(di_spectra(di, RATE, activity), x, activity)


def test_minimum_phase_of_a_minimum_phase_filter_is_itself() -> None:
    # A Butterworth low-pass is minimum phase; delaying it changes no magnitude.
    b, a = signal.butter(3, 4000.0, fs=RATE)
    spike = np.zeros(2000)
    spike[0] = 1.0
    truth = signal.lfilter(b, a, spike)
    late = np.concatenate([np.zeros(100), truth])
    found = minimum_phase_taps(late, 400)
    assert found[:250] == pytest.approx(truth[:250], abs=2e-4)


def test_minimum_phase_of_a_reversed_response() -> None:
    # Time reversal keeps the magnitude: h = (0.5, 1) becomes (1, 0.5).
    found = minimum_phase_taps(np.array([0.5, 1.0]), 64)
    assert found[:3] == pytest.approx([1.0, 0.5, 0.0], abs=1e-6)


def test_music_gives_the_filter_back() -> None:
    rng = np.random.default_rng(2)
    di = signal.lfilter([1.0], [1.0, -0.9], rng.normal(size=12 * RATE)) * 0.05
    b, a = signal.butter(2, [150.0, 5000.0], "bandpass", fs=RATE)
    clean = signal.lfilter(b, a, di)
    cross = against(di, clean)
    assert cross is not None
    found = music_impulse(cross, 64, 4096)
    again = signal.fftconvolve(di, found.taps)[64 : 64 + len(di)]
    error = np.sum((again - clean) ** 2) / np.sum(clean**2)
    assert 10 * np.log10(error) < -30.0
    assert found.confidence > 0.98


def test_unrelated_sound_has_no_confidence() -> None:
    rng = np.random.default_rng(3)
    di, other = rng.normal(size=(2, 12 * RATE)) * 0.05
    cross = against(di, other)
    assert cross is not None
    assert music_impulse(cross, 64, 4096).confidence < 0.05


def test_too_long_is_refused() -> None:
    rng = np.random.default_rng(3)
    di = rng.normal(size=3 * RATE)
    cross = against(di, di)
    assert cross is not None
    with pytest.raises(ValueError, match="expected"):
        music_impulse(cross, 64, 1 << 20)
