"""What is the linear response of amp, cabinet and microphone, as an impulse response?

From a sweep (see `sweep`) or from the music itself: the best linear filter of the DI,
with its confidence. Sign of lag: positive = the capture is late. Arrays are 1-D.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.linearity import CrossSpectra, coherence

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

DEEPEST_DB = 200.0
STEEPEST_ORDER = 4.0
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Impulse:
    """An impulse response.

    Attributes
    ----------
    taps : ndarray of float64, shape (frames,)
        Convolved with the DI they give the capture, at the capture's level.
    pre_samples : int
        Sample at which lag 0 sits.
    confidence : float
        0 to 1: share of the capture's power that it explains.
    """

    taps: Float
    pre_samples: int
    confidence: float


def music_impulse(
    cross: CrossSpectra, pre_samples: int, frames: int, *, damping_db: float = -50.0
) -> Impulse:
    """Find the best linear filter from the DI to the capture.

    Where the DI plays nothing, or the capture does not follow it, the filter is drawn
    to nothing: each frequency is weighted by its coherence (Wiener's shrinkage).

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of the aligned pair.
    pre_samples : int
        Samples kept ahead of lag 0.
    frames : int
        Length of the result.
    damping_db : float
        Power of the DI, against its strongest, below which the filter is damped.

    Returns
    -------
    Impulse
        With half-cosine fades at both ends.

    Raises
    ------
    ValueError
        If it would be longer than half of the analysis window.
    """
    size = 2 * (len(cross.freq_hz) - 1)
    if not 0 <= pre_samples < frames <= size // 2:
        msg = f"expected 0 <= {pre_samples} < {frames} <= {size // 2}"
        raise ValueError(msg)
    floor = float(cross.s_dd.max()) * 10.0 ** (damping_db / 10.0)
    spectrum = cross.s_dx / (cross.s_dd + floor + _TINY)
    whole = scipy.fft.irfft(spectrum, size)
    taps = np.roll(whole, pre_samples)[:frames] * _fades(frames, pre_samples)
    agreed = np.clip(coherence(cross), 0.0, 1.0)
    share = float((agreed * cross.s_xx).sum() / max(float(cross.s_xx.sum()), _TINY))
    return Impulse(np.asarray(taps), pre_samples, min(max(share, 0.0), 1.0))


def _fades(frames: int, pre_samples: int) -> Float:
    window = np.ones(frames)
    rise = max(pre_samples // 2, 1)
    window[:rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    fall = max(frames // 4, 1)
    window[-fall:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return window


def minimum_phase_spectrum(magnitude: Float) -> Complex:
    """Give a magnitude its minimum phase.

    Parameters
    ----------
    magnitude : ndarray, shape (bins,)
        From zero frequency to half the sampling rate, evenly spaced, 0 or more.

    Returns
    -------
    ndarray of complex128, shape (bins,)
        The real cepstrum of its logarithm folded onto positive times (Oppenheim and
        Schafer, Discrete-Time Signal Processing); no deeper than 200 dB under its
        top.
    """
    top = float(magnitude.max())
    least = max(top * 10.0 ** (-DEEPEST_DB / 20.0), _TINY)
    size = 2 * (len(magnitude) - 1)
    cepstrum = scipy.fft.irfft(np.log(np.maximum(magnitude, least)), size)
    fold = np.zeros(size)
    fold[0] = 1.0
    fold[1 : size // 2] = 2.0
    fold[size // 2] = 1.0
    return np.asarray(np.exp(scipy.fft.rfft(cepstrum * fold)))


def minimum_phase_taps(taps: Float, frames: int) -> Float:
    """Turn an impulse response into the minimum-phase one of equal magnitude.

    Parameters
    ----------
    taps : ndarray, shape (n,)
        Any response.
    frames : int
        Length of the result.

    Returns
    -------
    ndarray of float64, shape (frames,)
        It starts at once; the last quarter fades out.
    """
    size = scipy.fft.next_fast_len(8 * max(len(taps), frames), real=True)
    size += size % 2
    spectrum = minimum_phase_spectrum(np.abs(scipy.fft.rfft(taps, size)))
    early = scipy.fft.irfft(spectrum, size)[:frames]
    fall = max(frames // 4, 1)
    early[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return np.asarray(early)


def excess_delay(
    spectrum: Complex, weight: Float, size: int
) -> tuple[float, int, float]:
    """Find the delay of a response beyond its minimum phase.

    Parameters
    ----------
    spectrum : ndarray of complex128, shape (bins,)
        Of the response, from zero frequency to half the rate.
    weight : ndarray, shape (bins,)
        How much each frequency counts; 0 outside of the known band.
    size : int
        Length of the transform, 2 (bins - 1).

    Returns
    -------
    delay_samples : float
        Positive = late.
    polarity : int
        1 or -1.
    agreement : float
        0 to 1: 1 when one delay explains every phase.
    """
    magnitude = _continued(np.abs(spectrum), np.flatnonzero(weight > 0.0))
    excess = spectrum * np.conj(minimum_phase_spectrum(magnitude))
    excess /= np.abs(excess) + _TINY
    fine = 8 * size
    curve = scipy.fft.irfft(weight * excess, fine) * fine
    at = int(np.abs(curve).argmax())
    before, here, after = (float(curve[(at + k) % fine]) for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    place = at + (0.5 * (before - after) / bend if bend else 0.0)
    if place > fine / 2:
        place -= fine
    total = 2.0 * float(weight.sum())
    return place / 8.0, 1 if here > 0 else -1, min(abs(here) / (total + _TINY), 1.0)


def _continued(magnitude: Float, known: NDArray[np.int64]) -> Float:
    """Continue a magnitude beyond its known band, with the slope of its last octave."""
    first, last = int(known[0]), int(known[-1])
    pitch = np.log(np.arange(max(last // 2, first, 1), last + 1))
    level = np.log(magnitude[-len(pitch) + last + 1 : last + 1] + _TINY)
    slope = float(np.polyfit(pitch, level, 1)[0]) if len(pitch) > 2 else 0.0
    order = float(np.clip(-slope, 0.0, STEEPEST_ORDER))
    end = float(np.exp(np.mean(level) - order * (np.log(last) - np.mean(pitch))))
    whole = magnitude.copy()
    beyond = np.arange(last, len(magnitude))
    whole[last:] = end * (beyond / last) ** -order
    whole[:first] = magnitude[first]
    return np.asarray(whole)
