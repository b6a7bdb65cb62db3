"""Coarse search: starts before, inside and long after; echoes; priors; blocks."""

import pickle

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.latency import (
    ArraySource,
    ExpectedLag,
    estimate_latency,
    prepare_di,
)
from pipeline.dsp.latency.coarse import search
from pipeline.dsp.latency.reference import DECIMATOR_SPAN, decimate

RATE = 16000


def chirpy(seed: int, seconds: float = 8.0) -> np.ndarray:
    """Noise with a wandering loudness: no repetition at all."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(int(seconds * RATE))
    loud = np.abs(signal.lfilter([0.001], [1, -0.999], rng.standard_normal(noise.size)))
    sound = signal.lfilter([1], [1, -0.7], noise * (loud + 0.01))
    return 0.3 * sound / np.abs(sound).max()


@pytest.fixture(scope="module")
def di() -> np.ndarray:
    return chirpy(5)


def test_capture_minutes_late_is_found_in_blocks(di):
    take = np.concatenate((np.zeros(200 * RATE), np.tanh(20 * di)))
    take += 1e-4 * np.random.default_rng(1).standard_normal(take.size)
    reference = prepare_di(di, RATE)
    found = search(reference, ArraySource(take))[0]
    # More than one transform is needed, so this crosses block borders.
    assert take.size // reference.decimation > reference.coarse_nfft
    assert found.arrivals[0].lag_samples == pytest.approx(200 * RATE, abs=20)


@pytest.mark.parametrize("cut_s", [1.0, 3.0])
def test_capture_that_starts_inside_the_di(di, cut_s):
    take = np.tanh(5 * di)[int(cut_s * RATE) : -RATE]
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.samples == pytest.approx(-cut_s * RATE, abs=1.0)
    assert found.verdict == "match"


@pytest.mark.parametrize("late_s", [0.3, 50.0, 62.0, 70.0, 75.0, -4.0, -30.0, -62.0])
def test_lags_at_opposite_ends_of_the_range_are_told_apart(late_s):
    # Late by 70 s and early by 70 s lie on each other in the shorter transform.
    di = chirpy(11, 80.0)
    late = round(late_s * RATE)
    take = np.concatenate((np.zeros(max(late, 0)), np.tanh(5 * di)[max(-late, 0) :]))
    take = take[: 135 * RATE]
    take += 1e-4 * np.random.default_rng(2).standard_normal(take.size)
    reference = prepare_di(di, RATE)
    assert take.size // reference.decimation < reference.short_nfft
    found = search(reference, ArraySource(take))[0]
    assert found.arrivals[0].lag_samples == pytest.approx(late, abs=20)


@pytest.mark.parametrize("echo", [0.6, 1.0, 1.25])
def test_earliest_plausible_arrival_wins_over_an_echo(di, echo):
    wet = np.tanh(5 * di)
    delay = int(0.27 * RATE)
    take = np.concatenate((wet, np.zeros(delay)))
    take[delay:] += echo * wet
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.samples == pytest.approx(0.0, abs=2.0)
    assert found.verdict != "other"


def test_exact_repeats_are_ambiguous_until_a_lag_is_expected():
    bar = chirpy(7, 0.5)
    di = np.tile(bar, 16)
    take = np.tanh(5 * np.tile(bar, 8))
    reference = prepare_di(di, RATE)
    found = estimate_latency(reference, ArraySource(take))
    assert "ambiguous" in found.doubts
    assert found.confidence < 0.5
    wanted = -4 * bar.size
    near = ExpectedLag(wanted + 30.0, 200.0)
    told = estimate_latency(reference, ArraySource(take), expected=near)
    assert told.samples == pytest.approx(wanted, abs=2.0)
    assert "ambiguous" not in told.doubts


def test_reference_survives_pickling(di):
    reference = pickle.loads(pickle.dumps(prepare_di(di, RATE)))  # noqa: S301 own data
    found = estimate_latency(reference, ArraySource(np.tanh(5 * di)))
    assert found.samples == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_the_decimator_is_the_windowed_sinc_of_a_library(factor):
    # scipy.signal.firwin: Hamming's window, unit gain at zero frequency.
    taps = signal.firwin(DECIMATOR_SPAN * factor, 0.9 / factor)
    noise = np.random.default_rng(8).standard_normal(4000).astype(np.float32)
    found = decimate(noise, factor)
    wanted = np.convolve(noise, taps, "valid")[::factor][: found.size]
    assert found.size > 400
    assert found == pytest.approx(wanted, abs=1e-5)  # single precision


def test_a_repetition_is_seen_in_the_short_transform_as_in_the_long_one():
    # A bar that comes again after 20 s and after 65 s: the latter is beyond the spare.
    bar = chirpy(13, 3.0)
    di = chirpy(14, 80.0)
    for at in (5.0, 25.0, 70.0):
        start = round(at * RATE)
        di[start : start + bar.size] = bar
    reference = prepare_di(di, RATE)
    apart = [round(late * RATE / reference.decimation) for late in (20.0, 65.0)]
    near = reference.self_similarity(apart[0])
    far = reference.self_similarity(apart[1])
    assert near.size < apart[1] < far.size
    assert near / near[0] == pytest.approx(far[: near.size] / far[0], abs=1e-3)
    floor = np.median(far) / far[0]
    for place in apart:
        assert far[place - 2 : place + 3].max() / far[0] > 20 * floor
    # By definition the share of the sound that comes again.
    assert far[apart[0] - 2 : apart[0] + 3].max() == pytest.approx(
        far[apart[1] - 2 : apart[1] + 3].max(), rel=0.2
    )
