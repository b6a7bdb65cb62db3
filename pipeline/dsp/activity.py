"""When the DI plays, and when it is silent.

The dry DI says so for all of its captures: it has no amp hiss, no room and no
compression. Levels are judged in frames of 50 ms against the DI's own loud
passages and its own noise floor, so that input gain does not matter. Between
"plays" and "is silent" lies a guard: a capture rings on (cabinet, room, delay
pedal) after its DI has stopped, and such frames count as neither. Thresholds
are common practice without a source; they are constants below.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Float = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

FRAME_S = 0.05
LOUD_PERCENTILE = 95.0
ACTIVE_BELOW_LOUD_DB = 30.0
ACTIVE_ABOVE_FLOOR_DB = 10.0
QUIET_ABOVE_FLOOR_DB = 6.0
QUIET_BELOW_LOUD_DB = (35.0, 60.0)
FLOOR_PERCENTILE = 3.0
TAIL_GUARD_S = 0.6
ONSET_GUARD_S = 0.1

_FRAMES = 256
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Activity:
    """Which frames of the DI hold playing, and which hold silence.

    Attributes
    ----------
    frame_s : float
        Length of a frame in seconds; frame k starts at k * frame_s.
    active : ndarray of bool, shape (frames,)
        The DI plays.
    quiet : ndarray of bool, shape (frames,)
        The DI is silent and has been long enough for tails to die away. A frame
        may be neither, never both.
    """

    frame_s: float
    active: Bools
    quiet: Bools

    def within(self, start_s: float, stop_s: float) -> "Activity":
        """Only the frames that lie wholly inside a span.

        Parameters
        ----------
        start_s, stop_s : float
            Span in seconds on the DI's time, for instance where a capture has
            samples of its own.

        Returns
        -------
        Activity
            Frames outside are neither active nor quiet.
        """
        starts = np.arange(len(self.active)) * self.frame_s
        inside = (starts >= start_s - 1e-9) & (starts + self.frame_s <= stop_s + 1e-9)
        return Activity(self.frame_s, self.active & inside, self.quiet & inside)


def _rounded(values: NDArray[np.floating]) -> NDArray[np.int64]:
    return np.asarray(np.rint(values), dtype=np.int64)


def frame_edges(frames: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """First sample of each whole frame of `FRAME_S`, and the end of the last.

    Parameters
    ----------
    frames : int
        Length of the signal in samples.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of int, shape (whole frames + 1,)
        Edges in samples, to the nearest one.
    """
    whole = int(np.floor(frames / (sample_rate_hz * FRAME_S) + 1e-9))
    return _rounded(np.arange(whole + 1.0) * (sample_rate_hz * FRAME_S))


def _powers(frames: NDArray[np.floating]) -> tuple[Float, Float]:
    """Mean square of each row, without its mean, and the mean."""
    count = frames.shape[1]
    mean = (frames @ np.ones(count, frames.dtype)).astype(np.float64) / count
    square = np.vecdot(frames, frames).astype(np.float64) / count
    return square - np.square(mean), mean


def _powers_between(x: Samples, edges: NDArray[np.int64]) -> Float:
    """Mean square between edges, without the mean, in double precision."""
    power, mean = np.zeros((2, len(edges) - 1))
    for first in range(0, len(power), _FRAMES):
        last = min(first + _FRAMES, len(power))
        start = int(edges[first])
        part = x[start : int(edges[last])].astype(np.float64)
        mean[first:last] = np.add.reduceat(part, edges[first:last] - start)
        np.square(part, out=part)
        power[first:last] = np.add.reduceat(part, edges[first:last] - start)
    count = np.diff(edges)
    return power / count - np.square(mean / count)


def frame_power(x: Samples, sample_rate_hz: int) -> Float:
    """Mean square of each frame, without its mean.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Signal, full scale 1.0.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of float64, shape (whole frames,)
        Power of each frame of `FRAME_S`; a constant offset does not count.
    """
    edges = frame_edges(len(x), sample_rate_hz)
    if len(edges) < 2:
        return np.zeros(0)
    count = int(edges[1])
    if np.any(np.diff(edges) != count):
        return np.maximum(_powers_between(x, edges), 0.0)
    frames: NDArray[np.floating] = x[: int(edges[-1])].reshape(-1, count)
    with np.errstate(over="ignore", invalid="ignore"):
        power, mean = _powers(frames)
    if not np.isfinite(power).all():
        # Absurdly large samples overflow in single precision.
        return np.maximum(_powers_between(x, edges), 0.0)
    # An offset above the sound leaves it too few bits, and is taken out first.
    offset = np.flatnonzero(power < np.square(mean))
    for some in np.split(offset, range(_FRAMES, len(offset), _FRAMES)):
        power[some], _ = _powers(frames[some] - mean[some, None].astype(x.dtype))
    return np.maximum(power, 0.0)


def _after(mask: Bools, frames: int) -> Bools:
    """Mark each true frame and so many frames after it."""
    seen = np.concatenate([np.zeros(frames + 1), np.cumsum(mask)])
    return np.asarray(seen[frames + 1 :] > seen[: len(mask)], dtype=np.bool_)


def active_frames(di: Samples, sample_rate_hz: int) -> Activity:
    """Find where the DI plays and where it is silent.

    A frame is active within 30 dB of the DI's loud passages (95th percentile of
    frame levels) and at least 10 dB above its floor (3rd percentile). It is
    silent up to 6 dB above the floor, a limit held between 60 and 35 dB below
    the loud passages, if nothing louder sounds from 0.6 s before it to 0.1 s
    after it. A DI that never rests has no quiet frames.

    Parameters
    ----------
    di : ndarray of float, shape (frames,)
        The dry DI, full scale 1.0.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Activity
        All frames inactive for silence; an incomplete last frame is left out.

    Raises
    ------
    ValueError
        If a sample is not finite.
    """
    power = frame_power(di, sample_rate_hz)
    if not np.isfinite(power).all():
        msg = "activity of a DI with samples that are not finite"
        raise ValueError(msg)
    none = np.zeros(len(power), dtype=np.bool_)
    if not len(power) or power.max() < _TINY:
        return Activity(FRAME_S, none, none.copy())
    level = 10.0 * np.log10(np.maximum(power, _TINY))
    # Levels under the loud passages by percentile of the frames that sound at all.
    loud = float(np.percentile(level[level > level.max() - 60.0], LOUD_PERCENTILE))
    floor = float(np.percentile(level, FLOOR_PERCENTILE))
    resting = floor < loud - QUIET_BELOW_LOUD_DB[0]
    lowest_active = loud - ACTIVE_BELOW_LOUD_DB
    if resting:
        lowest_active = max(lowest_active, floor + ACTIVE_ABOVE_FLOOR_DB)
    highest_quiet = float(
        np.clip(
            floor + QUIET_ABOVE_FLOOR_DB,
            loud - QUIET_BELOW_LOUD_DB[1],
            loud - QUIET_BELOW_LOUD_DB[0],
        )
    )
    sounding = level > highest_quiet
    tail = round(TAIL_GUARD_S / FRAME_S)
    onset = round(ONSET_GUARD_S / FRAME_S)
    near = _after(sounding, tail) | _after(sounding[::-1], onset)[::-1]
    return Activity(FRAME_S, level > lowest_active, ~near)
