"""Atoms of minimum phase. Authority: Bode's relation by an independent route."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.pairs.colour import Family, Spread, atoms, colours, covariance

RATE_HZ = 48_000


def cepstral_phase(level: np.ndarray) -> np.ndarray:
    """Minimum phase by the folded real cepstrum (Oppenheim and Schafer)."""
    size = 2 * (level.size - 1)
    cepstrum = np.fft.irfft(level)
    cepstrum[1 : size // 2] *= 2
    cepstrum[size // 2 + 1 :] = 0
    return np.fft.rfft(cepstrum).imag


@pytest.mark.parametrize("family", list(Family))
def test_amplitude_and_phase_belong_together(family: Family) -> None:
    """Sampled atoms obey the discrete relation, analogue ones at a high rate.

    Sampling an analogue response ends it at half the rate; at 1.5 MHz what is cut
    off is worth a thousandth of a radian at 1 kHz.
    """
    rate_hz = 32 * RATE_HZ if family is Family.ANALOGUE else RATE_HZ
    freq_hz = np.fft.rfftfreq(2**16, 1 / rate_hz)
    _, bumps = colours(freq_hz, rate_hz, family)
    for column in (20, 40, 70, 90):
        logarithm = bumps[:, column]
        phase = cepstral_phase(logarithm.real)
        near = (freq_hz > 500) & (freq_hz < 5000)
        error = (phase - logarithm.imag)[near]
        assert np.max(np.abs(error)) < 0.02 * max(1.0, np.max(np.abs(logarithm)))


def test_a_digital_kink_is_a_bilinear_corner() -> None:
    """SciPy's first-order Butterworth low-pass, corner at an atom's frequency."""
    corner_hz = 15.0 * 2.0 ** (50 / 6)
    warped = RATE_HZ / np.pi * np.arctan(np.pi * corner_hz / RATE_HZ)
    freq_hz = np.array([100.0, 1000.0, 5000.0, 15_000.0])
    b, a = signal.butter(1, warped, fs=RATE_HZ)
    _, truth = signal.freqz(b, a, freq_hz, fs=RATE_HZ)
    kinks, _ = colours(freq_hz, RATE_HZ, Family.DIGITAL)
    np.testing.assert_allclose(np.exp(kinks[:, 50]), truth, rtol=1e-9)


def test_covariance_is_symmetric_and_positive() -> None:
    parts = atoms(np.geomspace(90, 20_000, 40), RATE_HZ, Family.ANALOGUE)
    prior = covariance(parts, Spread(1.0, 0.3))
    np.testing.assert_allclose(prior, prior.T)
    assert np.linalg.eigvalsh(prior)[0] > -1e-6 * np.linalg.eigvalsh(prior)[-1]
