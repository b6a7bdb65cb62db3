"""Flat tops: clipping of a converter or of an analogue stage before it.

Judged on the samples as they stand in the file: a resampler, a fractional shift
or a speaker after the overload rounds the tops. Thresholds are common practice
without a source; tests/benchmarks/faults_bench.py prints their false alarms.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.units import db_from_amplitude

Float = NDArray[np.float64]
Index = NDArray[np.int64]
Samples = NDArray[np.float32] | NDArray[np.float64]

LEAST_RUN = 3
LEAST_RUNS = 3
FULL_SCALE = 0.9999
FULL_SCALE_RUN = 4
PILE_UP = 4.0
SQUARE_SHARE = 0.35
CORNER = 4.0
MOST_TIMES = 16

_BLOCK = 4096

# Widths in steps of the file's word length, and as shares of its maximum: what clips
# before a converter gets the converter's noise on its tops.
_STEPS = 2.5
_SHARES = (3e-5, 1e-4, 3e-4)


@dataclass(frozen=True, slots=True)
class Clipping:
    """Flat tops at the file's own maximum.

    Attributes
    ----------
    level_dbfs : float
        Level at which the tops are flat.
    runs : int
        Number of flat tops of 3 samples or more.
    samples : int
        Samples inside them.
    longest : int
        Longest flat top in samples.
    times_s : tuple of float
        Where they are, the first of each half second; 16 at most.
    sides : int
        1 if only one polarity is flat, 2 if both are.
    longest_at : int
        First sample of the longest flat top.
    """

    level_dbfs: float
    runs: int
    samples: int
    longest: int
    times_s: tuple[float, ...]
    sides: int
    longest_at: int


def quantum(x: Samples) -> float:
    """Step of the word length that the samples fit on.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Samples of the file.

    Returns
    -------
    float
        2^-15 for 16 bits, 2^-23 for 24, else that of single precision near the
        signal's peak.
    """
    probe = x[:: max(1, len(x) // 4096)].astype(np.float64)
    for bits in (15, 23):
        scaled = probe * 2.0**bits
        if np.array_equal(scaled, np.rint(scaled)):
            return float(2.0**-bits)
    return float(np.abs(probe).max()) * 2.0**-24


def consecutive_runs(index: Index, least: int) -> Index:
    """Group consecutive indices.

    Parameters
    ----------
    index : ndarray of int
        Ascending sample numbers.
    least : int
        Shortest run to keep.

    Returns
    -------
    ndarray of int, shape (runs, 2)
        First and last-plus-one sample of each run.
    """
    if not len(index):
        return np.zeros((0, 2), dtype=np.int64)
    breaks = np.flatnonzero(np.diff(index) > 1)
    first = index[np.concatenate([[0], breaks + 1])]
    last = index[np.concatenate([breaks, [len(index) - 1]])] + 1
    long = last - first >= least
    return np.stack([first[long], last[long]], axis=1)


def find_clipping(x: Samples, sample_rate_hz: int) -> Clipping | None:
    """Find flat tops at the file's own maximum, at whatever level it lies.

    A top is flat if 3 or more samples lie within 2.5 steps of the word length
    (or 0.003, 0.01 or 0.03 percent, as a converter's noise may have it) of the
    maximum and the curve arrives at it with a corner, not rounded. It is clipping if
    three such tops share that level and far more samples pile up there than just
    below (a sine, the densest natural top, has 1.4 times as many; 4 are asked for),
    or if one lies at full scale. A signal that rests at its extremes a third of the
    time is a square wave and not called clipped; nor is an overload that a filter has
    rounded since.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Samples of the file, finite.
    sample_rate_hz : int
        Sampling rate in Hz, for the times.

    Returns
    -------
    Clipping or None
        None if no flat tops were found.
    """
    if not len(x):
        return None
    step = quantum(x)
    blocks = np.arange(0, len(x), _BLOCK)
    highest, lowest = np.maximum.reduceat(x, blocks), np.minimum.reduceat(x, blocks)
    sides = [
        (runs, float(peaks.max()))
        for sign, peaks in ((1.0, highest), (-1.0, -lowest))
        if len(runs := _flat_tops(x, sign, peaks, step))
    ]
    if not sides:
        return None
    runs = np.concatenate([found for found, _ in sides])
    runs = runs[np.argsort(runs[:, 0])]
    lengths = runs[:, 1] - runs[:, 0]
    _, first = np.unique(2 * runs[:, 0] // sample_rate_hz, return_index=True)
    starts = runs[first, 0]
    return Clipping(
        level_dbfs=db_from_amplitude(max(peak for _, peak in sides)),
        runs=len(runs),
        samples=int(lengths.sum()),
        longest=int(lengths.max()),
        times_s=tuple((starts[:MOST_TIMES] / sample_rate_hz).tolist()),
        sides=len(sides),
        longest_at=int(runs[lengths.argmax(), 0]),
    )


def _flat_tops(x: Samples, sign: float, peaks: Samples, step: float) -> Index:
    """Find flat tops of one polarity as rows of first and last-plus-one sample."""
    peak = float(peaks.max())
    widths = sorted({max(_STEPS * step, share * peak) for share in _SHARES})
    widths = [width for width in widths if peak > 4.0 * width]
    if not widths:
        return np.zeros((0, 2), dtype=np.int64)
    near = _near(x, sign, peak - 3.0 * widths[-1], peaks)
    height = sign * x[near].astype(np.float64)
    for width in widths:
        close = height >= peak - 3.0 * width
        runs = _tops_within(x, (near[close], height[close]), sign * peak, width)
        if len(runs):
            return runs
    return np.zeros((0, 2), dtype=np.int64)


def _near(x: Samples, sign: float, reach: float, peaks: Samples) -> Index:
    """Find the samples that reach a level, in the blocks whose peaks do."""
    found = [np.zeros(0, dtype=np.int64)]
    for first, last in consecutive_runs(np.flatnonzero(peaks >= reach), 1).tolist():
        part = x[first * _BLOCK : last * _BLOCK]
        inside = part >= reach if sign > 0 else part <= -reach
        found.append(np.flatnonzero(inside) + first * _BLOCK)
    return np.concatenate(found)


def _tops_within(
    x: Samples, near: tuple[Index, Float], level: float, width: float
) -> Index:
    """Find flat tops as wide as this among the samples near the maximum."""
    none = np.zeros((0, 2), dtype=np.int64)
    index, height = near
    top = index[height >= abs(level) - width]
    if len(top) > SQUARE_SHARE * len(x):
        return none
    runs = consecutive_runs(top, LEAST_RUN)
    cornered = runs[_corners(x, runs, level) >= CORNER * width]
    lengths = cornered[:, 1] - cornered[:, 0]
    piled_up = len(top) >= PILE_UP * (len(index) - len(top))
    full = abs(level) >= FULL_SCALE and lengths.max(initial=0) >= FULL_SCALE_RUN
    return cornered if full or (piled_up and len(cornered) >= LEAST_RUNS) else none


def _corners(x: Samples, runs: Index, level: float) -> Float:
    """Step from each run to the samples beside it, the larger of both sides."""
    before = x[np.maximum(runs[:, 0] - 1, 0)].astype(np.float64)
    after = x[np.minimum(runs[:, 1], len(x) - 1)].astype(np.float64)
    return np.asarray(np.maximum(np.abs(level - before), np.abs(level - after)))
