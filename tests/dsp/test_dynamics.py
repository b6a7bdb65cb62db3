"""Dynamics against closed forms of clipping and compressors of known ratio."""

import numpy as np
import pytest

from pipeline.dsp.activity import FRAME_S, Activity, active_frames, frame_power
from pipeline.dsp.dynamics import (
    active_mean_square,
    compression_db_per_db,
    crest_db,
    hold_db,
    level_curve,
    plr_db,
)

FS = 48_000


def stepped_tone(levels_db, each_s=1.0):
    t = np.arange(round(each_s * FS)) / FS
    return np.concatenate(
        [10 ** (db / 20) * np.sin(2 * np.pi * 200 * t) for db in levels_db]
    )


def everywhere(x):
    frames = int(len(x) / FS / FRAME_S)
    return Activity(FRAME_S, np.ones(frames, bool), np.zeros(frames, bool))


def curve(di, x, activity=None):
    activity = everywhere(di) if activity is None else activity
    return level_curve(frame_power(di, FS), frame_power(x, FS), activity)


# A sine of peak 1 clipped at C: crest in dB (closed form of the clipped sine).
@pytest.mark.parametrize(
    ("clip", "crest"),
    [(1.0, 3.010), (0.9, 2.418), (0.7, 1.641), (0.5, 1.068), (0.3, 0.597)],
)
def test_crest_of_a_clipped_sine(clip, crest):
    x = np.clip(stepped_tone([0.0]), -clip, clip)
    square = active_mean_square(frame_power(x, FS), everywhere(x))
    assert crest_db(float(np.abs(x).max()), square) == pytest.approx(crest, abs=0.01)


# RMS of a sine of peak 1 clipped at C, from the same closed form.
CLIPPED_RMS = {
    0.9: 0.681277,
    0.7: 0.579494,
    0.5: 0.442155,
    0.3: 0.280062,
    0.1: 0.097853,
}


def test_level_curve_of_hard_clipping():
    # A sine of amplitude 1/C clipped at 1 has RMS table(C)/C.
    levels = [-20 * np.log10(clip) for clip in CLIPPED_RMS]
    di = stepped_tone(levels)
    found = curve(di, np.clip(di, -1.0, 1.0))
    expected = [20 * np.log10(rms / clip) for clip, rms in CLIPPED_RMS.items()]
    np.testing.assert_allclose(found.di_db, np.array(levels) - 3.0103, atol=1e-3)
    np.testing.assert_allclose(found.capture_db, expected, atol=0.01)
    assert 0.0 < found.slope_db_per_db < 0.3


@pytest.mark.parametrize("ratio", [1.0, 2.0, 4.0, 20.0])
def test_compressor_of_known_ratio(ratio):
    # An ideal compressor without time constants: level out = level in / ratio.
    levels = np.arange(-30.0, 0.0, 1.0)
    di = stepped_tone(levels)
    gain = np.repeat(10 ** (levels * (1 / ratio - 1) / 20), FS)
    found = curve(di, di * gain)
    assert compression_db_per_db(found) == pytest.approx(1 / ratio, abs=1e-3)
    assert found.spread_db < 0.5


def test_slope_is_robust_against_odd_frames():
    rng = np.random.default_rng(1)
    levels = rng.uniform(-30.0, 0.0, 200)
    di = stepped_tone(levels, 0.1)
    other = np.where(rng.random(200) < 0.1, 15.0, rng.normal(0.0, 1.0, 200))
    gain = np.repeat(10 ** ((levels * -0.5 + other) / 20), round(0.1 * FS))
    assert compression_db_per_db(curve(di, di * gain)) == pytest.approx(0.5, abs=0.07)


def test_noise_does_not_look_like_compression():
    # A clean chain whose hiss covers the softest notes.
    levels = np.arange(-40.0, 0.0, 1.0)
    di = np.concatenate([np.zeros(2 * FS), stepped_tone(levels, 0.5)])
    x = di + 0.01 * np.random.default_rng(2).standard_normal(len(di))
    slope = compression_db_per_db(curve(di, x, active_frames(di, FS)))
    assert slope == pytest.approx(1.0, abs=0.03)


def test_gain_moves_the_curve_and_not_its_slope():
    di = stepped_tone(np.arange(-30.0, 0.0, 1.0))
    soft, loud = curve(di, np.tanh(2 * di)), curve(di, 4 * np.tanh(2 * di))
    assert loud.slope_db_per_db == pytest.approx(soft.slope_db_per_db)
    np.testing.assert_allclose(loud.capture_db - soft.capture_db, 12.041, atol=1e-3)


def test_one_level_says_nothing_about_compression():
    di = stepped_tone([-10.0, -9.0, -8.0])
    assert curve(di, di) is None
    assert compression_db_per_db(None) is None
    assert curve(di, np.zeros_like(di)) is None


def plucks(decay_per_s):
    x = np.zeros(12 * FS)
    for start in range(0, 11 * FS, FS):
        t = np.arange(round(0.9 * FS)) / FS
        x[start + 4800 : start + 4800 + len(t)] += (
            0.5 * np.exp(-decay_per_s * t) * np.sin(2 * np.pi * 150 * t)
        )
    return x


@pytest.mark.parametrize("held", [0.0, 1.0, 3.0])
def test_hold_of_known_decays(held):
    # Mean power of exp(-2 a t) over 0 to 0.1 s against 0.2 to 0.4 s, by integration.
    def fall_db(decay):
        rate = 2.0 * decay
        attack = (1 - np.exp(-0.1 * rate)) / 0.1
        sustain = (np.exp(-0.2 * rate) - np.exp(-0.4 * rate)) / 0.2
        return 10 * np.log10(attack / sustain)

    di, x = plucks(4.0), plucks(4.0 - held)
    found = hold_db(frame_power(di, FS), frame_power(x, FS), active_frames(di, FS))
    assert found == pytest.approx(fall_db(4.0) - fall_db(4.0 - held), abs=0.05)


def test_hold_needs_onsets():
    di = stepped_tone([-10.0] * 5)
    power = frame_power(di, FS)
    assert hold_db(power, power, everywhere(di)) is None


def test_plr():
    # Full-scale 997 Hz sine in one channel: 0 dBTP and -3.01 LUFS (BS.1770).
    assert plr_db(1.0, -3.01) == pytest.approx(3.01)
    assert plr_db(1.0, None) is None
    assert plr_db(0.0, -20.0) is None


def test_silence_has_no_crest():
    assert crest_db(0.0, 0.0) is None
    assert active_mean_square(np.ones(20), everywhere(np.zeros(10))) == 0.0
