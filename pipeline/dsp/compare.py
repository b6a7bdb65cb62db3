"""Which captures are alike, and which few stand for the rest?

Works on band levels of level-matched captures: one row a capture, one column an
ERB-spaced band, dB. Distances are in dB.
"""

import numpy as np
import scipy
from numpy.typing import NDArray


def distance_matrix(levels_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of every capture to every other.

    Parameters
    ----------
    levels_db : ndarray, shape (captures, bands)
        Band levels of level-matched captures, dB.

    Returns
    -------
    ndarray, shape (captures, captures)
        Root mean square over the bands of the level difference, dB; symmetric, zero
        diagonal. Common practice: ERB-spaced bands weigh frequency as hearing does.
    """
    # Row by row: scipy.spatial takes longer to import than any night to compare.
    rows = [np.linalg.norm(levels_db - one, axis=1) for one in levels_db]
    distances = np.array(rows).reshape(len(rows), len(rows))
    return np.asarray(distances / np.sqrt(levels_db.shape[1]), dtype=np.float64)


def map_spots(distance_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lay captures on a plane so that distances on it follow the spectra.

    Parameters
    ----------
    distance_db : ndarray, shape (n, n)
        Distances in dB.

    Returns
    -------
    ndarray, shape (n, 2)
        Coordinates in dB by classical scaling (Torgerson 1952); the sign of each
        axis is fixed so that equal input gives an equal map.
    """
    count = len(distance_db)
    if count == 0:
        return np.zeros((0, 2))
    squared = distance_db**2
    centred = squared - squared.mean(axis=0) - squared.mean(axis=1)[:, None]
    gram = -0.5 * (centred + squared.mean())
    values, vectors = np.linalg.eigh(gram)
    spots = np.zeros((count, 2))
    for axis, index in enumerate(np.argsort(values)[::-1][:2]):
        vector = vectors[:, index]
        sign = np.sign(vector[np.argmax(np.abs(vector))]) or 1.0
        spots[:, axis] = sign * vector * np.sqrt(max(values[index], 0.0))
    return spots


def pick_spread(distance_db: NDArray[np.float64], count: int) -> list[int]:
    """Pick the captures that differ most from each other.

    Parameters
    ----------
    distance_db : ndarray, shape (n, n)
        Distances in dB.
    count : int
        How many to pick.

    Returns
    -------
    list of int
        Row numbers: the two farthest apart, then always the one farthest from all
        picked so far (greedy max-min dispersion; ties go to the first).
    """
    total = len(distance_db)
    if total <= count:
        return list(range(total))
    if count == 1:
        return [int(np.argmin(distance_db.sum(axis=1)))]
    first, second = np.unravel_index(int(np.argmax(distance_db)), distance_db.shape)
    picked = [int(first), int(second)]
    while len(picked) < count:
        nearest = distance_db[:, picked].min(axis=1)
        nearest[picked] = -1.0
        picked.append(int(np.argmax(nearest)))
    return picked


def group_within(
    distance_db: NDArray[np.float64], largest_db: float
) -> list[tuple[int, ...]]:
    """Group captures that nobody should be asked to tell apart.

    Parameters
    ----------
    distance_db : ndarray, shape (n, n)
        Distances in dB.
    largest_db : float
        No two members of a group are farther apart than this.

    Returns
    -------
    list of tuple of int
        Groups of two or more, by complete linkage; row numbers in order.
    """
    if len(distance_db) < 2:
        return []
    condensed = scipy.spatial.distance.squareform(distance_db, checks=False)
    tree = scipy.cluster.hierarchy.linkage(condensed, method="complete")
    labels = scipy.cluster.hierarchy.fcluster(tree, t=largest_db, criterion="distance")
    groups = (
        tuple(int(i) for i in np.flatnonzero(labels == label))
        for label in dict.fromkeys(labels.tolist())
    )
    return [group for group in groups if len(group) > 1]
