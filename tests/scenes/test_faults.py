"""Authority: truth by construction."""

import numpy as np
import pytest

from tests.scenes import faults

RATE = 48_000


@pytest.mark.parametrize("ppm", [-80.0, 3.0, 50.0])
def test_drift_stretches_a_tone(ppm: float) -> None:
    time = np.arange(RATE, dtype=float)
    found = faults.drift(np.sin(0.6 * time), ppm)
    moved = np.arange(found.size) / (1 + ppm * 1e-6)
    error = np.abs(found - np.sin(0.6 * moved))[100:-200]
    assert error.max() < 1e-5


@pytest.mark.parametrize("samples", [-480, -8, 8, 100])
def test_jump_moves_what_follows(samples: int) -> None:
    ramp = np.arange(5_000.0)
    found = faults.jump(ramp, 2_000, samples)
    assert found.size == 5_000 + samples
    np.testing.assert_array_equal(found[:2_000], ramp[:2_000])
    later = 2_000 + max(samples, 0)
    np.testing.assert_array_equal(found[later:], ramp[later - samples :])


def test_hum_is_mains_and_harmonics_only() -> None:
    """Multiples of 50 or 60 Hz; 300 Hz belongs to both."""
    tone = faults.hum(np.random.default_rng(2), 10 * RATE, RATE)
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(tone.size)))
    peaks_hz = np.fft.rfftfreq(tone.size, 1 / RATE)[spectrum > 0.02 * spectrum.max()]
    off = [
        np.min(np.abs(peaks_hz[:, None] - m * np.arange(1, 21)), axis=1)
        for m in (50, 60)
    ]
    assert min(np.max(o) for o in off) < 1.0


def test_wow_never_leaves_its_range() -> None:
    """Property: an impulse train stays within the swing of 0.2 % at 0.5 Hz."""
    clicks = np.zeros(4 * RATE)
    clicks[::6_000] = 1.0
    found = faults.wow(clicks, np.random.default_rng(3), RATE)
    at = np.flatnonzero(found > 0.6)
    away = np.abs((at + 3_000) % 6_000 - 3_000)
    assert 1 < away.max() <= 0.002 * RATE / (2 * np.pi * 0.5) + 1


def test_gate_closes_in_rests_only() -> None:
    sound = np.random.default_rng(1).normal(size=2 * RATE)
    sound[RATE // 2 : RATE] *= 1e-3
    found = faults.gate(sound, RATE, -30.0)
    assert np.all(found[round(0.7 * RATE) : round(0.98 * RATE)] == 0)
    tail = slice(round(1.3 * RATE), None)
    np.testing.assert_allclose(found[tail], sound[tail], rtol=1e-12)


def test_quantising_leaves_the_published_noise() -> None:
    """16 bit with triangular dither: -96.33 dB re full-scale amplitude."""
    silence = np.zeros(200_000)
    noise = faults.quantised(silence + 0.25, np.random.default_rng(4), 16) - 0.25
    assert 20 * np.log10(np.std(noise)) == pytest.approx(-96.33, abs=1.3)
