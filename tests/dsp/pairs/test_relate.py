"""Delay, polarity and response from microphone to microphone.

Authority: truth by construction (an exact delay between colours of minimum phase),
an image-source library, and properties. The bench in tests/benchmarks judges many
more scenes; here a few guard it.
"""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.pairs import relate_mics

RATE_HZ = 48_000


def noise(seed: int, seconds: float = 6.0) -> np.ndarray:
    size = int(seconds * RATE_HZ)
    x = np.random.default_rng(seed).standard_normal(size)
    x[-RATE_HZ // 2 :] = 0
    return x


def delayed(x: np.ndarray, samples: float) -> np.ndarray:
    spectrum = np.fft.rfft(x)
    ramp = np.exp(-2j * np.pi * np.arange(spectrum.size) / x.size * samples)
    return np.fft.irfft(spectrum * ramp, x.size)


@pytest.mark.parametrize("kind", ["analogue", "digital"])
def test_random_scenes(kind: str, scenes, request) -> None:
    """A sample of the bench: its goals are 0.3 sample and an interval that holds.

    Of six close and two far scenes a 95 percent interval may miss one.
    """
    played = request.getfixturevalue(kind)
    missed = 0
    for index in range(8):
        far = index >= 6
        made = scenes.scene(300 + index, played, digital=kind == "digital", far=far)
        found = relate_mics(made.a, made.b, RATE_HZ)
        assert found is not None
        error = found.delay_samples - made.delay_samples
        missed += abs(error) > found.uncertainty_samples
        assert abs(error) < (1.0 if far else 0.6)
        assert found.polarity in {made.polarity, None}
        assert found.confidence > 0.3
    assert missed <= 1


@pytest.mark.parametrize("delay", [-350.4, -3.3, 0.0, 12.25, 600.75])
@pytest.mark.parametrize("polarity", [1, -1])
def test_plain_delay_of_white_noise(delay: float, polarity: int) -> None:
    """Truth by construction: nothing but a delay is exact to 0.02 sample."""
    x = noise(1)
    rng = np.random.default_rng(2)
    hiss = 1e-3 * rng.standard_normal((2, x.size))
    found = relate_mics(x + hiss[0], polarity * delayed(x, delay) + hiss[1], RATE_HZ)
    assert found is not None
    assert found.delay_samples == pytest.approx(delay, abs=0.02)
    assert found.polarity == polarity
    assert found.confidence > 0.95
    assert found.distance_mm == pytest.approx(found.delay_samples * 7.15, rel=1e-3)


def test_a_darker_microphone_at_the_same_place_is_not_later() -> None:
    """Definition of latency: minimum-phase colours do not count as delay.

    The plain correlation peak of the same pair is more than a sample off.
    """
    x = noise(3)
    dark = signal.sosfilt(signal.butter(2, 4000, fs=RATE_HZ, output="sos"), x)
    dark += 1e-3 * np.random.default_rng(4).standard_normal(x.size)
    found = relate_mics(x, dark, RATE_HZ)
    assert found is not None
    assert abs(found.delay_samples) < 0.1
    lags = np.arange(-20, 21)
    plain = [np.dot(x[100:-100], np.roll(dark, -lag)[100:-100]) for lag in lags]
    assert abs(lags[np.argmax(plain)]) > 1


def test_exchange_of_the_microphones(scenes, analogue) -> None:
    """Property: the delay changes its sign.

    Frames start on a's time, so other frames are averaged: a hundredth of a sample.
    """
    made = scenes.scene(5, analogue, digital=False, far=True)
    forth = relate_mics(made.a, made.b, RATE_HZ)
    back = relate_mics(made.b, made.a, RATE_HZ)
    assert forth is not None
    assert back is not None
    assert forth.delay_samples == pytest.approx(-back.delay_samples, abs=0.01)
    assert forth.polarity == back.polarity


def test_gain_does_not_matter(scenes, analogue) -> None:
    made = scenes.scene(6, analogue, digital=False, far=False)
    one = relate_mics(made.a, made.b, RATE_HZ)
    other = relate_mics(made.a, np.float32(0.03) * made.b, RATE_HZ)
    assert one is not None
    assert other is not None
    assert one.delay_samples == pytest.approx(other.delay_samples, abs=1e-3)


def test_expected_range_and_quiet_mask() -> None:
    x = noise(7)
    late = delayed(x, 250.0) + 1e-3 * noise(8)
    quiet = np.zeros(x.size, dtype=bool)
    quiet[-RATE_HZ // 2 :] = True
    found = relate_mics(x, late, RATE_HZ, expected_samples=240.0, quiet=quiet)
    assert found is not None
    assert found.delay_samples == pytest.approx(250.0, abs=0.02)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_other_rates(rate_hz: int) -> None:
    x = noise(9, 12.0)
    found = relate_mics(x, delayed(x, 33.3) + 1e-3 * noise(10, 12.0), rate_hz)
    assert found is not None
    assert found.delay_samples == pytest.approx(33.3, abs=0.03)


def test_spectra_carry_the_transfer() -> None:
    """Truth by construction: |B / A| of a known filter, phase of a known delay."""
    x = noise(11)
    b, a = signal.butter(1, 3000, fs=RATE_HZ)
    y = delayed(signal.lfilter(b, a, x), 40.0)
    found = relate_mics(x, y, RATE_HZ)
    assert found is not None
    spectra = found.spectra
    assert 200 < spectra.freq_hz.size < 500
    inside = (spectra.freq_hz > 500) & (spectra.freq_hz < 10_000)
    freq_hz = spectra.freq_hz[inside]
    transfer = (spectra.cross / spectra.power_a)[inside]
    _, truth = signal.freqz(b, a, freq_hz, fs=RATE_HZ)
    truth = truth * np.exp(-2j * np.pi * freq_hz / RATE_HZ * 40.0)
    assert np.median(np.abs(transfer / truth - 1)) < 0.03


def test_nothing_in_common_is_refused() -> None:
    """Stated case: silence, two noises, a file too short give None."""
    x = noise(12)
    assert relate_mics(x, np.zeros_like(x), RATE_HZ) is None
    assert relate_mics(x, noise(13), RATE_HZ) is None
    assert relate_mics(x[:9000], x[:9000], RATE_HZ) is None
    with pytest.raises(ValueError, match="one-dimensional"):
        relate_mics(x.reshape(2, -1), x, RATE_HZ)


@pytest.mark.parametrize("level", [1.0, 2.0])
@pytest.mark.parametrize("seed", [51, 52, 53])
def test_a_room_does_not_make_a_microphone_earlier(level: float, seed: int) -> None:
    """Truth by construction: a decaying tail of noise, 4 ms behind and dull.

    It is as strong as the direct sound, and 6 dB stronger; bins in which it happens
    to add must not count for more than those in which it takes away.
    """
    rng = np.random.default_rng(seed)
    x = noise(seed)
    direct = delayed(x, 100.3)
    times = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    tail = rng.standard_normal(times.size) * 10 ** (-3 * times / 0.3)
    tail *= level / np.sqrt(np.sum(tail**2))
    late = np.roll(signal.fftconvolve(direct, tail)[: x.size], int(0.004 * RATE_HZ))
    far = direct + signal.lfilter(*signal.butter(1, 3000, fs=RATE_HZ), late)
    hiss = 0.1 * rng.standard_normal((2, x.size))
    found = relate_mics(x + hiss[0], far + hiss[1], RATE_HZ)
    assert found is not None
    assert found.delay_samples == pytest.approx(100.3, abs=0.03)
    assert found.polarity in {1, None}


def heard(x: np.ndarray, *paths: tuple[float, float]) -> np.ndarray:
    """Sum of paths, each a gain and a delay in samples; exact by construction."""
    return sum(gain * delayed(x, samples) for gain, samples in paths)


@pytest.mark.parametrize("mic", ["a", "b"])
@pytest.mark.parametrize("ratio", [1.5, -1.5, 2.5])
def test_a_path_louder_than_the_direct_one(mic: str, ratio: float) -> None:
    """Truth by construction: 36.4 samples behind the direct sound, and louder.

    Plain correlation takes the louder path for the direct one, and its sign too.
    The direct sounds are 20.3 samples apart, their sign alike.
    """
    x = noise(21, 4.0)
    behind = (ratio, 40.0 + 36.4)
    a = heard(x, (1.0, 40.0), *([behind] if mic == "a" else []))
    b = heard(x, (1.0, 60.3), *([(ratio, 60.3 + 36.4)] if mic == "b" else []))
    hiss = 1e-3 * np.random.default_rng(22).standard_normal((2, x.size))
    found = relate_mics(a + hiss[0], b + hiss[1], RATE_HZ)
    assert found is not None
    assert found.delay_samples == pytest.approx(20.3, abs=0.1)
    assert found.polarity == 1
    assert found.echo is not None
    assert found.echo.mic == mic
    assert found.echo.delay_samples == pytest.approx(36.4, abs=0.5)
    assert found.echo.level_db == pytest.approx(20 * np.log10(abs(ratio)), abs=0.5)


def test_a_floor_as_loud_as_the_direct_sound(scenes, analogue) -> None:
    """A distant microphone in a room, over a floor: the direct sound is timed."""
    made = scenes.scene(71_030, analogue, digital=False, far=True)
    found = relate_mics(made.a, made.b, RATE_HZ)
    assert found is not None
    assert found.polarity == made.polarity
    assert found.delay_samples == pytest.approx(made.delay_samples, abs=0.3)


def test_no_louder_path_is_invented(scenes, analogue) -> None:
    """Close microphones hear no floor as loud as the direct sound."""
    for seed in (300, 301):
        made = scenes.scene(seed, analogue, digital=False, far=False)
        found = relate_mics(made.a, made.b, RATE_HZ)
        assert found is not None
        assert found.echo is None or found.echo.level_db < 0.0


@pytest.mark.parametrize(
    ("height_m", "far_m", "absorption"), [(0.45, 0.64, 0.4), (0.3, 1.6, 0.05)]
)
def test_against_an_image_source_library(
    height_m: float, far_m: float, absorption: float
) -> None:
    """pyroomacoustics: every path carries the same constant, which cancels.

    White noise at two microphones over a reflecting floor, 180 mm and farther away;
    the truth is the difference of the direct ways over the library's speed of sound,
    and the floor's image is 7 and 0.8 dB below the direct sound at the far one. The
    library filters its images, hence half a sample and half a decibel.
    """
    import pyroomacoustics as pra

    dead = pra.Material(1.0)
    walls = dict.fromkeys(["east", "west", "north", "south", "ceiling"], dead)
    room = pra.ShoeBox(
        [9, 8, 6],
        fs=RATE_HZ,
        max_order=1,
        materials=walls | {"floor": pra.Material(absorption)},
    )
    room.add_source([4, 4, height_m], signal=noise(14, 5.0))
    ways = (0.18, far_m)
    places = np.array([[4 + way, 4, height_m] for way in ways]).T
    room.add_microphone_array(places)
    room.simulate()
    signals = room.mic_array.signals
    found = relate_mics(signals[0], signals[1], RATE_HZ)
    samples_a_metre = RATE_HZ / pra.constants.get("c")
    truth = (ways[1] - ways[0]) * samples_a_metre
    assert found is not None
    assert found.polarity == 1
    assert found.delay_samples == pytest.approx(truth, abs=0.1)
    assert abs(found.delay_samples - truth) <= found.uncertainty_samples
    image_m = np.hypot(far_m, 2 * height_m)
    level = far_m / image_m * np.sqrt(1 - absorption)
    assert found.echo is not None
    assert found.echo.mic == "b"
    assert found.echo.delay_samples == pytest.approx(
        (image_m - far_m) * samples_a_metre, abs=0.5
    )
    assert found.echo.level_db == pytest.approx(20 * np.log10(level), abs=0.5)
