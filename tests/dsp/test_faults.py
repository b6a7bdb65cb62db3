"""Faults planted at known places, and the absence of them."""

import numpy as np
import pytest

from pipeline.dsp.faults import (
    find_dropouts,
)

FS = 48_000


def music(seconds=4, seed=0, bits=24, level=0.3):
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * FS) / FS
    since = t % 0.5
    x = np.exp(-3 * since) * np.sin(2 * np.pi * 110 * t)
    x += 0.3 * np.exp(-8 * since) * np.sin(2 * np.pi * 1500 * t)
    x = level * x + 1e-3 * level * rng.standard_normal(len(t))
    step = 2.0 ** (1 - bits)
    return (np.rint(x / step) * step).astype(np.float32)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("length", [40, 64, 300, 4800])
def test_zeros_inside_music(bits, length):
    x = music(bits=bits)
    at = round(1.05 * FS)
    x[at : at + length] = 0.0
    (found,) = find_dropouts(x, FS)
    assert found.kind == "zero"
    # A neighbouring sample may be zero by itself.
    assert found.samples == pytest.approx(length, abs=2)
    assert found.at_s == pytest.approx(at / FS, abs=2 / FS)


def test_held_value():
    x = music()
    x[50_000:50_100] = x[50_000]
    (found,) = find_dropouts(x, FS)
    assert (found.kind, found.samples) == ("held", 100)


@pytest.mark.parametrize("block", [32, 64, 128, 256, 512, 1024, 2048])
@pytest.mark.parametrize("at", [50_000, 50_003])
def test_repeated_block(block, at):
    x = music()
    x[at : at + block] = x[at - block : at]
    found = find_dropouts(x, FS)
    assert [f.kind for f in found] == ["repeated"]
    assert found[0].samples == block
    assert found[0].at_s == pytest.approx(at / FS, abs=1 / FS)


def test_drop_outs_between_flat_tops():
    x = np.clip(10 * music(level=0.5, seed=3), -0.5, 0.5).astype(np.float32)
    x[50_000:50_512] = x[49_488:50_000]
    x[90_000:90_300] = 0.0
    found = find_dropouts(x, FS)
    assert [(f.kind, f.samples) for f in found] == [("repeated", 512), ("zero", 300)]


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("level", [0.9, 0.05, 0.001])
def test_sound_files_have_no_dropouts(bits, level):
    for seed in range(4):
        assert find_dropouts(music(seed=seed, bits=bits, level=level), FS) == ()


def test_what_is_no_dropout():
    x = music()
    # Digital silence before and after the recording, and a pause that fades.
    assert find_dropouts(np.concatenate([np.zeros(FS), x, np.zeros(FS)]), FS) == ()
    fade = np.interp(
        np.arange(len(x)), [FS, FS + 960, 2 * FS, 2 * FS + 960], [1, 0, 0, 1]
    )
    assert find_dropouts((x * fade).astype(np.float32), FS) == ()
    # A tone whose period is a block length, a square wave, and nothing at all.
    tone = 0.5 * np.sin(2 * np.pi * np.arange(FS) / 128)
    assert find_dropouts(np.tile(tone[:128], 375).astype(np.float32), FS) == ()
    assert find_dropouts(np.zeros(10), FS) == ()
    # Clipped tops are held values too, but have a finding of their own.
    clipped = np.clip(10 * music(level=0.5, seed=2), -0.5, 0.5).astype(np.float32)
    assert find_dropouts(clipped, FS) == ()
