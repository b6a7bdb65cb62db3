"""What did a sweep measure: the linear response, each harmonic, and the noise?

Sign of lag: positive = the capture is late. Levels of harmonics are relative to the
linear response at their fundamental, in dB. See `sweep` for the signal.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.sweep import EDGE, Sweep, deconvolve, sweep_signal

Float = NDArray[np.float64]

PRE_SHARE = 0.25
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class SweepResponse:
    """What a sweep measured.

    Attributes
    ----------
    taps : ndarray of float64, shape (frames,)
        Linear impulse response; lag 0 at `pre_samples`.
    pre_samples : int
        Samples ahead of lag 0.
    freq_hz : ndarray, shape (points,)
        Fundamental frequencies.
    linear_db : ndarray, shape (points,)
        Magnitude of the linear response.
    harmonics_db : tuple of ndarray, shape (points of that order,)
        Level of harmonic 2, 3, ... relative to the linear response, of the first
        fundamentals: an order ends where its harmonic would lie beyond the sweep.
    """

    taps: Float
    pre_samples: int
    freq_hz: Float
    linear_db: Float
    harmonics_db: tuple[Float, ...]

    @property
    def distortion(self) -> Float:
        """Total harmonic distortion against the fundamental (THD_F), linear."""
        power = np.zeros(len(self.freq_hz))
        for level in self.harmonics_db:
            power[: len(level)] += 10.0 ** (level / 10.0)
        return np.asarray(np.sqrt(power))


def read_sweep(
    capture: Float,
    sweep: Sweep,
    lag_samples: float,
    *,
    orders: int = 5,
    frames: int | None = None,
) -> SweepResponse:
    """Measure the linear response and the harmonics.

    Parameters
    ----------
    capture : ndarray, shape (frames,)
        The recording from the moment on at which the sweep was played; it has to hold
        the sweep and its tail.
    sweep : Sweep
        What was played, at amplitude 1: divide by the level first.
    lag_samples : float
        Latency of the capture: where the linear response begins.
    orders : int
        Highest harmonic.
    frames : int, optional
        Length of the impulse response; half the lead of the second harmonic by
        default.

    Returns
    -------
    SweepResponse
        Levels at twelve points an octave.
    """
    whole = deconvolve(capture, sweep)
    rate = sweep.sample_rate_hz
    length = frames or round(0.5 * sweep.lead_samples(2))
    pre = min(round(0.005 * rate), length // 4)
    taps = _cut(whole, lag_samples, pre, length)
    # Its ends ring on both sides of the response; levels are read from all of it.
    room = sweep.lead_samples(2)
    around = _cut(whole, lag_samples, int(PRE_SHARE * room), int(0.9 * room))
    freq = sweep_points(sweep)
    linear = _magnitude(around, freq, rate)
    harmonics = []
    for order in range(2, orders + 1):
        part = _cut(
            whole, lag_samples - sweep.lead_samples(order), *_room(sweep, order)
        )
        here = order * _reached(sweep, order)
        level = _magnitude(part, here, rate)
        harmonics.append(_db(level / np.maximum(linear[: len(here)], _TINY)))
    return SweepResponse(taps, pre, freq, _db(linear), tuple(harmonics))


def sweep_points(sweep: Sweep) -> Float:
    """Choose the fundamentals at which levels are read.

    Parameters
    ----------
    sweep : Sweep
        Its design.

    Returns
    -------
    ndarray of float64
        Twelve an octave, away from the sweep's faded ends.
    """
    points = int(12 * np.log2(sweep.high_hz / sweep.low_hz / EDGE**2))
    return np.asarray(sweep.low_hz * EDGE * 2.0 ** (np.arange(points + 1) / 12.0))


def _reached(sweep: Sweep, order: int) -> Float:
    """Choose the fundamentals whose harmonic of an order lies within the sweep."""
    freq = sweep_points(sweep)
    return np.asarray(freq[order * freq <= sweep.high_hz / EDGE])


def noise_in_harmonics(
    noise: Float, sweep: Sweep, linear_db: Float, *, orders: int = 5
) -> tuple[Float, ...]:
    """Say which level of each harmonic noise alone would show.

    Parameters
    ----------
    noise : ndarray, shape (frames,)
        The same chain while nothing is played, at least 8192 frames, divided by the
        sweep's level like its recording.
    sweep : Sweep
        What was played, at amplitude 1.
    linear_db : ndarray, shape (points,)
        From `read_sweep`.
    orders : int
        Highest harmonic.

    Returns
    -------
    tuple of ndarray, shape (points of that order,)
        Root mean square level relative to the linear response, in dB, in place of
        each of the sweep's harmonics. The noise's density is divided by the sweep's
        own and multiplied by the energy of the window that `read_sweep` cuts.
    """
    rate = sweep.sample_rate_hz
    at, density = scipy.signal.welch(noise, rate, nperseg=8192)
    size = scipy.fft.next_fast_len(2 * sweep.frames, real=True)
    played = np.abs(scipy.fft.rfft(sweep_signal(sweep), size)) ** 2
    played_hz = scipy.fft.rfftfreq(size, 1.0 / rate)
    linear = 10.0 ** (linear_db / 20.0)
    floors = []
    for order in range(2, orders + 1):
        here = order * _reached(sweep, order)
        # One-sided per hertz becomes two-sided per sample.
        power = np.interp(here, at, density) * rate / 2.0
        power /= np.interp(here, played_hz, played)
        energy = float((_window(*_room(sweep, order)) ** 2).sum())
        level = np.sqrt(power * energy)
        floors.append(_db(level / np.maximum(linear[: len(here)], _TINY)))
    return tuple(floors)


def _room(sweep: Sweep, order: int) -> tuple[int, int]:
    """Size a harmonic's stretch: samples ahead of its response, and in all."""
    room = sweep.lead_samples(order + 1) - sweep.lead_samples(order)
    before = int(PRE_SHARE * room)
    return before, int((1.0 - PRE_SHARE) * room) + before


def _window(pre: int, length: int) -> Float:
    window = np.ones(length)
    rise, fall = max(pre // 2, 1), max(length // 8, 1)
    window[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    window[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fall + 1) / fall)
    return window


def _cut(whole: Float, at: float, pre: int, length: int) -> Float:
    """Cut a response out around a lag, with fades at both ends."""
    first = int(np.floor(at)) - pre
    part = whole[np.arange(first, first + length) % len(whole)]
    return np.asarray(part * _window(pre, length))


def _magnitude(taps: Float, freq_hz: Float, rate: int) -> Float:
    size = scipy.fft.next_fast_len(4 * len(taps), real=True)
    spectrum = np.abs(scipy.fft.rfft(taps, size))
    return np.asarray(
        np.interp(freq_hz, scipy.fft.rfftfreq(size, 1.0 / rate), spectrum)
    )


def _db(ratio: Float) -> Float:
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 1e-15)))
