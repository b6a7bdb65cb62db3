"""Activity against truth by construction; thresholds are common practice."""

import numpy as np
import pytest

from pipeline.dsp.activity import FRAME_S, active_frames, frame_power

FS = 48_000


def notes(at_s, length_s, total_s, *, fs=FS, decay=4.0, hz=110.0):
    t = np.arange(round(total_s * fs)) / fs
    x = np.zeros(len(t))
    for start in at_s:
        inside = (t >= start) & (t < start + length_s)
        since = t[inside] - start
        x[inside] += 0.3 * np.exp(-decay * since) * np.sin(2 * np.pi * hz * since)
    return x


def spans(mask):
    times = np.flatnonzero(mask) * FRAME_S
    return (times.min(), times.max()) if len(times) else None


@pytest.mark.parametrize("gain_db", [-30.0, 0.0, 6.0])
@pytest.mark.parametrize("noise_db", [-110.0, -80.0, None])
def test_count_in_playing_tail(gain_db, noise_db):
    # 2 s of silence, notes from 2 s to 6 s, 3 s of silence.
    x = notes(np.arange(2.0, 6.0, 0.25), 0.25, 9.0)
    if noise_db is not None:
        noise = np.random.default_rng(1).standard_normal(len(x))
        x = x + 10 ** (noise_db / 20) * noise
    found = active_frames(x * 10 ** (gain_db / 20), FS)
    playing = slice(round(2.0 / FRAME_S), round(6.0 / FRAME_S))
    assert found.active[playing].mean() > 0.95
    assert found.active.sum() == found.active[playing].sum()
    # Silent up to the guard before the first note and from 0.6 s after the last.
    first, last = spans(found.quiet)
    assert first == 0.0
    assert last == pytest.approx(9.0 - FRAME_S)
    guarded = slice(round(1.9 / FRAME_S), round(6.55 / FRAME_S))
    assert not found.quiet[guarded].any()
    assert found.quiet.sum() * FRAME_S == pytest.approx(1.9 + 2.4, abs=0.15)
    assert found.active.sum() * FRAME_S == pytest.approx(4.0, abs=0.3)


def test_short_rests_are_neither():
    x = notes(np.arange(0.0, 10.0, 1.0), 0.6, 10.0)
    found = active_frames(x, FS)
    assert not found.quiet.any()
    assert not found.active[round(0.7 / FRAME_S) : round(0.95 / FRAME_S)].any()


def test_a_di_that_never_rests_has_no_silence():
    x = notes(np.arange(0.0, 10.0, 0.2), 0.2, 10.0, decay=2.0)
    found = active_frames(x, FS)
    assert found.active.all()
    assert not found.quiet.any()


def test_a_di_with_loud_hum_keeps_its_rests():
    # Hum 45 dB under the notes' level still counts as silence of the DI.
    x = notes(np.arange(2.0, 6.0, 0.25), 0.25, 9.0)
    x += 0.0012 * np.sin(2 * np.pi * 50 * np.arange(len(x)) / FS)
    found = active_frames(x, FS)
    assert found.quiet.sum() * FRAME_S > 3.0
    assert not found.active[: round(1.9 / FRAME_S)].any()


def test_active_and_quiet_exclude_each_other():
    rng = np.random.default_rng(3)
    for _ in range(20):
        x = rng.standard_normal(5 * FS) * np.repeat(
            10 ** rng.uniform(-5, 0, 50), FS // 10
        )
        found = active_frames(x, FS)
        assert not (found.active & found.quiet).any()


def test_silence_and_offset():
    silent = active_frames(np.zeros(FS), FS)
    assert not silent.active.any()
    assert not silent.quiet.any()
    assert not active_frames(np.full(FS, 0.25), FS).active.any()
    assert len(active_frames(np.zeros(10), FS).active) == 0
    with pytest.raises(ValueError, match="not finite"):
        active_frames(np.full(FS, np.nan), FS)


def test_frame_power_of_a_sine():
    x = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(FS) / FS) + 0.1
    power = frame_power(x, FS)
    assert len(power) == 20
    # Mean square of a sine: amplitude squared over two; the offset is left out.
    np.testing.assert_allclose(power, 0.125, rtol=1e-6)


@pytest.mark.parametrize("fs", [44_100, 48_000, 22_050, 47_952])
@pytest.mark.parametrize("offset", [0.0, 0.1, -0.5])
@pytest.mark.parametrize("noise_db", [-120, -100, -20])
def test_frame_power_beside_an_offset(fs, offset, noise_db):
    rng = np.random.default_rng(4)
    x = offset + 10 ** (noise_db / 20) * rng.standard_normal(3 * fs)
    x = x.astype(np.float32)
    power = frame_power(x, fs)
    # The last two rates have frames of unequal length: to the nearest sample.
    edges = np.rint(np.arange(len(power) + 1) * fs * FRAME_S).astype(int)
    frames = np.split(x.astype(np.float64), edges)[1:-1]
    twin = 10 * np.log10([np.var(frame) for frame in frames])
    assert 10 * np.log10(power) == pytest.approx(twin, abs=0.005)


def test_frame_power_of_samples_beyond_single_precision():
    x = np.full(FS, 3e30, np.float32)
    x[::2] = -3e30
    np.testing.assert_allclose(frame_power(x, FS), 9e60, rtol=1e-6)


def test_within_a_span():
    x = notes(np.arange(2.0, 6.0, 0.25), 0.25, 9.0)
    part = active_frames(x, FS).within(3.0, 7.5)
    assert spans(part.active) == pytest.approx((3.0, 5.95), abs=0.11)
    assert spans(part.quiet) == pytest.approx((6.6, 7.45), abs=0.11)
