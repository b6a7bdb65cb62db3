"""Authority: truth by construction, seen again by unrelated methods."""

import numpy as np
import pytest

from tests.scenes import FAMILIES, FOREIGN, random_night, random_pass, random_scene
from tests.scenes.scene import cramer_rao_samples


def _peak_lag(di: np.ndarray, capture: np.ndarray) -> int:
    size = di.size + capture.size
    cross = np.fft.irfft(
        np.fft.rfft(capture, size) * np.conj(np.fft.rfft(di, size)), size
    )
    lag = int(np.argmax(np.abs(cross)))
    return lag if lag < capture.size else lag - size


@pytest.mark.parametrize("seed", range(3))
def test_plain_correlation_lands_near_the_truth(seed: int) -> None:
    """A clean close capture: the peak lies late by less than 3 ms."""
    rng = np.random.default_rng(seed)
    scene = random_scene(rng, family="clean", player="palm mutes", length_s=7.0)
    late = _peak_lag(scene.di, scene.capture) - scene.truth.latency_samples
    assert -0.001 < late / scene.sample_rate_hz < 0.003


def test_nothing_arrives_before_the_latency() -> None:
    """Before the first note has travelled, a capture holds its noise only."""
    scene = random_scene(
        np.random.default_rng(9), family="anechoic", player="sparse", length_s=7.0
    )
    loud = np.flatnonzero(np.abs(scene.di) > 0.05 * np.max(np.abs(scene.di)))[0]
    first = round(loud + scene.truth.latency_samples)
    before = scene.capture[max(0, first - 3_000) : first - 200]
    after = scene.capture[first : first + 3_000]
    assert np.max(np.abs(before)) < 0.1 * np.max(np.abs(after))


def test_equal_seeds_give_equal_scenes() -> None:
    one, two = (
        random_scene(np.random.default_rng(5), family="short") for _ in range(2)
    )
    np.testing.assert_array_equal(one.capture, two.capture)
    assert one.truth == two.truth


@pytest.mark.parametrize("family", ["cut", "jumps", "wrong rate", "octave", *FOREIGN])
def test_scenes_are_finite_single_precision(family: str) -> None:
    scene = random_scene(
        np.random.default_rng(2), family=family, player="low riff", length_s=11.0
    )
    for sound in (scene.di, scene.capture):
        assert sound.dtype == np.float32
        assert np.all(np.isfinite(sound))
        assert np.max(np.abs(sound)) <= 1.0
    assert (scene.truth.verdict_expected == "refuse") == (family in FOREIGN)
    assert (scene.truth.polarity is None) == (family == "octave")


def test_unknown_family_is_named() -> None:
    with pytest.raises(KeyError, match="no family 'loud'"):
        random_scene(np.random.default_rng(0), family="loud")


def test_held_out_players_and_amps_exist() -> None:
    assert "tremolo" in FAMILIES["held out"].players
    others = [f for name, f in FAMILIES.items() if name != "held out"]
    assert not any("tremolo" in family.players for family in others)


def test_bound_matches_the_worked_number() -> None:
    """48 000 white samples at 20 dB, one signal free of noise: 2.52e-4 samples."""
    rng = np.random.default_rng(1)
    clean, noise = rng.normal(size=48_000), 0.1 * rng.normal(size=48_000)
    assert cramer_rao_samples(clean, noise, 48_000) == pytest.approx(2.52e-4, rel=0.03)


def test_pass_shares_polarity_and_keeps_distances() -> None:
    """Close microphones differ by what 0.28 m of air can do: 39 samples."""
    one = random_pass(np.random.default_rng(3), family="short", mics=3)
    signs = {scene.truth.polarity for scene in one.scenes}
    assert len(one.scenes) == 3
    assert len(signs) == 1
    assert 0 < abs(one.pair_delay_samples(0, 2)) < 40
    assert one.pair_delay_samples(0, 1) == -one.pair_delay_samples(1, 0)


def test_buffer_change_moves_the_last_pass() -> None:
    night = random_night(np.random.default_rng(4), family="short", passes=2)
    first, last = (min(s.truth.latency_samples for s in p.scenes) for p in night)
    steps = (last - first) / 32
    # Only distances differ besides, and those by less than 40 samples.
    assert abs(steps) * 32 < 8 * 32 + 40
