"""Linear share and coherence against closed forms.

Coherence of a signal in noise is SNR / (1 + SNR) (Bendat and Piersol, Random
Data, 4th ed.); memoryless distortion of Gaussian noise has the squared
correlation coefficient of Bussgang (1952).
"""

from math import erf, sqrt

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, welch

from pipeline.dsp.activity import FRAME_S, Activity
from pipeline.dsp.linearity import (
    capture_spectra,
    coherence,
    coherence_curve,
    di_average,
    di_spectra,
    linear_share,
    response,
)

FS = 48_000
BAND_LIMIT = butter(8, (55, 13_000), "bandpass", fs=FS, output="sos")


def always(x):
    frames = round(len(x) / FS / FRAME_S)
    return Activity(FRAME_S, np.ones(frames, bool), np.zeros(frames, bool))


def noise(seconds=20, seed=0):
    return np.random.default_rng(seed).standard_normal(seconds * FS)


def measured(di, x):
    activity = always(di)
    return capture_spectra(di_spectra(di, FS, activity), x, activity)


@pytest.mark.parametrize(
    ("snr_db", "expected"),
    # SNR / (1 + SNR).
    [(-10, 0.0909), (0, 0.5), (10, 0.909), (20, 0.990), (30, 0.999)],
)
def test_share_of_a_signal_in_noise(snr_db, expected):
    di = noise()
    x = di + 10 ** (-snr_db / 20) * noise(seed=1)
    assert linear_share(measured(di, x)) == pytest.approx(expected, abs=0.006)


def test_worked_example_of_bendat_and_piersol():
    # Gain 0.8 and noise of RMS 0.5 on unit white noise: gamma^2 = 0.7191.
    di = noise(40)
    cross = measured(di, 0.8 * di + 0.5 * noise(40, seed=1))
    assert linear_share(cross) == pytest.approx(0.7191, abs=0.006)
    assert coherence(cross)[50:-50].mean() == pytest.approx(0.7191, abs=0.006)
    _, share = coherence_curve(cross)
    np.testing.assert_allclose(share[8:], 0.7191, atol=0.05)


# Bussgang: rho^2 with rho = K sigma / rms(y), sigma = 1, K = E[g'(x)]; for the hard
# clip E[y^2] = 1 - 2 phi(1) = 0.516058, phi being the normal density.
@pytest.mark.parametrize(
    ("bend", "rho"),
    [
        (np.tanh, 0.9646),
        (lambda x: np.clip(x, -1.0, 1.0), erf(1 / sqrt(2)) / sqrt(0.516058)),
        (np.sign, sqrt(2 / np.pi)),
        (lambda x: x**3, sqrt(3 / 5)),
        (np.square, 0.0),
    ],
    ids=["tanh", "hard clip", "sign", "cube", "square"],
)
def test_memoryless_distortion_of_white_noise(bend, rho):
    di = noise(40)
    y = bend(di)
    share = linear_share(measured(di, y - y.mean()))
    # White input: the distortion is white too, so every bin has this coherence.
    assert share == pytest.approx(rho**2, abs=0.006)


def test_hard_clip_correlation_is_the_published_one():
    # rho = 0.9503 at sigma = 1, clip at 1: the closed form used above.
    assert erf(1 / sqrt(2)) / sqrt(0.516058) == pytest.approx(0.9503, abs=1e-4)


def test_peak_time_is_unbiased_by_memoryless_distortion():
    # Bussgang: the cross-correlation keeps the shape of the input's own.
    di = sosfilt(butter(2, (80, 4000), "bandpass", fs=FS, output="sos"), noise(20))
    di /= di.std()
    late = 37
    x = np.roll(np.tanh(5.0 * di), late)
    cross = measured(di, x)
    correlation = np.fft.irfft(cross.s_dx)
    own = np.fft.irfft(cross.s_dd)
    assert int(np.argmax(correlation)) == late
    scaled = np.roll(correlation, -late) / correlation.max()
    np.testing.assert_allclose(scaled[:200], own[:200] / own[0], atol=0.02)


@pytest.mark.parametrize("order", [1, 4])
def test_equaliser_and_polarity_do_not_count(order):
    di = noise()
    colour = butter(order, (90, 4500), "bandpass", fs=FS, output="sos")
    assert linear_share(measured(di, -sosfilt(colour, di))) > 0.998


