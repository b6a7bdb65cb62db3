"""Tone measures against spectra made by formula (truth by construction)."""

import numpy as np
import pytest

from pipeline.dsp.activity import FRAME_S
from pipeline.dsp.spectrum import PowerSpectrum, average_spectrum
from pipeline.dsp.tone import (
    body_db,
    brightness_hz,
    fizz_db,
    mud_db,
    presence_db,
    tilt_db_per_octave,
)

FS = 48_000


def shaped(power_of_freq, bins=24_001):
    freq = np.linspace(0.0, FS / 2, bins)
    power = np.zeros(bins)
    power[1:] = power_of_freq(freq[1:])
    return PowerSpectrum(freq, power, 1)


WHITE = shaped(np.ones_like)
PINK = shaped(lambda f: 1 / f)


@pytest.mark.parametrize(
    ("measure", "low", "high"),
    # The bands of common practice that the measures name.
    [
        (body_db, 80, 200),
        (mud_db, 200, 400),
        (presence_db, 2500, 5000),
        (fizz_db, 5500, 10_000),
    ],
)
def test_band_shares_of_white_and_pink(measure, low, high):
    # White: the share of the band's width; pink: of its logarithmic width.
    assert measure(WHITE) == pytest.approx(
        10 * np.log10((high - low) / 19_980), abs=0.01
    )
    pink = 10 * np.log10(np.log(high / low) / np.log(1000.0))
    assert measure(PINK) == pytest.approx(pink, abs=0.05)


@pytest.mark.parametrize("slope", [-9.0, -3.0, 0.0, 3.0])
def test_tilt_of_power_laws(slope):
    # Third octaves of f^a rise by 3.0103 (a + 1) dB an octave.
    exponent = slope / 3.0103 - 1.0
    spectrum = shaped(lambda f: f**exponent)
    assert tilt_db_per_octave(spectrum) == pytest.approx(slope, abs=0.02)


def test_brightness_of_white_and_pink():
    # Centroid of a flat density is the middle, of 1/f the logarithmic mean.
    assert brightness_hz(WHITE) == pytest.approx((80 + 10_000) / 2, abs=1.0)
    pink = (10_000 - 80) / np.log(10_000 / 80)
    assert brightness_hz(PINK) == pytest.approx(pink, rel=0.01)


def test_brightness_of_two_tones():
    t = np.arange(4 * FS) / FS
    # Powers 4 : 1 at 500 and 3000 Hz: centroid 1000 Hz.
    x = 0.2 * np.sin(2 * np.pi * 500 * t) + 0.1 * np.sin(2 * np.pi * 3000 * t)
    spectrum = average_spectrum(x, FS, np.ones(round(4 / FRAME_S), bool))
    assert brightness_hz(spectrum) == pytest.approx(1000.0, abs=1.0)
    assert presence_db(spectrum) == pytest.approx(-6.99, abs=0.02)


def test_noise_print_is_taken_out():
    hiss = shaped(lambda f: np.full_like(f, 1e-3))
    noisy = PowerSpectrum(PINK.freq_hz, PINK.power + hiss.power, 1)
    assert brightness_hz(noisy) > 1.2 * brightness_hz(PINK)
    assert brightness_hz(noisy, hiss) == pytest.approx(brightness_hz(PINK))
    assert tilt_db_per_octave(noisy, hiss) == pytest.approx(tilt_db_per_octave(PINK))
    assert fizz_db(noisy, hiss) == pytest.approx(fizz_db(PINK))


def test_gain_changes_nothing():
    louder = PINK.scaled(17.0)
    for measure in (brightness_hz, tilt_db_per_octave, body_db, fizz_db):
        assert measure(louder) == pytest.approx(measure(PINK))


def test_nothing_to_measure():
    silence = shaped(np.zeros_like)
    for measure in (brightness_hz, tilt_db_per_octave, body_db, fizz_db):
        assert measure(silence) is None
    assert brightness_hz(PINK, PINK) is None
    assert tilt_db_per_octave(shaped(lambda f: 1.0 * (f < 1000))) is None
    assert fizz_db(shaped(lambda f: 1.0 * (f < 1000))) == -90.0
