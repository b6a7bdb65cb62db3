"""Authority: truth by construction and the geometry of a mirror image."""

import numpy as np
import pytest

from tests.scenes import air
from tests.scenes.colours import GRID

FLAT = np.ones(GRID // 2 + 1, complex)


@pytest.mark.parametrize("delay", [0.0, 12.25, 100.35, -7.5, 70_000.125])
def test_delay_is_exact(delay: float) -> None:
    """A slow raised cosine moved by a fraction is the cosine at moved times."""
    width, middle = 400.0, 3_000.0

    def bump(at: np.ndarray) -> np.ndarray:
        inside = np.clip((at - middle) / width, -1, 1)
        return np.asarray((0.5 + 0.5 * np.cos(np.pi * inside)) ** 4)

    time = np.arange(8_000.0)
    frames = 8_000 + max(0, int(delay) + 1)
    moved = air.propagate(bump(time), FLAT, delay, frames)
    np.testing.assert_allclose(moved, bump(np.arange(frames) - delay), atol=1e-9)


def test_floor_follows_the_mirror_image() -> None:
    """Height 0.65 m at 2 m: path difference 0.385 m, first null 445 Hz (c 343.2)."""
    path = air.floor_path(0.65, 2.0, 48_000)
    first_null_hz = 48_000 / path.delay_samples / 2
    assert first_null_hz == pytest.approx(445, abs=1.0)
    assert path.gain == pytest.approx(0.7 * 2.0 / 2.3854, abs=1e-3)


def test_room_has_the_energy_asked_for() -> None:
    tail = air.room_tail(np.random.default_rng(3), 10.0, 48_000)
    ratio_db = 10 * np.log10(tail[0] ** 2 / np.sum(tail[1:] ** 2))
    assert ratio_db == pytest.approx(10.0, abs=0.1)
    assert np.max(np.abs(tail[1:140])) < 1e-3


@pytest.mark.parametrize(("up", "down"), [(4, 1), (160, 147), (3, 2)])
def test_resampling_has_no_delay(up: int, down: int) -> None:
    time = np.arange(6_000.0)
    hill = np.exp(-(((time - 2_500.3) / 60) ** 2))
    moved = np.arange(6_000 * up // down) * down / up
    found = air.resample(hill, up, down)[: moved.size]
    np.testing.assert_allclose(
        found, np.exp(-(((moved - 2_500.3) / 60) ** 2)), atol=1e-9
    )
