"""Markers through colour, saturation and noise; truth by construction."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.markers import STARTS_S, drift_ppm, find_markers, marker_signal

RATE = 48_000


def heard(lag: float, *, drive: float, sign: int = 1, seed: int = 0) -> np.ndarray:
    """Markers at 24000, saturated, through a minimum-phase speaker, late."""
    rng = np.random.default_rng(seed)
    dry = np.zeros(4 * RATE)
    dry[24_000 : 24_000 + RATE] = 0.3 * marker_signal(RATE)
    loud = np.tanh(drive * signal.resample_poly(dry, 4, 1))
    # The speaker is analogue: its colour is made at four times the rate.
    sos = signal.butter(2, [100.0, 5000.0], "bandpass", fs=4 * RATE, output="sos")
    spectrum = np.fft.rfft(signal.resample_poly(signal.sosfilt(sos, loud), 1, 4))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(dry)) * lag)
    out = sign * np.fft.irfft(spectrum * turn, len(dry))
    return out / np.abs(out).max() * 0.3 + 1e-3 * rng.normal(size=len(dry))


@pytest.mark.parametrize("drive", [0.5, 3.0, 30.0])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [0.0, 612.4, -250.75])
def test_lag_within_a_sample_and_sign(drive: float, sign: int, lag: float) -> None:
    # Stated in the module: one sample late at most (poles above the band), two when
    # a marker is driven 20 dB into saturation.
    fix = find_markers(heard(lag, drive=drive, sign=sign), 24_000, 9600, RATE)
    assert fix is not None
    assert fix.lag_samples == pytest.approx(lag, abs=1.0 if drive < 10 else 2.0)
    assert fix.polarity == sign
    assert fix.spread_samples < 0.5


def test_gaps_are_unequal() -> None:
    gaps = np.diff(STARTS_S)
    assert len(set(np.round(gaps, 3))) == len(gaps)


@pytest.mark.parametrize("seed", range(5))
def test_noise_has_no_markers(seed: int) -> None:
    noise = np.random.default_rng(seed).normal(size=4 * RATE) * 0.1
    assert find_markers(noise, 24_000, 9600, RATE) is None
    assert find_markers(np.zeros(4 * RATE), 24_000, 9600, RATE) is None


def test_drift_between_two_sets() -> None:
    # 24 samples in 10 s at 48 kHz are 50 ppm.
    early = find_markers(heard(100.0, drive=2.0), 24_000, 9600, RATE)
    late = find_markers(heard(124.0, drive=2.0), 24_000, 9600, RATE)
    assert early is not None
    assert late is not None
    assert drift_ppm(early, late, 480_000) == pytest.approx(50.0, abs=0.5)
