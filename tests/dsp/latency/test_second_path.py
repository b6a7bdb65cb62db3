"""Two paths to the microphone: which one is the direct one, truth by construction."""

import numpy as np
import pytest

from pipeline.dsp.latency import ArraySource, estimate_latency, prepare_di
from tests.dsp.latency.test_estimate import RATE, plucked, rig

AT = 700


@pytest.fixture(scope="module")
def di() -> np.ndarray:
    return plucked(4, 12.0)


@pytest.fixture(scope="module")
def played(di) -> np.ndarray:
    return rig(di, 20.0)


def two_paths(played: np.ndarray, later: int, ratio: float) -> np.ndarray:
    take = np.zeros(played.size + 4000)
    take[AT : AT + played.size] += played
    take[AT + later : AT + later + played.size] += ratio * played
    return take + np.random.default_rng(5).standard_normal(take.size) * 1e-3


@pytest.mark.parametrize(
    ("later", "ratio"),
    [(40, 1.15), (97, 1.9), (211, 1.4), (150, -1.6), (430, 2.2), (60, 2.9)],
)
def test_the_direct_path_is_told_from_a_louder_later_one(di, played, later, ratio):
    take = two_paths(played, later, ratio)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    # The plain phase of the sum follows the louder path, `later` samples away.
    assert found.samples == pytest.approx(AT, abs=2.0)
    assert found.polarity == 1
    assert found.second_path is not None
    assert found.second_path.delay_samples == pytest.approx(later, abs=0.5)
    assert found.second_path.ratio == pytest.approx(ratio, rel=0.15)
    assert found.confidence < 0.9


@pytest.mark.parametrize("ratio", [0.0, 0.3, -0.3])
def test_a_weaker_later_path_is_a_reflection_and_no_doubt(di, played, ratio):
    take = two_paths(played, 90, ratio)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.samples == pytest.approx(AT, abs=2.0)
    assert found.second_path is None
    assert "second_path" not in found.doubts
