"""Moving a capture onto the DI's time.

Authority: truth by construction (sinusoids evaluated at the shifted times), a
slow twin (SciPy's FFT phase ramp), and properties of a delay.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.dsp.shift import (
    JOIN_FRAMES,
    MARGIN_SAMPLES,
    resample_drift,
    shift_pieces,
    shift_segment,
)

RNG_SEED = 5


def noise(size: int) -> np.ndarray:
    return np.random.default_rng(RNG_SEED).standard_normal(size).astype(np.float32)


def sine(times: np.ndarray, cycles_per_sample: float) -> np.ndarray:
    return np.sin(2 * np.pi * cycles_per_sample * times + 0.3)


def level_db(error: np.ndarray) -> float:
    return float(20 * np.log10(np.max(np.abs(error)) + 1e-12))


@pytest.mark.parametrize("lag", [0, 1, 17, 4000, -1, -513])
@pytest.mark.parametrize("source_start", [0, 300, -77])
def test_whole_lag_is_a_bit_exact_copy(lag: int, source_start: int) -> None:
    """Truth by construction: the very samples, and zeros where there are none."""
    source = noise(3000)
    padded = np.zeros(20_000, dtype=np.float32)
    padded[8000 + source_start : 11_000 + source_start] = source
    shifted = shift_segment(source, lag, 2500, source_start=source_start)
    assert shifted.dtype == np.float32
    np.testing.assert_array_equal(shifted, padded[8000 + lag : 10_500 + lag])


def test_result_is_a_copy_and_the_source_is_untouched() -> None:
    source = noise(500)
    kept = source.copy()
    shifted = shift_segment(source, 0, 500)
    shifted[:] = 0
    np.testing.assert_array_equal(source, kept)


@pytest.mark.parametrize("fraction", [0.01, 0.25, 0.5, 0.77, 0.99])
@pytest.mark.parametrize("frequency", [0.0005, 0.02, 0.2, 0.4, 0.44])
def test_fractional_lag_of_a_sinusoid(fraction: float, frequency: float) -> None:
    """Truth by construction, at the -113 dB that the module states.

    Single precision adds about as much again, hence -110 dB in all.
    """
    lag, frames = -37 + fraction, 5000
    start = int(np.floor(lag)) - MARGIN_SAMPLES
    times = np.arange(start, start + frames + 2 * MARGIN_SAMPLES + 1)
    source = sine(times, frequency).astype(np.float32)
    shifted = shift_segment(source, lag, frames, source_start=start)
    assert level_db(shifted - sine(np.arange(frames) + lag, frequency)) < -110


def test_twenty_kilohertz_passes_at_44100() -> None:
    """20 kHz at 44.1 kHz is 0.4535 of the rate: level and phase still hold."""
    frequency = 20_000 / 44_100
    source = sine(np.arange(9000) - 1000, frequency).astype(np.float32)
    shifted = shift_segment(source, 0.5, 4000, source_start=-1000)
    assert level_db(shifted - sine(np.arange(4000) + 0.5, frequency)) < -108


def test_no_frequency_gains_level() -> None:
    """Property: an interpolator may lose the last octave's edge, never add to it."""
    impulse = np.zeros(400, dtype=np.float32)
    impulse[200] = 1.0
    for fraction in (0.1, 0.33, 0.5, 0.9):
        response = np.abs(np.fft.rfft(shift_segment(impulse, fraction, 400), 4096))
        assert np.max(response) < 1.0 + 1e-5
        assert response[0] == pytest.approx(1.0, abs=1e-6)


