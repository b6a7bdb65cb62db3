"""The phase that belongs to an amplitude: a response of minimum phase."""

import numpy as np
import scipy
from numpy.typing import NDArray

Float = NDArray[np.float64]


def minimum_phase_of(log_magnitude: Float) -> Float:
    """Phase of the response of minimum phase that has this amplitude.

    Parameters
    ----------
    log_magnitude : ndarray of float64, shape (..., bins)
        Natural logarithm of the amplitude at evenly spaced frequencies from 0 to half
        the rate, both included; finite.

    Returns
    -------
    ndarray of float64, shape (..., bins)
        Radians, negative where the response is late. The real cepstrum folded to its
        causal part: Oppenheim and Schafer, "Discrete-time signal processing".
    """
    half = log_magnitude.shape[-1] - 1
    cepstrum = scipy.fft.irfft(log_magnitude, 2 * half)
    cepstrum[..., 1:half] *= 2.0
    cepstrum[..., half + 1 :] = 0.0
    return np.asarray(scipy.fft.rfft(cepstrum).imag, dtype=np.float64)
