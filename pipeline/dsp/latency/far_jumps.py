"""Which clips lie so far from their place that a frame's spectrum cannot tell.

A lag that jumps by half a frame or more (40 ms; some drop-outs are longer) leaves
nothing in the frames after it. Each clip is then looked for on its own in a
flattened correlation, and the cheapest way through what was found is believed: a
jump costs more than one clip that strays.

Source: the cheapest way is Viterbi's, 1967.
"""

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.reference import DiReference, decimate, whiten
from pipeline.dsp.latency.results import CaptureSource

REACH_S = 0.3
PEAKS = 5
APART_S = 0.0015
# Height over the background at which a clip is sure of its place.
SURE = 7.0
JUMP_COST = 1.3
BACK = 4
# Of other performances a way holds a tenth to four tenths of the clips.
ENOUGH = 0.5
FASTEST = 300e-6
SPARE_S = 0.0006

Float = NDArray[np.float64]


def _curve(
    reference: DiReference, capture: CaptureSource, start: int, span: tuple[int, int]
) -> Float:
    """Size of a clip's flattened correlation over the capture's span, decimated."""
    factor, clip = reference.decimation, reference.grid.clip
    mine = decimate(reference.stretch(start, clip), factor)
    theirs = decimate(capture.read(span[0], span[1] - span[0]), factor)
    nfft = scipy.fft.next_fast_len(theirs.size + mine.size, real=True)
    rate = reference.sample_rate_hz / factor
    cross = whiten(scipy.fft.rfft(theirs, nfft), rate, nfft)
    cross *= whiten(scipy.fft.rfft(mine, nfft), rate, nfft).conj()
    size = np.abs(scipy.fft.irfft(cross, nfft)[: theirs.size - mine.size + 1])
    return np.asarray(size / (np.sqrt(np.mean(size**2)) + 1e-30), dtype=np.float64)


def _peaks(curve: Float, apart: int) -> list[tuple[int, float]]:
    """Highest peaks of one clip as (place, weight)."""
    left = curve.copy()
    sure = min(float(curve.max()) / SURE, 1.0) / (float(curve.max()) + 1e-30)
    found = []
    for _ in range(PEAKS):
        top = int(np.argmax(left))
        if left[top] <= 0.0:
            break
        found.append((top, sure * float(left[top])))
        left[max(top - apart, 0) : top + apart + 1] = 0.0
    return found


def _cheapest(
    frames: Float, found: list[list[tuple[float, float]]], spare: float
) -> list[tuple[int, float]]:
    """Way of the largest weight through the clips: (clip, lag), some left out."""
    nodes = [(k, lag, weight) for k, row in enumerate(found) for lag, weight in row]
    total = np.zeros(len(nodes))
    before = np.full(len(nodes), -1)
    first = 0
    for at, (k, lag, weight) in enumerate(nodes):
        while nodes[first][0] < k - BACK:
            first += 1
        total[at] = weight
        for past in range(first, at):
            then, there, _ = nodes[past]
            if then == k:
                break
            near = abs(lag - there) <= FASTEST * (frames[k] - frames[then]) + spare
            worth = total[past] + weight - (0.0 if near else JUMP_COST)
            if worth > total[at]:
                total[at], before[at] = worth, past
    way: list[tuple[int, float]] = []
    if not nodes:
        return way
    at = int(np.argmax(total))
    while at >= 0:
        way.append(nodes[at][:2])
        at = int(before[at])
    return way[::-1]


def _way(
    reference: DiReference, capture: CaptureSource, lags: Float
) -> tuple[list[tuple[int, float]], float]:
    """Way through all clips, and its share of those that the capture holds."""
    factor, rate = reference.decimation, reference.sample_rate_hz
    reach = int(REACH_S * rate)
    apart = max(int(APART_S * rate / factor), 1)
    begins = reference.starts + np.rint(lags).astype(np.int64)
    found = []
    for start, begin in zip(reference.starts.tolist(), begins.tolist(), strict=True):
        span = begin - reach, begin + reference.grid.clip + reach
        peaks = _peaks(_curve(reference, capture, start, span), apart)
        around = span[0] - start
        found.append([(float(around + factor * top), high) for top, high in peaks])
    way = _cheapest(reference.starts.astype(np.float64), found, SPARE_S * rate)
    return way, len(way) / max(sum(bool(row) for row in found), 1)


def on_a_way(reference: DiReference, capture: CaptureSource, lags: Float) -> bool:
    """Decide whether the clips, each on its own, are found where they belong.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture.
    lags : NDArray[np.float64]
        Where each clip is looked for, in samples; shape (clips,).

    Returns
    -------
    bool
        False if most lie anywhere, as those of another performance do.
    """
    return _way(reference, capture, lags)[1] >= ENOUGH


def track(
    reference: DiReference, capture: CaptureSource, lags: Float
) -> NDArray[np.float64] | None:
    """Look for each clip near a lag.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture.
    lags : NDArray[np.float64]
        Where each clip is looked for, in samples, 0.3 s to both sides; shape
        (clips,).

    Returns
    -------
    NDArray[np.float64] or None
        Lag of each clip to half a millisecond or so; of a clip that strays that
        of its neighbour. Shape (clips,). None where most clips stray.
    """
    way, share = _way(reference, capture, lags)
    if share < ENOUGH:
        return None
    held = np.array([k for k, _ in way])
    nearest = np.abs(np.arange(lags.size)[:, np.newaxis] - held).argmin(axis=1)
    return np.array([way[k][1] for k in nearest.tolist()])
