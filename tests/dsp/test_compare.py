"""Distances, maps, picks and groups: truth by construction, scipy and geometry."""

import numpy as np
import pytest
from scipy.spatial.distance import cdist, pdist, squareform

from pipeline.dsp.compare import distance_matrix, group_within, map_spots, pick_spread


def test_distance_is_the_rms_of_the_level_difference():
    levels = np.array([[0.0, 0.0, 0.0, 0.0], [3.0, -3.0, 3.0, -3.0], [1.0] * 4])
    expected = [[0, 3, 1], [3, 0, np.sqrt((4 + 16) / 2)], [1, np.sqrt(10), 0]]
    assert distance_matrix(levels) == pytest.approx(np.array(expected))


@pytest.mark.parametrize("count", [0, 1, 7])
def test_distances_are_those_of_a_library(count):
    # scipy.spatial.distance.pdist, Euclidean, over the root of the number of bands.
    levels = np.random.default_rng(3).normal(-30.0, 6.0, (count, 38))
    found = distance_matrix(levels)
    wanted = squareform(pdist(levels)) if count > 1 else np.zeros((count, count))
    assert found == pytest.approx(wanted / np.sqrt(38.0), abs=1e-12)
    assert (found == found.T).all()


def test_the_map_keeps_distances_that_fit_a_plane():
    # Torgerson 1952: points of a plane come back up to rotation and reflection.
    points = np.random.default_rng(4).normal(size=(30, 2)) * [5.0, 2.0]
    distances = cdist(points, points)
    spots = map_spots(distances)
    assert cdist(spots, spots) == pytest.approx(distances, abs=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_small_sessions_have_maps_too(count):
    assert map_spots(np.zeros((count, count))).shape == (count, 2)


def test_picks_are_the_corners():
    points = np.array([[0, 0], [1, 1], [10, 0], [0, 9], [1, 0], [5, 5]], float)
    assert set(pick_spread(cdist(points, points), 3)) == {0, 2, 3}


def test_all_are_picked_when_there_are_few():
    assert pick_spread(np.zeros((2, 2)), 5) == [0, 1]


def test_a_group_is_never_wider_than_asked():
    points = np.array([[0.0], [0.4], [0.8], [5.0], [5.3]])
    distances = cdist(points, points)
    groups = group_within(distances, 0.5)
    for group in groups:
        assert distances[np.ix_(group, group)].max() <= 0.5
    assert (3, 4) in groups
