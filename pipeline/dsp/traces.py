"""A few hundred points of a signal, for a picture of one moment of it.

What is thinned keeps its extremes: a picture of a fault must not lose it.
"""

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

MOST_POINTS = 300


def wave_around(
    x: Samples, first: int, last: int, margin: int
) -> tuple[NDArray[np.int64], Float]:
    """Take the wave of a stretch and of what lies beside it.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Samples, full scale 1.0.
    first, last : int
        First and last-plus-one sample of the stretch.
    margin : int
        Samples shown on either side, as far as there are any.

    Returns
    -------
    index, value : ndarray
        Sample numbers and samples, in order; above 300 the lowest and the highest of
        each slice, in the order in which they come.
    """
    start, stop = max(first - margin, 0), min(last + margin, len(x))
    part = x[start:stop].astype(np.float64)
    if len(part) <= MOST_POINTS:
        return np.arange(start, stop, dtype=np.int64), part
    edges = np.linspace(0, len(part), MOST_POINTS // 2 + 1).astype(np.int64)
    kept = [
        np.sort([a + int(part[a:b].argmin()), a + int(part[a:b].argmax())])
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    index = np.concatenate(kept)
    return start + index, part[index]


def highest_of(values: Float, points: int = MOST_POINTS) -> tuple[Float, Float]:
    """Thin a curve by the highest of each slice.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The curve.
    points : int
        How many are kept at most.

    Returns
    -------
    index, value : ndarray
        Middle of each slice (in places of the curve), and its highest value.
    """
    count = min(len(values), points)
    if not count:
        return np.zeros(0), np.zeros(0)
    edges = np.linspace(0, len(values), count + 1).astype(np.int64)
    middle = 0.5 * (edges[:-1] + edges[1:] - 1.0)
    highest = np.maximum.reduceat(values, edges[:-1])
    return np.asarray(middle, dtype=np.float64), np.asarray(highest, dtype=np.float64)
