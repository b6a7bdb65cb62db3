"""Cutting a capture to the DI: truth by construction on whole samples."""

import numpy as np
import pytest

from pipeline.dsp.latency import ArraySource
from pipeline.models.record import Jump
from pipeline.stages.cut import cut_to_di

RATE = 48_000


def tone(frames, offset=0.0, scale=1.0):
    t = (np.arange(frames) * scale + offset) / RATE
    return (0.5 * np.sin(2 * np.pi * 440.0 * t)).astype(np.float32)


def test_a_whole_lag_copies_bits():
    noise = np.random.default_rng(1).normal(size=5000).astype(np.float32)
    cut = cut_to_di(ArraySource(noise), 700.0, frames=3000, sample_rate_hz=RATE)
    assert np.array_equal(cut, noise[700:3700])


def test_an_early_capture_is_padded_in_front():
    noise = np.random.default_rng(1).normal(size=2000).astype(np.float32)
    cut = cut_to_di(ArraySource(noise), -500.0, frames=3000, sample_rate_hz=RATE)
    assert not cut[:500].any()
    assert np.array_equal(cut[500:2500], noise)
    assert not cut[2500:].any()


def test_drift_is_taken_out():
    # A clock 40 ppm slow: the capture's sample n was played at n / (1 + 40e-6).
    di = tone(10 * RATE)
    capture = tone(10 * RATE + 100, scale=1 / (1 + 40e-6))
    cut = cut_to_di(
        ArraySource(capture), 0.0, frames=di.size, sample_rate_hz=RATE, drift_ppm=40.0
    )
    assert np.abs(cut - di)[100:-600].max() < 1e-4


def test_a_jump_is_taken_out():
    di = tone(4 * RATE)
    lost = np.concatenate([di[: 2 * RATE], di[2 * RATE + 96 :]])
    jumps = (Jump(at_s=2.0 + 96 / RATE, samples=-96.0),)
    cut = cut_to_di(
        ArraySource(lost), 0.0, frames=di.size, sample_rate_hz=RATE, jumps=jumps
    )
    after = slice(2 * RATE + 400, 4 * RATE - 200)
    assert cut[after] == pytest.approx(di[after], abs=1e-6)


def test_drift_and_jumps_together():
    di = tone(6 * RATE)
    drifted = tone(6 * RATE + 200, scale=1 / (1 + 50e-6))
    at = 3 * RATE
    lost = np.concatenate([drifted[:at], drifted[at + 128 :]])
    jumps = (Jump(at_s=(at + 128) / RATE, samples=-128.0),)
    cut = cut_to_di(
        ArraySource(lost),
        0.0,
        frames=di.size,
        sample_rate_hz=RATE,
        drift_ppm=50.0,
        jumps=jumps,
    )
    after = slice(at + 800, 6 * RATE - 800)
    assert np.abs(cut - di)[after].max() < 1e-3
    assert np.abs(cut - di)[200 : at - 200].max() < 1e-3
