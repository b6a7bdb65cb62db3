"""Thinned pictures keep what they are drawn for."""

import numpy as np

from pipeline.dsp.traces import MOST_POINTS, highest_of, wave_around


def test_a_short_stretch_is_kept_whole():
    x = np.arange(1000.0)
    index, value = wave_around(x, 500, 510, 20)
    assert index.tolist() == list(range(480, 530))
    assert value.tolist() == x[480:530].tolist()
    index, _ = wave_around(x, 2, 4, 20)
    assert index[0] == 0


def test_a_long_stretch_keeps_its_extremes_in_order():
    x = np.random.default_rng(0).standard_normal(50_000)
    x[[20_000, 30_000]] = 9.0, -9.0
    index, value = wave_around(x, 10_000, 40_000, 5000)
    assert len(index) <= MOST_POINTS
    assert (value.max(), value.min()) == (9.0, -9.0)
    assert (np.diff(index) >= 0).all()
    assert (x[index] == value).all()


def test_the_highest_of_each_slice():
    index, value = highest_of(np.arange(10.0), 5)
    assert value.tolist() == [1.0, 3.0, 5.0, 7.0, 9.0]
    assert index.tolist() == [0.5, 2.5, 4.5, 6.5, 8.5]
    assert highest_of(np.zeros(0))[0].size == 0