def test_another_performance_reads_nothing():
    for seconds in (3, 20):
        shares = [
            linear_share(measured(noise(seconds, seed=s), noise(seconds, seed=s + 50)))
            for s in range(8)
        ]
        # One over the number of windows would be 0.06 and 0.009.
        assert np.mean(shares) < 0.002


def test_coherence_floor_is_unbiased():
    cross = measured(noise(20), noise(20, seed=9))
    assert coherence(cross).mean() == pytest.approx(0.0, abs=0.002)


def test_response_of_a_known_filter():
    di = noise()
    taps = np.array([0.0, 0.0, 1.0, -0.5, 0.25])
    cross = measured(di, np.convolve(di, taps)[: len(di)])
    found = response(cross)
    middle = len(cross.freq_hz) - 1
    np.testing.assert_allclose(found[middle : middle + 5], taps, atol=0.01)
    assert np.abs(found[:middle]).max() < 0.01


def test_cost_of_a_remaining_delay():
    di = noise()
    for late_ms, least in [(3, 0.998), (10, 0.985), (20, 0.95)]:
        late = np.roll(di, round(late_ms / 1000 * FS))
        assert least < linear_share(measured(di, late)) < 1.0


def test_one_prepared_di_serves_all_captures():
    di = noise(8)
    activity = always(di)
    prepared = di_spectra(di, FS, activity)
    for seed in (1, 2):
        x = di + noise(8, seed=seed)
        together = capture_spectra(prepared, x, activity)
        alone = measured(di, x)
        np.testing.assert_array_equal(together.halves_dx, alone.halves_dx)
        np.testing.assert_array_equal(together.capture.power, alone.capture.power)


def test_capture_that_stops_early_is_judged_where_it_is():
    di = noise()
    x = di.copy()
    x[10 * FS :] = 0.0
    whole = always(di)
    prepared = di_spectra(di, FS, whole)
    cross = capture_spectra(prepared, x, whole.within(0.0, 10.0))
    assert linear_share(cross) > 0.98
    # Where nothing was recorded, half of the DI would stay unanswered.
    careless = linear_share(capture_spectra(prepared, x, whole))
    assert careless == pytest.approx(0.5, abs=0.05)


def test_noise_print_comes_from_silences_only():
    di, x = noise(), noise(seed=2)
    di[: 4 * FS] = 0.0
    x[: 4 * FS] *= 0.01
    activity = always(di)
    activity.active[: round(4 / FRAME_S)] = False
    activity.quiet[: round(3.8 / FRAME_S)] = True
    cross = capture_spectra(di_spectra(di, FS, activity), x, activity)
    level = 10 * np.log10(np.median(cross.noise.power) / np.median(cross.capture.power))
    assert level == pytest.approx(-40.0, abs=1.0)


def test_stated_empty_cases():
    di = noise(1)
    assert measured(di, di) is None
    di = noise(3)
    assert linear_share(measured(di, np.zeros_like(di))) is None
    with pytest.raises(ValueError, match="expected"):
        measured(di, di[:-1])


def test_band_limited_capture_of_band_limited_di():
    di = sosfilt(BAND_LIMIT, noise())
    freq, share = coherence_curve(measured(di, 0.5 * di))
    assert freq[0] == pytest.approx(25.1189, abs=1e-3)
    inside = (freq > 70) & (freq < 11_000)
    assert share[inside].min() > 0.999


def test_the_average_of_a_di_is_the_one_of_a_library():
    # scipy.signal.welch: Hann windows at half overlap, one-sided density.
    di = noise()
    found = di_average(di_spectra(di, FS, always(di)))
    size = 2 * (len(found.freq_hz) - 1)
    freq, density = welch(di, FS, nperseg=size, detrend=False)
    np.testing.assert_allclose(found.freq_hz, freq)
    np.testing.assert_allclose(found.power, density, rtol=1e-5, atol=1e-12)


def test_a_di_that_never_plays_has_no_average():
    di = noise(2)
    frames = round(2 / FRAME_S)
    silent = Activity(FRAME_S, np.zeros(frames, bool), np.ones(frames, bool))
    assert di_average(di_spectra(di, FS, silent)) is None
