"""Noise floor and hum against truth by construction.

Mains families are 50, 100, 150 ... and 60, 120, 180 ... Hz; open strings and
low notes at A4 = 440 Hz in equal temperament lie close by: G1 48.9994, B1 61.7354,
D3 146.8324, G3 195.9977 Hz.
"""

import numpy as np
import pytest

from pipeline.dsp.activity import FRAME_S, Activity, frame_power
from pipeline.dsp.noise import find_hum, hum_db, noise_dbfs
from pipeline.dsp.spectrum import average_spectrum

SECONDS = 3


def quiet_everywhere(seconds):
    frames = round(seconds / FRAME_S)
    return Activity(FRAME_S, np.zeros(frames, bool), np.ones(frames, bool))


def tones(frequencies, fs=48_000, seconds=SECONDS, amplitude=0.001):
    t = np.arange(round(seconds * fs)) / fs
    return sum(amplitude * np.sin(2 * np.pi * f * t + f) for f in frequencies)


def hiss(fs=48_000, seconds=SECONDS, level_db=-80.0, seed=0):
    rng = np.random.default_rng(seed)
    return 10 ** (level_db / 20) * rng.standard_normal(round(seconds * fs))


def hum_of(x, fs=48_000):
    chosen = np.ones(round(len(x) / fs / FRAME_S), bool)
    return find_hum(average_spectrum(x, fs, chosen, share=1.0))


@pytest.mark.parametrize("fs", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("base", [50.0, 60.0])
@pytest.mark.parametrize("wander", [0.998, 1.0, 1.002])
def test_family_and_level(fs, base, wander):
    x = tones([base * wander * k for k in (1, 2, 3, 4)], fs) + hiss(fs)
    found = hum_of(x, fs)
    assert found.base_hz == base
    # Four sines of amplitude 0.001: mean square 4 * 0.5e-6.
    assert found.level_dbfs == pytest.approx(10 * np.log10(2e-6), abs=0.3)
    assert hum_db(found, 0.01) == pytest.approx(found.level_dbfs + 20.0)


@pytest.mark.parametrize("lines", [[100, 200, 300, 400], [120, 240, 360], [50], [120]])
def test_rectifier_ripple_and_lone_lines(lines):
    found = hum_of(tones(lines) + hiss(level_db=-90.0))
    assert found.base_hz == (50 if lines[0] in {50, 100} else 60)


@pytest.mark.parametrize(
    "notes",
    [[48.9994], [61.7354], [146.8324], [195.9977], [48.9994, 97.9989, 146.998, 195.998],
     [146.8324, 195.9977, 293.665, 391.995], [300.0, 600.0]],
)  # fmt: skip
def test_notes_beside_the_harmonics_are_not_hum(notes):
    assert hum_of(tones(notes) + hiss()) is None


def test_hum_beside_a_note_is_found():
    found = hum_of(tones([146.8324, 195.9977]) + tones([60, 120, 180]) + hiss())
    assert found.base_hz == 60
    assert len(found.lines) == 3


@pytest.mark.parametrize("seconds", [0.6, 1.0, 3.0, 10.0])
def test_hiss_alone_has_no_hum(seconds):
    # False alarms in 60 noises of each length, white and brown.
    alarms = 0
    for seed in range(60):
        x = hiss(seconds=seconds, seed=seed)
        if seed % 2:
            x = np.cumsum(x) * 0.01
        alarms += hum_of(x) is not None
    assert alarms == 0


def test_noise_floor():
    x = hiss(level_db=-70.0)
    power = frame_power(x, 48_000)
    quiet = quiet_everywhere(SECONDS)
    assert noise_dbfs(power, quiet) == pytest.approx(-70.0, abs=0.1)
    # Digital silence is not a floor, and a click does not count.
    power[:20] = 0.0
    power[30] = 1.0
    assert noise_dbfs(power, quiet) == pytest.approx(-70.0, abs=0.1)


def test_nothing_to_look_at():
    power = np.zeros(60)
    assert noise_dbfs(power, quiet_everywhere(SECONDS)) is None
    assert noise_dbfs(np.ones(60), quiet_everywhere(SECONDS).within(0.0, 0.1)) is None
    assert find_hum(None) is None
    assert hum_of(np.zeros(96_000)) is None
    assert hum_db(None, 0.1) is None
