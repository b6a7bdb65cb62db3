"""Amps distort without folding back; cones and microphones do as the trade says."""

import numpy as np
import pytest

from pipeline.demo import rig
from pipeline.demo.colour import SAMPLE_RATE_HZ, grid_hz

FREQUENCY = grid_hz()


def level_at(level, hz):
    return float(np.interp(hz, FREQUENCY, level))


def centroid_hz(level):
    """Power-weighted centroid of pink music (3 dB an octave), 80 Hz to 10 kHz."""
    band = (FREQUENCY > 80) & (FREQUENCY < 10_000)
    power = 10 ** (level[band] / 10) / FREQUENCY[band]
    return float(np.sum(FREQUENCY[band] * power) / np.sum(power))


def played_sine(amp, hz, peak=0.4):
    """The middle second of a faded sine through an amp, as a power spectrum."""
    seconds = np.arange(3 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    fade = np.clip(np.minimum(seconds, 3 - seconds) / 0.2, 0, 1)
    out = rig.amplify(peak * fade * np.sin(2 * np.pi * hz * seconds), amp)
    middle = out[SAMPLE_RATE_HZ : 2 * SAMPLE_RATE_HZ]
    return np.abs(np.fft.rfft(middle)) ** 2  # bins of 1 Hz


@pytest.mark.parametrize("name", ["edge", "high"])
def test_an_amp_makes_harmonics_and_nothing_else(name):
    # A memoryless nonlinearity of a sine holds harmonics alone; what lies between
    # them has folded back. The sine peaks where the DI's loudest pluck does.
    power = played_sine(rig.AMPS[name], 1234)
    harmonics = np.zeros(len(power), bool)
    for order in range(1, 20):
        harmonics[max(order * 1234 - 3, 0) : order * 1234 + 4] = True
    harmonics[:4] = True
    audible = np.arange(len(power)) < 16_000
    folded = np.sum(power[audible & ~harmonics])
    assert 10 * np.log10(folded / np.sum(power)) < -45.0


def test_high_gain_distorts_more_than_the_edge():
    # Truth by construction: 50 dB of gain against 17 dB.
    def distortion(name):
        power = played_sine(rig.AMPS[name], 220, peak=0.1)
        overtones = sum(power[220 * order] for order in range(2, 40))
        return overtones / power[220]

    assert distortion("high") > 10 * distortion("edge")


def test_an_amp_keeps_sign_and_length():
    # Truth by construction: a slow bump far below clipping comes out upright.
    bump = np.zeros(SAMPLE_RATE_HZ)
    bump[24_000:24_048] = 0.01 * np.hanning(48)
    out = rig.amplify(bump, rig.AMPS["edge"])
    assert len(out) == len(bump)
    assert np.argmax(np.abs(out)) == np.argmax(out)
    assert np.max(np.abs(out[:23_990])) < 1e-3 * np.max(out)


def test_poles_above_the_band_delay_what_lies_below():
    # Textbook RC low-pass: group delay 1/(2 pi fc) far below fc; 14 and 11 kHz make
    # 0.546 + 0.694 samples at 48 kHz. The high-passes advance low notes, not 2 kHz.
    assert rig.pole_samples(rig.AMPS["edge"]) == pytest.approx(1.240, abs=0.001)


def test_amp_filters_add_no_delay_of_their_own():
    # Truth by construction: filters are causal with their onset at zero, so an
    # impulse comes out in the very sample in which it went in.
    click = np.zeros(SAMPLE_RATE_HZ)
    click[10_000] = 0.001
    out = rig.amplify(click, rig.AMPS["edge"])
    assert np.argmax(np.abs(out)) in {10_000, 10_001}


@pytest.mark.parametrize(
    ("argument", "expected_db"), [(1.0, -1.11), (1.6, -2.99), (2.215, -6.02)]
)
def test_a_piston_beams_like_a_piston(argument, expected_db):
    # 20 log10(2 J1(x)/x), textbook tables (from memory): x = 1.6 is the half-power
    # angle, 2.215 half pressure. The envelope without lobes stays within 1 dB.
    radius_m, angle = 0.05, np.pi / 6
    hz = argument * 343.0 / (2 * np.pi * radius_m * np.sin(angle))
    level = rig.beam_level(np.array([hz]), angle, radius_m)[0]
    assert level == pytest.approx(expected_db, abs=1.0)


def test_a_speaker_does_little_above_6_khz():
    # Common practice, no source.
    level = rig.speaker_level(FREQUENCY, "upper")
    assert level_at(level, 9000) < level_at(level, 2500) - 18.0
    assert level_at(level, 40) < level_at(level, 150) - 9.0


def test_ribbon_is_darker_than_dynamic_and_condenser_hears_the_top():
    # Common practice, no source: ribbons fall off early, condensers rise.
    cone = rig.cone_level(FREQUENCY, "upper", 0.3)
    levels = {
        mic: cone + rig.mic_level(FREQUENCY, mic, 0.1, 0.3)
        for mic in ("bright", "dark", "dynamic")
    }
    assert centroid_hz(levels["dark"]) < 0.8 * centroid_hz(levels["dynamic"])
    top = {
        mic: level_at(level, 12_000) - level_at(level, 1000)
        for mic, level in levels.items()
    }
    assert top["bright"] > top["dynamic"] + 3.0 > top["dark"] + 6.0


@pytest.mark.parametrize("mic", ["bright", "dark", "dynamic", "room"])
def test_nearer_has_more_bass(mic):
    # Proximity effect (textbook acoustics): 1 + g c/(j w r) grows as r shrinks.
    def bass(distance_m):
        level = rig.mic_level(FREQUENCY, mic, distance_m, 0.0)
        return level_at(level, 100) - level_at(level, 1000)

    assert bass(0.05) > bass(0.3) + 0.5 > bass(1.5) + 1.0


def test_a_figure_of_eight_lifts_bass_more_than_a_cardioid():
    # Textbook acoustics: the gradient's share is whole against half.
    def lift(mic):
        near, far = (rig.mic_level(FREQUENCY, mic, d, 0.0) for d in (0.05, 1.8))
        return level_at(near - far, 100) - level_at(near - far, 2000)

    assert lift("dark") > lift("dynamic") + 3.0


def test_microphones_hear_less_treble_from_the_side():
    # Common practice, no source.
    for mic in ("bright", "dark", "dynamic"):
        front = rig.mic_level(FREQUENCY, mic, 0.05, 0.0)
        side = rig.mic_level(FREQUENCY, mic, 0.05, np.pi / 4)
        lost = front - side
        assert level_at(lost, 8000) > level_at(lost, 200) + 1.0
