"""Bounds of the interpolation: never passed, and reached by the worst signal."""

import numpy as np
import pytest

from pipeline.dsp.oversampling import (
    HALF_TAPS,
    interpolation_bounds,
    interpolation_phases,
)

MIDDLE = slice(HALF_TAPS - 1, HALF_TAPS + 1)


def beside(phases, halfway, x):
    """Interpolated points, and those of straight lines, from one window of samples."""
    known = x[MIDDLE] if halfway is None else [x[MIDDLE][0], halfway @ x, x[MIDDLE][1]]
    at = np.arange(1, len(phases) + 1) / (len(phases) + 1)
    return phases @ x, np.interp(at, np.linspace(0.0, 1.0, len(known)), known)


def worst(phases, halfway):
    """Signals with second differences of +-1 that bend one phase the most."""
    unit = np.eye(2 * HALF_TAPS)
    weights = np.array([np.subtract(*beside(phases, halfway, e)) for e in unit]).T
    for row in weights:
        # What a second difference of 1 at one place adds: a ramp from there on.
        ramps = np.maximum(np.subtract.outer(np.arange(48), np.arange(48)), 0.0)
        yield ramps @ np.sign(row @ ramps)


@pytest.mark.parametrize("factor", [2, 4, 8])
@pytest.mark.parametrize("half", [False, True])
def test_second_differences_bend_as_far_as_the_bound(factor, half):
    phases = interpolation_phases(factor)
    halfway = phases[factor // 2 - 1] if half else None
    bounds = interpolation_bounds(factor)
    bound = bounds.half_bend if half else bounds.bend
    off = [
        np.abs(np.subtract(*beside(phases, halfway, x))).max()
        for x in worst(phases, halfway)
    ]
    assert max(off) == pytest.approx(bound, abs=1e-9)


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_samples_of_full_scale_rise_as_far_as_the_bound(factor):
    phases = interpolation_phases(factor)
    highest = max(np.abs(phases @ np.sign(phase)).max() for phase in phases)
    assert highest == pytest.approx(interpolation_bounds(factor).gain, rel=1e-12)
