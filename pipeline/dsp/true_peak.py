"""How high a signal rises between its samples.

True peak in the sense of ITU-R BS.1770-5 Annex 2, as a linear amplitude
(dBTP = 20 log10), with the interpolator of `oversampling`. Only the places that can
hold the maximum are interpolated, and still the result is that of interpolating
everything: what lies between samples is bounded by the largest sample and the largest
second difference, over cells first and over the windows of those that stay open. Where
that is not enough, the points halfway between the samples come next; beside them the
second difference weighs a fourth.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.dsp.oversampling import (
    HALF_TAPS,
    interpolation_bounds,
    interpolation_phases,
    oversampling,
)

Float = NDArray[np.float64]
Index = NDArray[np.int64]
Sizes = NDArray[np.floating]
Samples = NDArray[np.float32] | NDArray[np.float64]

_WINDOW = 64  # at least HALF_TAPS + 1: a window's support is its neighbours
_CELL = 1024
_CHUNK = 1 << 16
_CELLS = 64
_FIRST = 32
_BATCH = 1024
# Covers the rounding of single-precision differences in the bound.
_SAFETY = 1.0 + 1e-5
# Covers that of single-precision interpolation: 48 products of 6e-8 each, with
# the phase's absolute sum of 2.8.
_ROUGH = 1e-5


@dataclass(frozen=True, slots=True)
class TruePeak:
    """The highest point of the interpolated signal.

    Attributes
    ----------
    amplitude : float
        Absolute linear amplitude, full scale 1.0; 0 for silence.
    at_sample : float
        Where it lies, in samples of the input (fractional); 0 for silence.
    sample_amplitude : float
        Absolute linear amplitude of the largest sample; 0 for silence.
    """

    amplitude: float
    at_sample: float
    sample_amplitude: float


@lru_cache(maxsize=4)
def _matrix(factor: int) -> Float:
    """Turn a window with its margins into all its interpolated points."""
    phases = interpolation_phases(factor)
    width = _WINDOW + 2 * HALF_TAPS
    matrix = np.zeros((width, _WINDOW, factor - 1))
    for sample in range(_WINDOW):
        matrix[sample + 1 : sample + 1 + 2 * HALF_TAPS, sample] = phases.T
    return matrix.reshape(width, -1)


@lru_cache(maxsize=4)
def _single_matrix(factor: int) -> NDArray[np.float32]:
    return _matrix(factor).astype(np.float32)


@lru_cache(maxsize=4)
def _half_matrix(factor: int) -> NDArray[np.float32]:
    """Turn a window with its margins into the points halfway between its samples."""
    halfway = _single_matrix(factor)[:, factor // 2 - 1 :: factor - 1]
    return np.ascontiguousarray(halfway)


def _stretch(x: Samples, start: int, stop: int) -> Samples:
    """Cut samples start ... stop - 1, zeros where the signal has none."""
    inside = x[max(start, 0) : max(stop, 0)]
    before = max(-start, 0)
    if len(inside) == stop - start:
        return inside
    out = np.zeros(stop - start, x.dtype)
    out[before : before + len(inside)] = inside
    return out


def _cell_maxima(x: Samples) -> tuple[Float, Float]:
    """Find the largest |x| and |second difference| of each cell."""
    # Cell c holds the samples from (c - 1) * _CELL on: one cell of silence lies before
    # the signal and at least one after it.
    cells = -(-len(x) // _CELL) + 2
    level, bend = np.zeros(cells), np.zeros(cells)
    step = _CHUNK // _CELL
    # Kept from chunk to chunk: fresh memory would cost more than the work.
    size = min(_CHUNK, cells * _CELL)
    rise, sizes = np.empty(size + 1, x.dtype), np.empty(size, x.dtype)
    for first in range(0, cells, step):
        last = min(first + step, cells)
        part = _stretch(x, (first - 1) * _CELL - 1, (last - 1) * _CELL + 1)
        rise, sizes = rise[: len(part) - 1], sizes[: len(part) - 2]
        level[first:last] = _peaks(part[1:-1], sizes, _CELL)
        np.subtract(part[1:], part[:-1], out=rise)
        np.subtract(rise[1:], rise[:-1], out=sizes)
        bend[first:last] = _peaks(sizes, sizes, _CELL)
    return level, bend


def _peaks(part: Sizes, sizes: Sizes, length: int) -> Sizes:
    np.abs(part, out=sizes)
    # Faster than the maximum of each row.
    return np.maximum.reduceat(sizes.reshape(-1), np.arange(0, sizes.size, length))


def _with_neighbours(maxima: Sizes) -> Sizes:
    """Largest of each and of those beside it, along the last axis."""
    out = maxima.copy()
    np.maximum(out[..., 1:], maxima[..., :-1], out=out[..., 1:])
    np.maximum(out[..., :-1], maxima[..., 1:], out=out[..., :-1])
    return out


@dataclass(frozen=True, slots=True)
class _Windows:
    """Where some windows begin, and a bound of the interpolation inside each.

    `level` is the largest sample, `bend` the largest second difference that counts.
    """

    starts: Index
    level: Float
    bend: Float
    bound: Float

    def above(self, floor: float) -> "_Windows":
        """Those whose bound is above a floor, by falling bound."""
        order = np.flatnonzero(self.bound > floor)
        order = order[np.argsort(-self.bound[order], kind="stable")]
        return _Windows(
            self.starts[order], self.level[order], self.bend[order], self.bound[order]
        )


@dataclass(frozen=True, slots=True)
class _Search:
    """A signal with its highest sample, and how it is interpolated."""

    x: Samples
    factor: int
    sample_peak: TruePeak

    @property
    def slack(self) -> float:
        """Largest error of a rough peak."""
        return _ROUGH * self.sample_peak.amplitude

    def bound(self, level: Sizes, after: Sizes, bend: Sizes) -> Sizes:
        """Bound stretches, neighbours along the last axis, by their maxima."""
        # The last interval of a stretch ends at the sample after it.
        bounds = interpolation_bounds(self.factor)
        any_curve = bounds.gain * _with_neighbours(level)
        this_curve = np.maximum(level, after) + bounds.bend * _with_neighbours(bend)
        return np.asarray(np.minimum(any_curve, this_curve) * _SAFETY)

    def rows(self, starts: Index, length: int, margin: int) -> Sizes:
        """Cut stretches with a margin either side, one row each."""
        first = starts - margin
        length += 2 * margin
        if first.min() >= 0 and first.max() + length <= len(self.x):
            stretches: Sizes = sliding_window_view(self.x, length)
            return stretches[first]
        return np.stack([_stretch(self.x, at, at + length) for at in first.tolist()])

    def windows(self, cells: Index) -> _Windows:
        """Divide cells into windows."""
        starts = (cells - 1) * _CELL
        values = np.empty((3, len(cells), _CELL // _WINDOW))
        for first in range(0, len(cells), _CELLS):
            batch = slice(first, first + _CELLS)
            # A window either side, and a sample more for the second differences.
            rows = self.rows(starts[batch], _CELL, _WINDOW + 1)
            after = np.abs(rows[:, _WINDOW + 1 :: _WINDOW])
            sizes = np.diff(rows, 2)
            bend = _peaks(sizes, sizes, _WINDOW).reshape(after.shape)
            level = _peaks(rows[:, 1:-1], sizes, _WINDOW).reshape(after.shape)
            values[0, batch] = np.maximum(level, after)[:, 1:-1]
            values[1, batch] = _with_neighbours(bend)[:, 1:-1]
            values[2, batch] = self.bound(level, after, bend)[:, 1:-1]
        inside = starts[:, None] + np.arange(0, _CELL, _WINDOW)
        return _Windows(inside.ravel(), *values.reshape(3, -1))

    def closer(self, windows: _Windows, halfway: Float) -> _Windows:
        """Bound windows again by the highest points halfway between samples."""
        reach = np.maximum(windows.level, halfway + self.slack)
        half_bend = interpolation_bounds(self.factor).half_bend
        bound = (reach + half_bend * windows.bend) * _SAFETY
        return replace(windows, bound=np.minimum(windows.bound, bound))

    def peaks(
        self, windows: _Windows, floor: float, matrix: NDArray[np.float32]
    ) -> tuple[Float, float]:
        """Peaks of windows, 0 where none can win, and what the highest exceeds."""
        peaks = np.zeros(len(windows.starts))
        first, size = 0, _FIRST
        while first < len(peaks) and windows.bound[first] > floor:
            batch = slice(first, first + size)
            rows = self.rows(windows.starts[batch], _WINDOW, HALF_TAPS)
            values = rows.astype(np.float32, copy=False) @ matrix
            peaks[batch] = np.maximum(values.max(axis=1), -values.min(axis=1))
            floor = max(floor, float(peaks[batch].max()) - self.slack)
            first, size = first + size, _BATCH
        return peaks, floor

    def exact(self, starts: Index) -> TruePeak:
        """Find the peak of some windows in double precision."""
        rows = self.rows(starts, _WINDOW, HALF_TAPS).astype(np.float64)
        values = np.abs(rows @ _matrix(self.factor))
        row, column = divmod(int(values.argmax()), values.shape[1])
        sample, phase = divmod(column, self.factor - 1)
        place = starts[row] + sample + (phase + 1) / self.factor
        largest = self.sample_peak.sample_amplitude
        return TruePeak(float(values[row, column]), float(place), largest)

    def best(self, cells: Index) -> TruePeak:
        """Find the highest point, if it lies in some cells or is a sample."""
        best = self.sample_peak
        windows = self.windows(cells).above(best.amplitude)
        halfway, floor = self.peaks(windows, best.amplitude, _half_matrix(self.factor))
        windows = self.closer(windows, halfway).above(floor)
        peaks, floor = self.peaks(windows, floor, _single_matrix(self.factor))
        close = windows.starts[peaks > floor - self.slack]
        for first in range(0, len(close), _BATCH):
            found = self.exact(close[first : first + _BATCH])
            best = found if found.amplitude > best.amplitude else best
        return best


def find_true_peak(x: Samples, sample_rate_hz: int) -> TruePeak:
    """Find the highest point of the interpolated signal.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Signal, full scale 1.0; zeros are assumed before and after it.
    sample_rate_hz : int
        Sampling rate in Hz; it decides the oversampling factor.

    Returns
    -------
    TruePeak
        Amplitude and place; never below the largest sample.

    Raises
    ------
    ValueError
        If the signal is not one-dimensional or a sample is not finite.
    """
    if x.ndim != 1:
        msg = f"true peak takes one channel, got shape {x.shape}"
        raise ValueError(msg)
    level, bend = _cell_maxima(x)
    if not np.isfinite(level).all():
        msg = "true peak of a signal with samples that are not finite"
        raise ValueError(msg)
    best = _sample_peak(x, level)
    if best.amplitude == 0.0:
        return best
    search = _Search(x, oversampling(sample_rate_hz), best)
    after = np.zeros_like(level)
    after[:-2] = np.abs(x[::_CELL])
    bound = search.bound(level, after, bend)
    return search.best(np.flatnonzero(bound > best.amplitude))


def _sample_peak(x: Samples, level: Float) -> TruePeak:
    start = max(int(level.argmax()) - 1, 0) * _CELL
    part = np.abs(x[start : start + _CELL])
    if not len(part) or part.max() == 0.0:
        return TruePeak(0.0, 0.0, 0.0)
    largest = float(part.max())
    return TruePeak(largest, float(start + int(part.argmax())), largest)


def true_peak(x: Samples, sample_rate_hz: int) -> float:
    """Measure the true peak of one channel as a linear amplitude.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Signal, full scale 1.0.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    float
        Amplitude as in `find_true_peak`; 0 for silence.
    """
    return find_true_peak(x, sample_rate_hz).amplitude
