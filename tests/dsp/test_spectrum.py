"""Spectra and bands against IEC 61260-1:2014, Glasberg and Moore, and truth."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import welch

from pipeline.dsp.activity import FRAME_S
from pipeline.dsp.spectrum import (
    PowerSpectrum,
    average_spectrum,
    band_power,
    erb_band_levels,
    erb_frequency,
    smoothed_spectrum,
    spectral_distance_db,
    third_octave_bands,
    third_octave_levels,
    window_length,
)

FS = 48_000


def everywhere(x, fs=FS):
    return np.ones(round(len(x) / fs / FRAME_S), dtype=bool)


def shaped(power_of_freq, fs=FS, bins=8193):
    """A spectrum made by formula."""
    freq = np.linspace(0.0, fs / 2, bins)
    power = np.zeros(bins)
    power[1:] = power_of_freq(freq[1:])
    return PowerSpectrum(freq, power, 1)


# IEC 61260-1:2014, exact mid-band and edge frequencies, as transcribed with clause
# numbers in phonometry's reference data (nominal: fm, f1, f2).
IEC_61260 = {
    "25": (25.1189, 22.3872, 28.1838),
    "31.5": (31.6228, 28.1838, 35.4813),
    "63": (63.0957, 56.2341, 70.7946),
    "100": (100.0, 89.1251, 112.2018),
    "160": (158.4893, 141.2538, 177.8279),
    "500": (501.1872, 446.6836, 562.3413),
    "1000": (1000.0, 891.2509, 1122.0185),
    "2000": (1995.2623, 1778.2794, 2238.7211),
    "3150": (3162.2777, 2818.3829, 3548.1339),
    "8000": (7943.2823, 7079.4578, 8912.5094),
    "20000": (19952.6231, 17782.7941, 22387.2114),
}


@pytest.mark.parametrize("label", IEC_61260)
def test_third_octave_bands_iec_61260(label):
    band = {b.label: b for b in third_octave_bands()}[label]
    found = (band.centre_hz, band.low_hz, band.high_hz)
    assert found == pytest.approx(IEC_61260[label], abs=5e-5)


def test_third_octaves_join_without_gap():
    bands = third_octave_bands()
    assert len(bands) == 30
    for lower, upper in pairwise(bands):
        assert lower.high_hz == pytest.approx(upper.low_hz, rel=1e-12)
        # Edge ratio 10^(1/20), IEC 61260-1.
        assert upper.centre_hz / lower.centre_hz == pytest.approx(10**0.1)


def test_white_rises_one_db_a_band_and_pink_is_flat():
    # Consequence of base-ten third octaves: the width grows by 10^0.1.
    white = third_octave_levels(shaped(np.ones_like))[:-1]
    np.testing.assert_allclose(np.diff(white), 1.0, atol=1e-6)
    pink = third_octave_levels(shaped(lambda f: 1 / f))
    # Above 200 Hz, where the steps of 2.9 Hz follow 1/f within a band.
    np.testing.assert_allclose(np.diff(pink[9:-1]), 0.0, atol=0.01)


def test_measured_white_noise_rises_one_db_a_band():
    x = 0.1 * np.random.default_rng(1).standard_normal(60 * FS)
    levels = third_octave_levels(average_spectrum(x, FS, everywhere(x)))
    slope = np.polyfit(np.arange(22), levels[7:29], 1)[0]
    assert slope == pytest.approx(1.0, abs=0.01)
    # 1 kHz band: width 230.768 Hz of 24 kHz (IEC relative bandwidth) at -20 dB.
    expected = -20.0 + 10 * np.log10(230.768 / 24_000)
    assert levels[16] == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize("hz", [100.0, 1000.0, 10_000.0])
def test_sine_lands_in_its_band_with_its_power(hz):
    x = 0.5 * np.sin(2 * np.pi * hz * np.arange(4 * FS) / FS)
    levels = third_octave_levels(average_spectrum(x, FS, everywhere(x)))
    labels = [b.label for b in third_octave_bands()]
    # Mean square of a sine of amplitude 0.5: -9.03 dB.
    assert levels[labels.index(f"{hz:.0f}")] == pytest.approx(-9.031, abs=0.01)


# IEC 61260-3:2016 table C.1, class 1: least attenuation at f / fm (phonometry).
@pytest.mark.parametrize(
    ("ratio", "least_db"),
    [
        (1.29437, 16.6),
        (1.88173, 40.5),
        (3.05365, 60.0),
        (0.77257, 16.6),
        (0.53143, 40.5),
    ],
)
@pytest.mark.parametrize("label", ["63", "100", "1000", "5000"])
def test_third_octave_skirts_are_class_1(label, ratio, least_db):
    labels = [b.label for b in third_octave_bands()]
    index = labels.index(label)
    hz = third_octave_bands()[index].centre_hz * ratio
    x = np.sin(2 * np.pi * hz * np.arange(4 * FS) / FS)
    levels = third_octave_levels(average_spectrum(x, FS, everywhere(x)))
    assert -3.01 - levels[index] >= least_db


@pytest.mark.parametrize("fs", [44_100, 48_000, 96_000])
def test_spectrum_equals_scipys_welch(fs):
    x = np.random.default_rng(4).standard_normal(4 * fs).astype(np.float32)
    size = window_length(fs)
    freq, power = welch(x.astype(float), fs, nperseg=size, detrend=False)
    got = average_spectrum(x, fs, everywhere(x, fs))
    np.testing.assert_allclose(got.freq_hz, freq)
    np.testing.assert_allclose(got.power, power, rtol=1e-5, atol=1e-12)


def test_only_chosen_frames_count():
    rng = np.random.default_rng(6)
    x = 0.1 * rng.standard_normal(20 * FS)
    x[: 10 * FS] *= 10.0
    chosen = everywhere(x)
    chosen[: round(10.5 / FRAME_S)] = False
    quiet = average_spectrum(x, FS, chosen, 1.0)
    level = 10 * np.log10(band_power(quiet, np.array([20.0]), np.array([24_000.0])))
    assert level[0] == pytest.approx(-20.0, abs=0.1)
    assert average_spectrum(x, FS, np.zeros_like(chosen)) is None
    assert average_spectrum(x[:100], FS, chosen) is None


def test_power_is_conserved_over_all_bins():
    x = np.random.default_rng(7).standard_normal(10 * FS) * 0.2
    got = average_spectrum(x, FS, everywhere(x))
    total = band_power(got, np.array([-10.0]), np.array([FS / 2 + 10.0]))[0]
    # Parseval: the mean square of the signal.
    assert total == pytest.approx(0.04, rel=0.01)


# Glasberg and Moore 1990: 21.4 log10(4.37 f/kHz + 1), values by the formula.
@pytest.mark.parametrize(
    ("hz", "number", "width"),
    [
        (100.0, 3.37, 35.49),
        (250.0, 6.86, 51.68),
        (500.0, 10.77, 78.67),
        (1000.0, 15.62, 132.64),
        (2000.0, 21.16, 240.58),
        (4000.0, 27.11, 456.46),
        (8000.0, 33.29, 888.21),
    ],
)
def test_erb_number_and_width(hz, number, width):
    # Half a unit of the number's last digit, at one bandwidth a number.
    assert erb_frequency(np.array([number]))[0] == pytest.approx(hz, abs=0.005 * width)
    # One ERB-number spans one equivalent rectangular bandwidth.
    exact = 21.4 * np.log10(4.37 * hz / 1000 + 1)
    low, high = erb_frequency(np.array([exact - 0.5, exact + 0.5]))
    assert high - low == pytest.approx(width, rel=0.005)


def test_distance_of_known_differences():
    base = shaped(lambda f: 1 / f)
    a = erb_band_levels(base)
    assert spectral_distance_db(a, a) == 0.0
    assert spectral_distance_db(a, erb_band_levels(base.scaled(3.0))) == pytest.approx(
        3.0
    )
    tilted = shaped(lambda f: 1 / f * np.where(f > 1000.0, 4.0, 1.0))
    b = erb_band_levels(tilted)
    above = float(np.mean(erb_frequency(np.arange(2, 40)) > 1000.0))
    expected = 10 * np.log10(4.0) * np.sqrt(above)
    assert spectral_distance_db(a, b) == pytest.approx(expected, rel=0.02)
    with pytest.raises(ValueError, match="shapes"):
        spectral_distance_db(a, a[:-1])


def test_distance_is_a_metric():
    rng = np.random.default_rng(9)
    for _ in range(50):
        a, b, c = rng.normal(-40.0, 10.0, (3, 38))
        assert spectral_distance_db(a, b) == spectral_distance_db(b, a)
        assert spectral_distance_db(a, c) <= (
            spectral_distance_db(a, b) + spectral_distance_db(b, c) + 1e-12
        )


def test_bands_are_floored_at_noise_and_range():
    dark = shaped(lambda f: np.where(f < 1000.0, 1.0, 1e-12))
    levels = erb_band_levels(dark)
    assert levels.max() - levels.min() == pytest.approx(60.0)
    hiss = shaped(lambda f: np.full_like(f, 1e-4))
    noisy = PowerSpectrum(dark.freq_hz, dark.power + hiss.power, 1)
    floored = erb_band_levels(noisy, hiss)
    np.testing.assert_allclose(floored[20:], erb_band_levels(hiss)[20:], atol=1e-6)
    np.testing.assert_allclose(floored[:10], levels[:10], atol=1e-3)


def test_smoothed_spectrum_for_plots():
    freq, level = smoothed_spectrum(shaped(lambda f: 1 / f, bins=1 << 16))
    assert len(freq) == len(level) == 240
    # Pink noise is flat in bands of constant relative width: ln(G^(1/6)).
    np.testing.assert_allclose(level, 10 * np.log10(np.log(10**0.05)), atol=0.02)
    freq, _ = smoothed_spectrum(shaped(lambda f: 1 / f, fs=22_050))
    assert freq.max() < 11_025


def test_noise_print_is_subtracted():
    a = shaped(np.ones_like)
    assert a.without(None) is a
    assert a.without(a).power.max() == 0.0
    np.testing.assert_allclose(a.without(a.scaled(-3.0103)).power[1:], 0.5, rtol=1e-4)
