"""Lags that move: truth by construction (stretched and cut captures)."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.latency import ArraySource, estimate_latency, prepare_di, speed_ratio
from pipeline.dsp.latency.align import align
from pipeline.dsp.latency.jumps import find_jumps
from pipeline.dsp.latency.motion import Motion, model_motion, refined, still
from pipeline.dsp.latency.spectra import linear_frames
from pipeline.dsp.latency.speed import RATIOS

RATE = 48000


def notes(seed: int, seconds: float = 16.0) -> np.ndarray:
    """Decaying noise bursts through resonators: bright, never repeating."""
    rng = np.random.default_rng(seed)
    di = np.zeros(int(seconds * RATE))
    at = RATE // 4
    while at < di.size - RATE // 2:
        length = int(RATE * rng.uniform(0.2, 0.6))
        period = int(RATE / (82.4 * 2 ** (rng.integers(0, 30) / 12)))
        burst = np.zeros(length)
        burst[:period] = rng.uniform(-1, 1, period)
        loop = np.zeros(period + 1)
        loop[0], loop[period] = 1, -0.98
        di[at : at + length] += signal.lfilter([1], loop, burst)[: di.size - at]
        at += int(RATE * rng.uniform(0.1, 0.4))
    return 0.3 * di / np.abs(di).max()


def rig(di: np.ndarray) -> np.ndarray:
    driven = np.tanh(6.0 * di)
    return signal.sosfilt(signal.butter(3, 5500, fs=RATE, output="sos"), driven)


def stretched(sound: np.ndarray, ppm: float) -> np.ndarray:
    """Sample n moves to n (1 + ppm * 1e-6), by cubic steps of an 8-fold rate."""
    fine = signal.resample_poly(sound, 8, 1)
    places = np.arange(sound.size) / (1 + ppm * 1e-6) * 8
    return np.interp(places, np.arange(fine.size), fine)


@pytest.fixture(scope="module")
def di() -> np.ndarray:
    return notes(4)


@pytest.mark.parametrize("ppm", [-40.0, 7.0])
def test_drift_by_construction(di, ppm):
    take = stretched(np.concatenate((np.zeros(2000), rig(di), np.zeros(900))), ppm)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    # 0.1 ppm is asked of 30 s; the error of a slope falls with length to 1.5.
    assert found.drift_ppm == pytest.approx(ppm, abs=0.25)
    assert not found.varying
    assert found.jumps == ()
    assert found.samples == pytest.approx(2000 * (1 + ppm * 1e-6), abs=1.5)


def jumping(take: np.ndarray, at: int, samples: int) -> np.ndarray:
    """Repeat the last samples (positive) or lose some (negative)."""
    if samples > 0:
        return np.concatenate((take[:at], take[at - samples : at], take[at:]))
    return np.concatenate((take[:at], take[at - samples :]))


@pytest.mark.parametrize("samples", [8, -8, -64, 480, 4096, -4096])
def test_jump_by_construction(di, samples):
    take = np.concatenate((np.zeros(1000), rig(di), np.zeros(900)))
    take = jumping(take, 1000 + 7 * RATE, samples)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert [round(j.samples) for j in found.jumps] == [samples]
    assert found.jumps[0].samples == pytest.approx(samples, abs=0.5)
    # What was lost ends, what was put in begins where the new lag does.
    new = 7.0 - min(samples, 0) / RATE
    assert found.jumps[0].at_s == pytest.approx(new, abs=0.010)
    assert found.samples == pytest.approx(1000, abs=1.5)


def test_jumps_of_a_drifting_capture(di):
    take = stretched(np.concatenate((np.zeros(2000), rig(di), np.zeros(900))), 60.0)
    take = jumping(take, 5 * RATE, -37)
    take = jumping(take, 10 * RATE, 3000)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert [round(j.samples) for j in found.jumps] == [-37, 3000]
    # The DI's frame n is played at (n + 2000) (1 + 60e-6), less what was lost.
    first = 5.0 / (1 + 60e-6) - 2000 / RATE + 37 / RATE
    second = (10.0 + 37 / RATE) / (1 + 60e-6) - 2000 / RATE
    assert found.jumps[0].at_s == pytest.approx(first, abs=0.010)
    assert found.jumps[1].at_s == pytest.approx(second, abs=0.010)
    assert found.drift_ppm == pytest.approx(60.0, abs=0.25)
    assert found.samples == pytest.approx(2000 * (1 + 60e-6), abs=1.5)


@pytest.fixture(scope="module")
def resting() -> np.ndarray:
    """A DI that rests from 6.9 to 8.1 s."""
    di = notes(5)
    di[round(6.9 * RATE) : round(8.1 * RATE)] = 0.0
    return di


def hissing(di: np.ndarray) -> np.ndarray:
    take = np.concatenate((np.zeros(1000), rig(di), np.zeros(900)))
    return take + 1e-4 * np.random.default_rng(3).standard_normal(take.size)


def test_samples_lost_in_a_rest_are_placed_no_closer_than_the_rest(resting):
    take = jumping(hissing(resting), 1000 + int(7.2 * RATE), -96)
    (jump,) = estimate_latency(prepare_di(resting, RATE), ArraySource(take)).jumps
    assert jump.samples == pytest.approx(-96, abs=0.5)
    assert abs(jump.at_s - 7.2) < jump.uncertainty_s
    assert 6.85 < jump.at_s < 8.15
    # Nothing tells one place of 1.2 s of hiss from another.
    assert 0.5 < jump.uncertainty_s < 1.3


@pytest.mark.parametrize("stuck", [False, True])
def test_samples_put_in_show_even_in_a_rest(resting, stuck):
    take, at = hissing(resting), 1000 + int(7.2 * RATE)
    block = np.full(96, take[at - 1]) if stuck else take[at - 96 : at]
    take = np.concatenate((take[:at], block, take[at:]))
    (jump,) = estimate_latency(prepare_di(resting, RATE), ArraySource(take)).jumps
    assert jump.at_s == pytest.approx(7.2, abs=0.001)
    assert jump.uncertainty_s < 0.010


@pytest.mark.parametrize("samples", [128, -256, 512])
def test_a_jump_in_a_di_that_mostly_rests(samples):
    # Three phrases, and silence for 14 of 24 s: its clips set no standard.
    di = notes(7, 24.0)
    for begin, end in ((3.0, 10.0), (13.0, 20.0)):
        di[round(begin * RATE) : round(end * RATE)] = 0.0
    take = jumping(hissing(di), 1000 + round(16.5 * RATE), samples)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert [round(jump.samples) for jump in found.jumps] == [samples]
    assert found.jumps[0].at_s == pytest.approx(16.5, abs=3.5)
    assert found.samples == pytest.approx(1000, abs=1.5)


def test_still_capture_has_neither(di):
    take = np.concatenate((np.zeros(1000), rig(di)))
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.drift_ppm == pytest.approx(0.0, abs=0.1)
    assert found.jumps == ()
    assert not found.varying


def test_wow_is_varying_and_not_drift(di):
    sound = rig(di)
    fine = signal.resample_poly(sound, 8, 1)
    time = np.arange(sound.size)
    swing = 40.0 * np.sin(2 * np.pi * 0.6 * time / RATE)
    take = np.interp((time - swing) * 8, np.arange(fine.size), fine)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.varying
    assert found.drift_ppm is None
    assert found.confidence < 0.9


def test_model_finds_line_and_step():
    frames = np.arange(40) * 30_000.0
    step = np.where(frames >= 600_000, 24.0, 0.0)
    rng = np.random.default_rng(6)
    lags = 100.0 + 20e-6 * frames + step + 0.1 * rng.standard_normal(40)
    motion, varying = model_motion(frames, lags, np.full(40, 0.8), RATE)
    assert not varying
    assert motion.slope * 1e6 == pytest.approx(20.0, abs=0.5)
    assert motion.step_samples == pytest.approx([24.0], abs=0.3)
    assert motion.base_samples == pytest.approx(100.0, abs=0.3)


def test_what_is_left_refines_line_and_step():
    # Clips read at a motion whose slope is off by 0.5 ppm and its step by 0.3.
    frames = np.arange(40) * 30_000.0
    motion = Motion(100.0, 20e-6, np.array([600_000.0]), np.array([24.0]))
    left = 0.2 + 0.5e-6 * frames + np.where(frames >= 600_000, 0.3, 0.0)
    found = refined(motion, frames, left, np.full(40, 0.8), sample_rate_hz=RATE)
    assert found.base_samples == pytest.approx(100.2, abs=1e-3)
    assert found.slope * 1e6 == pytest.approx(20.5, abs=1e-3)
    assert found.step_samples == pytest.approx([24.3], abs=1e-3)


def test_motion_is_a_line_with_steps():
    motion = Motion(10.0, 1e-3, np.array([500.0]), np.array([-4.0]))
    assert motion.at(np.array([0.0, 499.0, 500.0])).tolist() == [10.0, 10.499, 6.5]
    assert still(3.0).at(np.array([0.0, 1e6])).tolist() == [3.0, 3.0]


@pytest.mark.parametrize("ratio", RATIOS[:2])
def test_speed_of_a_mixed_up_rate(di, ratio):
    fast, slow = ratio
    take = signal.resample_poly(rig(di), slow, fast)
    found = speed_ratio(prepare_di(di, RATE), ArraySource(take))
    assert found == pytest.approx(fast / slow)


def test_speed_of_a_sound_or_foreign_capture_is_none(di):
    reference = prepare_di(di, RATE)
    assert speed_ratio(reference, ArraySource(rig(di))) is None
    assert speed_ratio(reference, ArraySource(rig(notes(99)))) is None


def test_a_step_after_the_last_clip_is_none():
    # The clip in which it was seen may lie outside the capture at another lag.
    di = notes(3, 8.0)
    reference, source = prepare_di(di, RATE), ArraySource(np.tanh(6.0 * di))
    found = align(reference, source, linear_frames(reference), still(0.0))
    assert found is not None
    beyond = np.array([2.0 * di.size])
    motion = replace(found.motion, step_frames=beyond, step_samples=np.array([40.0]))
    assert find_jumps(reference, source, replace(found, motion=motion), None) == ()
