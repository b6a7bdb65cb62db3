"""Sinusoids and an impulse whose resampled form is known from their formula."""

import numpy as np
import pytest
import soundfile
import soxr

from pipeline.files.audio import ChannelSource
from pipeline.files.resample import Resampler, resampled_frames

RATES = [
    (44_100, 48_000),
    (48_000, 44_100),
    (96_000, 48_000),
    (192_000, 44_100),
    (32_000, 48_000),
    (47_952, 48_000),
    (44_056, 48_000),
    (44_100, 47_999),
]
INTERPOLATED = [(44_056, 48_000), (44_100, 47_999)]


def reader(samples):
    def read(start, frames):
        out = np.zeros(frames, np.float32)
        first, last = max(start, 0), min(start + frames, len(samples))
        if first < last:
            out[first - start : last - start] = samples[first:last]
        return out

    return read


def tone(rate_hz, seconds, frequency_hz, start_s=0.0):
    time_s = np.arange(round(rate_hz * seconds)) / rate_hz + start_s
    return np.exp(2j * np.pi * frequency_hz * time_s)


@pytest.mark.parametrize(("native", "wanted"), RATES)
@pytest.mark.parametrize("frequency_hz", [100.0, 1_000.0, 10_000.0])
def test_tones_are_neither_delayed_nor_changed(native, wanted, frequency_hz):
    """Delay, gain and error against a known tone.

    Rates of the trade: within 1e-9 sample and the last bit of float32. Ratios of
    large numbers: the library interpolates its filter, within 1e-5 sample, which
    is 1e-5 * 2 pi * 10 kHz / 48 kHz = 1.3e-5 of the tone.
    """
    source = tone(native, 3.0, frequency_hz)
    parts = [
        Resampler(reader(0.5 * part), native, wanted).read(wanted, wanted)
        for part in (source.real, source.imag)
    ]
    known = tone(wanted, 1.0, frequency_hz, start_s=1.0)
    response = np.mean((parts[0] + 1j * parts[1]) * np.conj(known)) / 0.5
    delay = -np.angle(response) / (2 * np.pi * frequency_hz) * wanted
    interpolated = (native, wanted) in INTERPOLATED
    assert abs(delay) < (1e-5 if interpolated else 1e-9)
    assert abs(20 * np.log10(abs(response))) < 1e-5
    error = np.abs(parts[0] - 0.5 * known.real)
    assert error.max() < (7e-6 if interpolated else 6e-8)


@pytest.mark.parametrize(("native", "wanted"), [(44_100, 48_000), (96_000, 48_000)])
def test_an_impulse_stays_where_it_was(native, wanted):
    """A click at exactly 1 s: the filter is symmetrical about it."""
    samples = np.zeros(2 * native, np.float32)
    samples[native] = 0.9
    out = Resampler(reader(samples), native, wanted).read(wanted - 200, 401)
    assert np.argmax(np.abs(out)) == 200
    np.testing.assert_allclose(out, out[::-1], atol=2e-7)


@pytest.mark.parametrize(("native", "wanted"), RATES)
def test_any_chopping_gives_the_same_bits(native, wanted):
    samples = np.random.default_rng(8).uniform(-0.5, 0.5, native * 2)
    samples = samples.astype(np.float32)
    once = Resampler(reader(samples), native, wanted).read(-1_000, 60_000)
    other = Resampler(reader(samples), native, wanted)
    edges = [-1_000, -999, 0, 17, 5_000, 20_000, 44_444, 59_000]
    for first, last in zip(edges[:0:-1], [*edges[2:], 59_000][::-1], strict=True):
        part = other.read(first, last - first)
        np.testing.assert_array_equal(part, once[first + 1_000 : last + 1_000])


def test_blocks_leave_no_seam():
    """Against one long conversion in double precision: 3e-8, the last float bit."""
    native, wanted = 44_100, 48_000
    samples = np.random.default_rng(9).uniform(-0.5, 0.5, native * 9)
    samples = samples.astype(np.float32)
    out = Resampler(reader(samples), native, wanted).read(0, wanted * 9)
    known = soxr.resample(samples.astype(np.float64), native, wanted, quality="VHQ")
    inner = slice(1_000, -1_000)
    assert np.abs(out[inner] - known[inner]).max() < 1e-7


def test_what_lies_above_the_new_band_is_gone():
    """30 kHz cannot live at 48 kHz: at least 140 dB down, soxr's stated precision."""
    source = 0.5 * tone(96_000, 3.0, 30_000.0).real
    out = Resampler(reader(source), 96_000, 48_000).read(48_000, 48_000)
    assert np.abs(out).max() < 0.5e-7


@pytest.mark.parametrize(
    ("frames", "native", "wanted", "expected"),
    [
        (44_100, 44_100, 48_000, 48_000),
        (1, 44_100, 48_000, 2),
        (1, 96_000, 48_000, 1),
        (3, 96_000, 48_000, 2),
        (2**40, 48_000, 44_100, 2**40 * 147 // 160 + 1),
    ],
)
def test_length_covers_the_time_of_the_file(frames, native, wanted, expected):
    assert resampled_frames(frames, native, wanted) == expected


def test_files_are_delivered_at_the_wanted_rate(tmp_path):
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.5 * tone(44_100, 2.0, 1_000.0).real, 44_100, "DOUBLE")
    with ChannelSource(path, sample_rate_hz=48_000) as source:
        assert (source.native_rate_hz, source.sample_rate_hz) == (44_100, 48_000)
        assert source.frames == 96_000
        middle = source.read(40_000, 1_000)
        outside = source.read(95_990, 20)
    known = 0.5 * tone(48_000, 1_000 / 48_000, 1_000.0, 40_000 / 48_000).real
    np.testing.assert_allclose(middle, known, atol=2e-7)
    assert not outside[10:].any()


def test_a_rate_without_common_factor_stays_bounded(tmp_path):
    """1,536,000 Hz is the most a header may claim; 1,000 Hz the least."""
    path = tmp_path / "take.wav"
    soundfile.write(path, np.full(3_000, 0.5), 1_536_000 - 1)
    with ChannelSource(path, sample_rate_hz=1_000) as source:
        assert source.frames == 2
        assert source.read(0, 2).shape == (2,)