def test_slow_twin_fft_phase_ramp() -> None:
    """A band-limited periodic signal shifted by the phase of its spectrum."""
    size = 4096
    spectrum = np.fft.rfft(noise(size))
    spectrum[int(0.44 * size) :] = 0
    signal = np.fft.irfft(spectrum, size)
    ramp = np.exp(2j * np.pi * np.arange(size // 2 + 1) / size * 5.37)
    truth = np.fft.irfft(spectrum * ramp, size)
    twice = np.tile(signal, 3).astype(np.float32)
    shifted = shift_segment(twice, 5.37, size, source_start=-size)
    assert level_db(shifted - truth) < -100


@settings(max_examples=40, deadline=None)
@given(
    lag=st.floats(-2000, 2000),
    cut=st.integers(0, 900),
    frames=st.integers(0, 700),
)
def test_pieces_of_a_file_give_the_same_samples(
    lag: float, cut: int, frames: int
) -> None:
    """Property: where a stretch begins makes no difference, only its place does."""
    source = noise(2000)
    whole = shift_segment(source, lag, 1000)
    stretch = shift_segment(source, lag + cut, frames)
    overlap = min(frames, 1000 - cut)
    np.testing.assert_allclose(stretch[:overlap], whole[cut : cut + overlap], atol=2e-6)


def test_outside_the_capture_is_silent() -> None:
    source = noise(1000)
    assert not shift_segment(source, 5000.4, 300).any()
    assert not shift_segment(source, -5000.4, 300).any()
    assert not resample_drift(source, 5000.4, 40.0, 300).any()
    assert shift_segment(source, 0.5, 0).shape == (0,)


@pytest.mark.parametrize("drift_ppm", [-500.0, -48.0, 0.0, 3.0, 100.0])
@pytest.mark.parametrize("frequency", [0.01, 0.3, 0.44])
def test_drift_of_a_sinusoid(drift_ppm: float, frequency: float) -> None:
    """Truth by construction: -107 dB as stated (-114 dB to 100 ppm)."""
    frames = 96 * 1500 + 17
    source = sine(np.arange(frames + 400) - 200, frequency).astype(np.float32)
    shifted = resample_drift(source, 0.37, drift_ppm, frames, source_start=-200)
    truth = sine(np.arange(frames) * (1 + drift_ppm * 1e-6) + 0.37, frequency)
    limit = -107 if abs(drift_ppm) > 100 else -114
    assert level_db(shifted - truth) < limit


def test_no_drift_equals_a_shift() -> None:
    """The two routes share a kernel; they differ by the cubic alone."""
    source = noise(20_000)
    drifted = resample_drift(source, -33.3, 0.0, 20_000)
    np.testing.assert_allclose(drifted, shift_segment(source, -33.3, 20_000), atol=3e-5)


def test_lost_samples_leave_a_silent_gap() -> None:
    """Truth by construction: 300 frames never recorded, the rest in its place."""
    played = noise(10_000)
    capture = np.delete(played, slice(5000, 5300))
    joined = shift_pieces(capture, [(0, 0.0), (5300, -300.0)], 10_000)
    assert not joined[5000:5300].any()
    np.testing.assert_array_equal(
        joined[: 5000 - JOIN_FRAMES], played[: 5000 - JOIN_FRAMES]
    )
    np.testing.assert_array_equal(
        joined[5300 + JOIN_FRAMES :], played[5300 + JOIN_FRAMES :]
    )
    assert np.all(np.abs(joined) <= np.abs(played))


def test_added_samples_are_left_out() -> None:
    played = noise(10_000)
    capture = np.insert(played, 5000, np.zeros(480, dtype=np.float32))
    joined = shift_pieces(capture, [(0, 0.0), (5000, 480.0)], 10_000)
    away = np.r_[0 : 5000 - JOIN_FRAMES // 2, 5000 + JOIN_FRAMES // 2 : 10_000]
    np.testing.assert_array_equal(joined[away], played[away])


def test_a_join_without_a_step_changes_nothing() -> None:
    """Property: the two halves of a cross-fade sum to 1."""
    played = noise(3000)
    joined = shift_pieces(played, [(0, 2.0), (1500, 2.0)], 2990)
    np.testing.assert_allclose(joined, played[2:2992], atol=1e-6)


def test_pieces_shorter_than_a_join_stay_finite_and_bounded() -> None:
    played = noise(3000)
    joined = shift_pieces(played, [(0, 0.0), (10, 4.0), (20, -40.0), (2999, 3.0)], 3000)
    assert np.max(np.abs(joined)) <= 2 * np.max(np.abs(played))


def test_refusals() -> None:
    source = noise(100)
    with pytest.raises(ValueError, match="one-dimensional"):
        shift_segment(source.reshape(2, 50), 0.0, 10)
    with pytest.raises(ValueError, match="0 or more"):
        shift_segment(source, 0.0, -1)
    with pytest.raises(ValueError, match="finite"):
        shift_segment(source, float("nan"), 10)
    with pytest.raises(ValueError, match="beyond 500 ppm"):
        resample_drift(source, 0.0, 900.0, 10)
    with pytest.raises(ValueError, match="increasing"):
        shift_pieces(source, [(5, 0.0), (5, 1.0)], 10)
    with pytest.raises(ValueError, match="increasing"):
        shift_pieces(source, [], 10)
