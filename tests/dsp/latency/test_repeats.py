"""Repeated blocks by construction: noise never repeats itself."""

import numpy as np
import pytest

from pipeline.dsp.latency.repeats import find_repeat

COUNT = 32


def noise(hum: float = 0.0) -> np.ndarray:
    time = np.arange(6000) / 48000
    hiss = np.random.default_rng(1).standard_normal(time.size)
    return hiss + hum * np.sin(2 * np.pi * 50 * time)


def with_block(sound: np.ndarray, at: int, block: np.ndarray) -> np.ndarray:
    return np.concatenate((sound[:at], block, sound[at:]))


@pytest.mark.parametrize("hum", [0.0, 100.0])
@pytest.mark.parametrize("kind", ["repeated", "held", "zero"])
def test_a_block_is_found_where_it_was_put_in(kind, hum):
    sound, at = noise(hum), 2345
    block = {
        "repeated": sound[at - COUNT : at],
        "held": np.full(COUNT, sound[at - 1]),
        "zero": np.zeros(COUNT),
    }[kind]
    found = find_repeat(with_block(sound, at, block), COUNT)
    assert found == pytest.approx(at - COUNT, abs=1)


def test_noise_repeats_nothing():
    assert find_repeat(noise(), COUNT) is None


def test_a_tone_repeats_itself_everywhere_and_so_nowhere():
    tone = np.sin(2 * np.pi * np.arange(6000) / COUNT)
    assert find_repeat(tone + 1e-3 * noise(), COUNT) is None


def test_blocks_too_short_to_tell_are_not_looked_for():
    assert find_repeat(noise(), 4) is None
