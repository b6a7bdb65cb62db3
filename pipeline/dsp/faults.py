"""Faults of a recording, each with its evidence: where, how often, how strong.

Drop-outs are judged on the samples as they stand in the file: before any
resampling, fractional shift or gain, which would move exact zeros. Nothing here
decides what a fault means for the night; it reports what it sees.
Thresholds are common practice without a source; what they cost in false alarms
is measured by tests/benchmarks/faults_bench.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.clipping import consecutive_runs, quantum

Index = NDArray[np.int64]
Samples = NDArray[np.float32] | NDArray[np.float64]

HELD_SAMPLES = 32
REPEATED_BLOCKS = (32, 64, 128, 256, 512, 1024, 2048)

_BUSY_STEPS = 30.0
_JUMP_STEPS = 8.0
_JUMP_SHARE = 0.05
_SURROUNDING = 256
_PROBES = 16
_CELL_PROBES = _PROBES // 2
_CELL = HELD_SAMPLES // 2
_TOP = 0.98


@dataclass(frozen=True, slots=True)
class Dropout:
    """A stretch in which nothing new was recorded although something played.

    Attributes
    ----------
    at_s : float
        Where it starts, in seconds.
    samples : int
        Its length.
    kind : str
        "zero" (digital silence), "held" (one value), "repeated" (the samples
        before it once more).
    """

    at_s: float
    samples: int
    kind: str


def find_dropouts(x: Samples, sample_rate_hz: int) -> tuple[Dropout, ...]:
    """Find stretches of zeros, of one held value or of repeated samples in sound.

    A stretch of equal samples counts from 32 on, if there is sound around it and
    the curve breaks off at one of its ends: a gate fades, and digital silence
    before and after the recording has no sound on one side. Repeated samples are
    looked for in the usual block sizes of drivers (32 to 2048); a tone of exactly
    that period repeats on and on and is not counted.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Samples of the file, finite.
    sample_rate_hz : int
        Sampling rate in Hz, for the times.

    Returns
    -------
    tuple of Dropout
        In order of time; empty for a sound file.
    """
    if len(x) <= HELD_SAMPLES:
        return ()
    step = quantum(x)
    # Most looks go to every 16th sample, which side by side are read much faster.
    grid = x[::_CELL].copy()
    found = [
        Dropout(first / sample_rate_hz, last - first, _kind(x[first]))
        for first, last in _equal_runs(x, grid).tolist()
        if _breaks_off(x, (first, last), step)
    ]
    for block in REPEATED_BLOCKS:
        found += [
            Dropout(first / sample_rate_hz, block, "repeated")
            for first in _repeats(x, grid, block, step)
        ]
    return tuple(sorted(found, key=lambda dropout: dropout.at_s))


def _kind(value: np.floating) -> str:
    return "zero" if value == 0 else "held"


def _equal_runs(x: Samples, grid: Samples) -> Index:
    """Find runs of equal samples: rows of first and last-plus-one."""
    # A run of 32 holds one whole cell of 16 with both its ends on the grid. Most cells
    # fall at the first look, so that hardly more than the grid is read.
    cells = np.flatnonzero(grid[1:] == grid[:-1]) * _CELL
    for inside in range(1, _CELL):
        cells = cells[x[cells + inside] == x[cells]]
    if len(cells):
        # Flat tops of clipping are held values too, but have a finding of their own.
        top = _TOP * max(float(x.max()), -float(x.min()))
        cells = cells[np.abs(x[cells]) < top]
    groups = consecutive_runs(cells // _CELL, 1) * _CELL
    rows = [_grown(x, first, last) for first, last in groups.tolist()]
    rows = [row for row in rows if row[1] - row[0] >= HELD_SAMPLES]
    return np.array(rows, dtype=np.int64).reshape(-1, 2)


def _grown(x: Samples, first: int, last: int) -> tuple[int, int]:
    """Grow a run of equal samples, found on the grid, to both its ends."""
    while first > 0 and x[first - 1] == x[first]:
        first -= 1
    while last < len(x) and x[last] == x[first]:
        last += 1
    return first, last


def _breaks_off(x: Samples, run: tuple[int, int], step: float) -> bool:
    first, last = run
    before = x[max(first - _SURROUNDING, 0) : first]
    after = x[last : last + _SURROUNDING]
    if not len(before) or not len(after):
        return False
    busy = min(float(np.ptp(before)), float(np.ptp(after))) / 2.0
    jump = max(abs(float(before[-1] - x[first])), abs(float(after[0] - x[first])))
    least = max(_JUMP_STEPS * step, _JUMP_SHARE * busy)
    return busy >= _BUSY_STEPS * step and jump >= least


def _repeats(x: Samples, grid: Samples, block: int, step: float) -> list[int]:
    """Find where the `block` samples before are repeated exactly once or twice."""
    if len(x) < 3 * block:
        return []
    stride = block // _PROBES
    least = 2.0 * _BUSY_STEPS * step
    runs = consecutive_runs(_probed(x, grid, block), _PROBES - 1)
    runs = runs[runs[:, 1] - runs[:, 0] <= 2.5 * _PROBES]
    found = []
    for first in _equal_throughout(x, runs[:, 0] * stride, block).tolist():
        at = _exact_repeat(x, first + block, block, stride)
        # Equal samples of silence or of a held value are not a repeated block.
        if at is not None and float(np.ptp(x[at : at + block])) >= least:
            found.append(at)
    return found


def _probed(x: Samples, grid: Samples, block: int) -> Index:
    """Probes at which `x` is what it was a block before, as far as they may count."""
    # A run that counts holds a probe of the grid: only around those are the others
    # looked at.
    stride = block // _PROBES
    late, step = block // _CELL, _CELL_PROBES * stride // _CELL
    equal = grid[late::step] == grid[:-late:step]
    equal[:-1] |= equal[1:]
    cells = np.flatnonzero(equal)
    probes = (cells[:, None] * _CELL_PROBES + np.arange(_CELL_PROBES)).ravel()
    at = probes * stride
    inside = at < len(x) - block
    probes, at = probes[inside], at[inside]
    return np.asarray(probes[x[at + block] == x[at]], dtype=np.int64)


def _equal_throughout(x: Samples, first: Index, block: int) -> Index:
    """Keep candidates whose samples between the probes are equal, too, and move.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Samples of the file.
    first : ndarray of int, shape (candidates,)
        First probe of each. Tops of clipping agree at many probes by chance:
        thousands of candidates fall here at a few looks for all of them.
    block : int
        Length of the block that is repeated.

    Returns
    -------
    ndarray of int
        The candidates that are left.
    """
    stride = block // _PROBES
    # Wherever near its probes a block begins, these samples are part of it.
    inside = np.arange(2 * stride, block - stride)
    looks = len(inside) // _PROBES
    first = first[np.ptp(x[first[:, None] + inside[::looks]], axis=1) > 0.0]
    for look in range(looks):
        at = first[:, None] + inside[look::looks]
        first = first[(x[at] == x[at + block]).all(axis=1)]
    return first


def _exact_repeat(x: Samples, near: int, block: int, stride: int) -> int | None:
    """Find the first sample of an exact repeat around a probe's place."""
    low = max(near - stride, block)
    high = min(near + 2 * stride + block, len(x))
    equal = x[low:high] == x[low - block : high - block]
    runs = consecutive_runs(np.flatnonzero(equal), block)
    if not len(runs):
        return None
    return int(low + runs[0, 0])
