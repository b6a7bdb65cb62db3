"""Flat tops: truth by construction, and what must not be called clipping."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from pipeline.dsp.clipping import find_clipping, quantum

FS = 48_000


def stored(x, bits, seed=0):
    """Round to a word length with triangular dither, as a converter does."""
    rng = np.random.default_rng(seed)
    step = 2.0 ** (1 - bits)
    dither = rng.uniform(-0.5, 0.5, (2, len(x))).sum(axis=0)
    return np.clip(np.rint(x / step + dither) * step, -1.0, 1.0 - step).astype(
        np.float32
    )


def playing(seed=0, seconds=6, drive=1.0):
    """Decaying notes with partials and pick noise through a speaker's roll-off."""
    rng = np.random.default_rng(seed)
    t = np.arange(seconds * FS) / FS
    since = t % 0.3
    pitch = rng.choice([82.4, 110.0, 146.8, 196.0], int(seconds / 0.3) + 1)
    hz = pitch[np.minimum((t / 0.3).astype(int), len(pitch) - 1)]
    x = sum(np.sin(2 * np.pi * k * hz * since + k) / k for k in range(1, 12))
    x = np.exp(-3 * since) * (x + 0.02 * rng.standard_normal(len(t)))
    speaker = butter(3, (80, 5000), "bandpass", fs=FS, output="sos")
    y = sosfilt(speaker, np.clip(drive * x, -1.0, 1.0) if drive > 1 else x)
    return y / np.abs(y).max()


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("trim_db", [0.0, -6.0, -20.0])
@pytest.mark.parametrize("limit", [0.4, 0.7])
def test_clipped_at_any_level(bits, trim_db, limit):
    gain = 10 ** (trim_db / 20)
    x = np.clip(playing(), -limit, limit) / limit * gain * 0.9
    found = find_clipping(stored(x, bits), FS)
    assert found.sides == (2 if playing().min() < -limit else 1)
    assert found.level_dbfs == pytest.approx(20 * np.log10(0.9 * gain), abs=0.1)
    # Truth: the samples that the limit took hold of.
    held = int((np.abs(playing()) >= limit).sum())
    assert found.samples == pytest.approx(held, rel=0.25)


@pytest.mark.parametrize("noise_db", [-110.0, -100.0])
def test_clipped_before_a_converter_with_noise(noise_db):
    x = np.clip(playing(), -0.5, 0.5)
    noise = 10 ** (noise_db / 20) * np.random.default_rng(2).standard_normal(len(x))
    found = find_clipping(stored(x + noise, 24), FS)
    assert found.level_dbfs == pytest.approx(20 * np.log10(0.5), abs=0.1)
    held = int((np.abs(playing()) >= 0.5).sum())
    assert found.samples == pytest.approx(held, rel=0.25)


def test_one_sided_clipping_and_its_place():
    x = 0.5 * playing()
    x[: 2 * FS] *= 0.3
    top = 0.6 * float(x.max())
    found = find_clipping(stored(np.minimum(x, top), 24), FS)
    assert found.sides == 1
    assert found.times_s[0] >= 2.0


def test_times_are_spread_over_the_file():
    x = np.clip(playing(), -0.4, 0.4)
    times = np.array(find_clipping(stored(x, 24), FS).times_s)
    # Six seconds of notes that all clip: one time each half second.
    assert len(times) == 12
    assert (np.floor(2 * times) == np.arange(12)).all()


def test_full_scale_needs_one_flat_top_only():
    x = 0.9 * playing() / np.abs(playing()).max()
    x[FS : FS + 5] = 1.5
    found = find_clipping(stored(x, 24), FS)
    assert found.runs == 1
    assert found.longest == 5
    assert found.longest_at == FS
    assert found.times_s == pytest.approx((1.0,))


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("drive", [1.0, 4.0, 30.0])
@pytest.mark.parametrize("level_db", [-0.1, -20.0, -60.0])
def test_amp_distortion_through_a_speaker_is_not_clipping(bits, drive, level_db):
    for seed in range(3):
        x = playing(seed, 3, drive) * 10 ** (level_db / 20)
        assert find_clipping(stored(x, bits, seed), FS) is None


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("hz", [41.0, 110.0, 997.0, 12_000.0])
@pytest.mark.parametrize("level_db", [0.0, -30.0, -70.0])
def test_pure_tones_are_not_clipping(bits, hz, level_db):
    x = 0.9999 * 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * np.arange(2 * FS) / FS)
    assert find_clipping(stored(x, bits), FS) is None
    step = 2.0 ** (1 - bits)
    assert find_clipping((np.rint(x / step) * step).astype(np.float32), FS) is None


def test_square_wave_is_not_clipping():
    x = 0.5 * np.sign(np.sin(2 * np.pi * 110.3 * np.arange(2 * FS) / FS))
    assert find_clipping(x, FS) is None


def test_silence_and_nothing():
    assert find_clipping(np.zeros(FS), FS) is None
    assert find_clipping(np.zeros(0), FS) is None
    assert find_clipping(np.full(FS, 0.5), FS) is None


def test_quantum_of_word_lengths():
    # Two's complement: 2^-15 and 2^-23 of full scale.
    assert quantum(stored(playing(), 16)) == 2.0**-15
    assert quantum(stored(playing(), 24)) == 2.0**-23
    assert quantum(playing() * 0.7123) < 2.0**-23
