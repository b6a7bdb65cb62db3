"""Sound that stops although its DI plays on: a noise gate, stand-by, a muted channel.

Judged on levels in frames of 50 ms of the aligned pair, before any gain. Thresholds are
common practice without a source; what they cost in false alarms is measured by
tests/benchmarks/faults_bench.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S
from pipeline.dsp.clipping import MOST_TIMES, consecutive_runs

Float = NDArray[np.float64]

GATE_FALL_DB = 30.0
GATE_EXCESS_DB = 15.0
GATE_CLOSED_DBFS = -85.0
LEAST_CLOSINGS = 2
PLAYING_BELOW_LOUD_DB = 15.0
MUTED_BELOW_DB = 30.0
LEAST_MUTED_S = 1.0
STEADY_DB = 3.0

_LOUD_PERCENTILE = 95.0
_USUAL_PERCENTILE = 80.0
_STEADY_PERCENTILES = (1.0, 99.0)
_DIGITAL_SILENCE = 1e-20


@dataclass(frozen=True, slots=True)
class Gate:
    """A noise gate that was left on.

    Attributes
    ----------
    closings : int
        How often it shut.
    times_s : tuple of float
        When, on the time of the frames passed in; the first 16.
    open_dbfs, closed_dbfs : float
        Median level just before and just after, dB re a mean square of 1.0;
        never below -200.
    """

    closings: int
    times_s: tuple[float, ...]
    open_dbfs: float
    closed_dbfs: float


@dataclass(frozen=True, slots=True)
class Mute:
    """A stretch in which the DI plays and the capture does not.

    Attributes
    ----------
    start_s, stop_s : float
        The longest stretch, from playing to playing of the DI, on the time of the
        frames passed in.
    playing_dbfs, muted_dbfs : float
        Level of the capture where the DI plays (80th percentile), and median inside the
        stretch, dB re a mean square of 1.0; never below -200.
    """

    start_s: float
    stop_s: float
    playing_dbfs: float
    muted_dbfs: float


def level_db(power: Float) -> Float:
    """Level of frames.

    Parameters
    ----------
    power : ndarray, shape (frames,)
        Mean squares of `activity.frame_power`.

    Returns
    -------
    ndarray, shape (frames,)
        dB re a mean square of 1.0, never below -200.
    """
    return np.asarray(10.0 * np.log10(np.maximum(power, _DIGITAL_SILENCE)))


def find_gate(di_power: Float, capture_power: Float) -> Gate | None:
    """Find a noise gate by its closings: sound falls off a cliff, its DI does not.

    A closing is a fall by 30 dB or more within 100 ms to below -85 dBFS, by 15 dB
    more than the DI falls, that lasts for 100 ms; and by 15 dB more than in the 100 ms
    before, because a room that dies away fast falls steadily. Two make a gate. A chain
    without noise of its own is no gate: its sound fades with the DI's.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair, cut to where the capture has
        samples of its own; the capture before any gain.

    Returns
    -------
    Gate or None
        None with fewer than two closings.
    """
    if len(di_power) < 4:
        return None
    di_db, capture_db = level_db(di_power), level_db(capture_power)
    fall, di_fall = (level[:-3] - level[2:-1] for level in (capture_db, di_db))
    fell = np.concatenate([[0.0, 0.0], fall[:-2]])
    closed = np.maximum(capture_db[2:-1], capture_db[3:]) <= GATE_CLOSED_DBFS
    sudden = np.minimum(fall - di_fall, fall - fell) >= GATE_EXCESS_DB
    cliffs = closed & (fall >= GATE_FALL_DB) & sudden
    runs = consecutive_runs(np.flatnonzero(cliffs), 1)
    if len(runs) < LEAST_CLOSINGS:
        return None
    at = runs[:, 0]
    return Gate(
        closings=len(runs),
        times_s=tuple((at[:MOST_TIMES] * FRAME_S + 2.0 * FRAME_S).tolist()),
        open_dbfs=float(np.median(capture_db[at])),
        closed_dbfs=float(np.median(capture_db[at + 3])),
    )


def find_mute(di_power: Float, capture_power: Float) -> Mute | None:
    """Find where the amplifier was on stand-by, or the channel was muted.

    The DI plays in frames within 15 dB of its loud passages. A stretch is muted if the
    capture stays 30 dB under its own usual level there, for a second of such playing or
    more: no gate shuts at full playing, and no cabinet rests so long.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair, cut to where the capture has
        samples of its own.

    Returns
    -------
    Mute or None
        The longest stretch; None if there is none.
    """
    if not len(di_power):
        return None
    di_db, capture_db = level_db(di_power), level_db(capture_power)
    # Percentile of frames that sound at all, as for `activity.active_frames`.
    loud = np.percentile(di_db[di_db >= di_db.max() - 60.0], _LOUD_PERCENTILE)
    playing = di_db >= loud - PLAYING_BELOW_LOUD_DB
    # Not the median: the amplifier may have been on stand-by for most of the take.
    usual = float(np.percentile(capture_db[playing], _USUAL_PERCENTILE))
    dead = capture_db < usual - MUTED_BELOW_DB
    runs = consecutive_runs(np.flatnonzero(dead), 1)
    if not len(runs):
        return None
    played = np.concatenate([[0], np.cumsum(playing & dead)])
    held = played[runs[:, 1]] - played[runs[:, 0]]
    longest = int(held.argmax())
    if held[longest] * FRAME_S < LEAST_MUTED_S:
        return None
    # Rests of the DI at either end may belong to it or not.
    first, last = runs[longest].tolist()
    at = first + np.flatnonzero(playing[first:last])
    first, last = int(at[0]), int(at[-1]) + 1
    return Mute(
        start_s=first * FRAME_S,
        stop_s=last * FRAME_S,
        playing_dbfs=usual,
        muted_dbfs=float(np.median(capture_db[first:last])),
    )


def level_range_db(capture_power: Float) -> float | None:
    """How far a recording's level moves: hiss and hum alone stay where they are.

    Parameters
    ----------
    capture_power : ndarray, shape (frames,)
        `activity.frame_power` of a recording.

    Returns
    -------
    float or None
        99th minus 1st percentile in dB; None for digital silence. Under 3 dB nobody
        plays: even an amplifier that evens everything out lets rests be heard.
    """
    heard = capture_power[capture_power > _DIGITAL_SILENCE]
    if not len(heard):
        return None
    low, high = np.percentile(level_db(heard), _STEADY_PERCENTILES)
    return float(high - low)
