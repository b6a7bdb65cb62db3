"""The sweep that tells the linear response and each harmonic by itself.

The synchronised exponential sweep of Novak, Lotton and Simon (JAES 63(10), 2015):
x(t) = sin(2 pi f1 L exp(t / L)) with f1 L a whole number, so that the n-th harmonic is
the sweep itself, ahead by L ln n. Deconvolved, the harmonics' responses precede the
linear one by just that (Farina, AES 108, 2000), and their phases mean something.
Sign of lag: positive = the capture is late.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Float = NDArray[np.float64]

FADE_OUT_S = 0.002
EDGE = 1.5
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Sweep:
    """A synchronised exponential sweep.

    Attributes
    ----------
    low_hz, high_hz : float
        Where it starts and ends.
    growth_s : float
        L: time in which the frequency grows e-fold.
    sample_rate_hz : int
        Sampling rate in Hz.
    """

    low_hz: float
    high_hz: float
    growth_s: float
    sample_rate_hz: int

    @property
    def seconds(self) -> float:
        """Length: L ln(f2 / f1)."""
        return self.growth_s * float(np.log(self.high_hz / self.low_hz))

    @property
    def frames(self) -> int:
        """Length in samples."""
        return int(np.floor(self.seconds * self.sample_rate_hz)) + 1

    def lead_samples(self, order: int) -> float:
        """How far the response of a harmonic lies ahead of the linear one.

        Parameters
        ----------
        order : int
            2 for the second harmonic; 1 gives 0.

        Returns
        -------
        float
            L ln n in samples.
        """
        return self.growth_s * float(np.log(order)) * self.sample_rate_hz


def design_sweep(
    low_hz: float, high_hz: float, seconds: float, sample_rate_hz: int
) -> Sweep:
    """Choose the sweep nearest to a wanted length.

    Parameters
    ----------
    low_hz, high_hz : float
        Where it starts and ends.
    seconds : float
        Wanted length; the real one makes f1 L a whole number (equations 47, 49).
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Sweep
        Ready to be made.

    Raises
    ------
    ValueError
        If the range is empty or beyond half the rate, or it would be too short.
    """
    if not 0.0 < low_hz < high_hz <= sample_rate_hz / 2.0:
        msg = f"expected 0 < {low_hz} < {high_hz} <= {sample_rate_hz / 2.0} Hz"
        raise ValueError(msg)
    turns = round(low_hz * seconds / float(np.log(high_hz / low_hz)))
    if turns < 1:
        msg = f"a sweep of {seconds} s from {low_hz} Hz is too short"
        raise ValueError(msg)
    return Sweep(low_hz, high_hz, turns / low_hz, sample_rate_hz)


def sweep_signal(sweep: Sweep) -> Float:
    """Make the sweep.

    Parameters
    ----------
    sweep : Sweep
        Its design.

    Returns
    -------
    ndarray of float64, shape (sweep.frames,)
        Amplitude 1; it starts at a zero crossing and fades out over 2 ms.
    """
    time = np.arange(sweep.frames) / sweep.sample_rate_hz
    turns = sweep.low_hz * sweep.growth_s * np.exp(time / sweep.growth_s)
    wave = np.sin(2.0 * np.pi * turns)
    fall = min(round(FADE_OUT_S * sweep.sample_rate_hz), len(wave))
    wave[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fall + 1) / fall)
    return np.asarray(wave)


def deconvolve(capture: Float, sweep: Sweep) -> Float:
    """Take the sweep out of its recording.

    Parameters
    ----------
    capture : ndarray, shape (frames,)
        The recording of the sweep and its tail.
    sweep : Sweep
        What was played, at amplitude 1.

    Returns
    -------
    ndarray of float64, shape (size,)
        Lag 0 at index 0; harmonics lie at negative lags, wrapped to the end. The
        range of the sweep is divided by its real spectrum, which the closed form
        leaves ripples on; its ends are faded.
    """
    size = scipy.fft.next_fast_len(len(capture) + sweep.frames, real=True)
    played = scipy.fft.rfft(sweep_signal(sweep), size)
    freq = scipy.fft.rfftfreq(size, 1.0 / sweep.sample_rate_hz)
    power = np.abs(played) ** 2
    weight = _band(freq, sweep)
    floor = 1e-7 * float(power.max())
    spectrum = (
        weight * scipy.fft.rfft(capture, size) * np.conj(played) / (power + floor)
    )
    return np.asarray(scipy.fft.irfft(spectrum, size))


def _band(freq_hz: Float, sweep: Sweep) -> Float:
    octave = np.log(EDGE)
    position = np.log(np.maximum(freq_hz, _TINY))
    rise = np.clip((position - np.log(sweep.low_hz)) / octave, 0.0, 1.0)
    fall = np.clip((np.log(sweep.high_hz) - position) / octave, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * np.minimum(rise, fall)) ** 2)
