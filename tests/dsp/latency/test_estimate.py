"""Latency against a DI: truth by construction (inserted delays, known signs)."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.latency import ArraySource, estimate_latency, prepare_di
from tests.benchmarks.trials import Trial

RATE = 48000


def plucked(seed: int, seconds: float = 20.0, rate: int = RATE) -> np.ndarray:
    """Karplus and Strong 1983: plucked notes at uneven times."""
    rng = np.random.default_rng(seed)
    count = int(seconds * rate)
    di = np.zeros(count)
    at = int(0.3 * rate)
    while at < count - rate // 2:
        period = int(rate / (82.4 * 2 ** (rng.integers(0, 30) / 12)))
        length = min(int(rate * rng.uniform(0.3, 0.9)), count - at)
        burst = np.zeros(length)
        burst[:period] = rng.uniform(-1, 1, period) * rng.uniform(0.3, 1)
        loop = np.zeros(period + 2)
        loop[0], loop[period], loop[period + 1] = 1, -0.497, -0.497
        di[at : at + length] += signal.lfilter([1], loop, burst)
        at += int(rate * rng.uniform(0.12, 0.5))
    return 0.3 * di / np.abs(di).max()


def rig(di: np.ndarray, gain: float, rate: int = RATE) -> np.ndarray:
    """Asymmetric saturation and a minimum-phase speaker (Butterworth)."""
    high = signal.butter(2, 90, "high", fs=rate, output="sos")
    low = signal.butter(4, 5000, fs=rate, output="sos")
    driven = np.tanh(gain * di + 0.1) - np.tanh(0.1)
    return signal.sosfilt(low, signal.sosfilt(high, driven))


def placed(sound: np.ndarray, at: int, frames: int) -> np.ndarray:
    """Sound that starts at frame `at` (may be negative) of a longer take."""
    take = np.zeros(frames)
    first, last = max(at, 0), min(at + sound.size, frames)
    take[first:last] = sound[first - at : last - at]
    return take


@pytest.fixture(scope="module")
def di() -> np.ndarray:
    return plucked(1)


@pytest.mark.parametrize(
    ("gain", "at", "sign"), [(1.0, 613, 1), (30.0, -4800, -1), (300.0, 96013, 1)]
)
def test_lag_and_sign_by_construction(di, gain, at, sign):
    take = sign * placed(rig(di, gain), at, di.size + 100_000)
    take += np.random.default_rng(2).standard_normal(take.size) * 1e-3
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.verdict == "match"
    assert found.samples == pytest.approx(at, abs=1.5)
    assert found.polarity == sign


@pytest.mark.parametrize("gain", [12.0, 40.0])
def test_the_rate_changes_neither_the_amplifier_nor_the_lag(gain):
    # One amplifier at 96 kHz, and the same recordings at half the rate.
    rate = 96_000
    di = plucked(3, 12.0, rate)
    take = placed(rig(di, gain, rate), 2000, di.size + 4000)
    found = {}
    for lower in (1, 2):
        dry, wet = (signal.resample_poly(x, 1, lower) for x in (di, take))
        reference = prepare_di(dry, rate // lower)
        found[lower] = estimate_latency(reference, ArraySource(wet))
        assert found[lower].samples == pytest.approx(2000 / lower, abs=2.0 / lower)
    fast, slow = (found[lower].front_end.drive_db for lower in (1, 2))
    assert fast == pytest.approx(slow, abs=2.0)


def speaker(sound: np.ndarray) -> np.ndarray:
    return rig(0.01 * sound, 1.0)


def test_an_octave_pedal_keeps_its_place_and_has_no_polarity(di):
    # A full-wave rectifier: nothing in the capture is linear in the DI.
    take = placed(speaker(np.abs(np.tanh(8 * di))), 1234, di.size + 5000)
    take += np.random.default_rng(2).standard_normal(take.size) * 1e-5
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.verdict == "match"
    assert found.samples == pytest.approx(1234, abs=1.5)
    assert found.polarity is None
    assert found.front_end is not None
    assert found.front_end.rectified > 1.0


def test_half_waves_that_differ_do_not_move_the_lag(di):
    driven = np.tanh(4 * di)
    take = placed(speaker(driven + 0.4 * np.abs(driven)), 777, di.size + 5000)
    take += np.random.default_rng(2).standard_normal(take.size) * 1e-5
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.samples == pytest.approx(777, abs=1.5)
    assert found.polarity == 1
    assert found.front_end is not None
    assert found.front_end.rectified == pytest.approx(0.4, abs=0.1)


@pytest.mark.parametrize("bent", [False, True])
def test_a_chain_without_colour_is_found_to_a_tenth_of_a_sample(di, bent):
    # A loop through the interface alone, and one with a bent input stage.
    chain = 0.5 * di + 0.2 * di**2 + 0.3 * di**3 if bent else di
    noise = 1e-5 * np.random.default_rng(8).standard_normal(di.size + 700)
    take = placed(chain, 700, di.size + 700) + noise
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.samples == pytest.approx(700.0, abs=0.1)


def test_sparse_playing_that_resembles_itself_is_found_where_it_is_explained():
    # Four other arrivals are stronger than the true one, up to 22 percent: the same
    # chord, struck again and again.
    scene = Trial("anechoic", 95, 1).scene()
    reference = prepare_di(scene.di, scene.sample_rate_hz)
    found = estimate_latency(reference, ArraySource(scene.capture))
    assert found.samples == pytest.approx(scene.truth.latency_samples, abs=2.5)
    assert found.verdict == "match"
    assert found.polarity == scene.truth.polarity


def test_another_performance_is_other(di):
    take = rig(plucked(9), 30.0)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.verdict == "other"
    assert found.confidence == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_another_short_performance_is_other(seed):
    # A few clips of anything can be followed to where they agree with something.
    di, take = plucked(100 + seed, 6.0), rig(plucked(200 + seed, 6.0), 30.0)
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.verdict == "other"


@pytest.mark.parametrize("kind", ["silence", "hiss", "hum"])
def test_no_music_is_other(di, kind):
    time = np.arange(di.size) / RATE
    take = {
        "silence": np.zeros(di.size),
        "hiss": np.random.default_rng(3).standard_normal(di.size) * 0.1,
        "hum": 0.1 * sum(np.sin(2 * np.pi * 50 * k * time) / k for k in range(1, 9)),
    }[kind]
    found = estimate_latency(prepare_di(di, RATE), ArraySource(take))
    assert found.verdict == "other"
    assert found.confidence == 0.0


@pytest.mark.parametrize("bad", [np.zeros(RATE * 5), np.ones(100), np.ones((9, 2))])
def test_unusable_di_is_refused(bad):
    with pytest.raises(ValueError, match="DI"):
        prepare_di(bad, RATE)
