"""Two microphones of one pass, made with a known difference of flight.

Everything after the amplifier is linear, so a scene is the amplifier's output
times two responses. In an "analogue" scene the amplifier runs at 192 kHz and the
responses are those of analogue circuits, evaluated exactly at each frequency, with
an exact delay. In a "digital" scene all of it runs at 48 kHz with bilinear filters.
The truth is the difference of the two flights and nothing else: every colour is of
minimum phase with its onset at zero.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import combinations

import numpy as np
from scipy import signal

RATE_HZ = 48_000
SOUND_M_S = 343.2
OVERSAMPLING = 4


@dataclass(frozen=True)
class Scene:
    """Two captures and the truth about them; b against a, positive = b later."""

    a: np.ndarray
    b: np.ndarray
    delay_samples: float
    polarity: int
    facts: dict[str, object] = field(default_factory=dict)


def plucked_string(
    rng: np.random.Generator, pitch_hz: float, seconds: float, brightness: float
) -> np.ndarray:
    """Karplus and Strong (1983): a noise burst in a loop with a two-point mean."""
    period = round(RATE_HZ / pitch_hz)
    burst = np.zeros(int(seconds * RATE_HZ))
    burst[:period] = signal.lfilter(
        [brightness], [1, brightness - 1], rng.uniform(-1, 1, period)
    )
    feedback = np.zeros(period + 2)
    feedback[0] = 1.0
    loss = 10 ** (-3 * period / (RATE_HZ * rng.uniform(0.5, 4)))
    feedback[period : period + 2] = -0.5 * loss
    note = signal.lfilter([1.0], feedback, burst)
    pick_point = max(1, round(period * rng.uniform(0.08, 0.3)))
    note[pick_point:] -= 0.9 * note[:-pick_point]
    note[-200:] *= np.linspace(1, 0, 200)
    return note


def play(
    rng: np.random.Generator, seconds: float, brightness: float, notes_per_s: float
) -> np.ndarray:
    """A dry performance with a second of rest at its end."""
    di = np.zeros(int(seconds * RATE_HZ))
    time = 0.3
    while time < seconds - 2.2:
        for pitch in rng.choice([82.4, 110, 123.5, 164.8, 220, 247, 330], 2):
            length = min(rng.uniform(0.15, 1.2), seconds - 1.0 - time)
            note = plucked_string(rng, pitch, length, brightness)
            start = int(time * RATE_HZ)
            di[start : start + note.size] += rng.uniform(0.4, 1) * note
        time += rng.exponential(1 / notes_per_s) + 0.05
    return di / np.max(np.abs(di))


def amplify(di: np.ndarray, gain_db: float, rate_hz: int) -> np.ndarray:
    """Two clipping stages with a coupling high-pass between them."""
    sos = signal.butter(1, [90, 9000], "bandpass", fs=rate_hz, output="sos")
    drive = 10 ** (gain_db / 20)
    first = np.tanh(drive * signal.sosfilt(sos, di) + 0.2) - np.tanh(0.2)
    return np.tanh(2 * signal.sosfilt(sos, first))


def source(di: np.ndarray, gain_db: float, *, digital: bool) -> np.ndarray:
    """Spectrum of the amplifier's output below 24 kHz, on the bins of `di`."""
    if digital:
        return np.fft.rfft(amplify(di, gain_db, RATE_HZ))
    rate = OVERSAMPLING * RATE_HZ
    bins = np.fft.rfft(di)
    fine = np.zeros(OVERSAMPLING * di.size // 2 + 1, dtype=complex)
    fine[: bins.size] = bins * OVERSAMPLING
    out = amplify(np.fft.irfft(fine, OVERSAMPLING * di.size), gain_db, rate)
    converter = 1 / (
        1 + np.exp((np.arange(bins.size) * RATE_HZ / di.size - 22e3) / 300)
    )
    return np.fft.rfft(out)[: bins.size] / OVERSAMPLING * converter


class Colour:
    """A product of minimum-phase sections, analogue or bilinear."""

    def __init__(self, frequency_hz: np.ndarray, *, digital: bool) -> None:
        angle = np.pi * frequency_hz / RATE_HZ
        self._warp_hz = (
            RATE_HZ / np.pi * np.tan(np.minimum(angle, np.pi / 2 - 1e-6))
            if digital
            else frequency_hz
        )
        self._digital = digital
        self.response = np.ones(frequency_hz.size, dtype=complex)

    def _s(self, corner_hz: float) -> np.ndarray:
        if self._digital:
            limited = min(corner_hz, 0.47 * RATE_HZ)
            corner_hz = RATE_HZ / np.pi * np.tan(np.pi * limited / RATE_HZ)
        return 1j * self._warp_hz / corner_hz

    def low_pass(self, corner_hz: float, order: int, floor_db: float = -300) -> None:
        """Butterworth; the floor turns each order round at its own zero."""
        total = np.ones(self.response.size, dtype=complex)
        floor = 10 ** (floor_db / 20 / order)
        s = self._s(corner_hz)
        for pole in signal.buttap(order)[1]:
            total *= (1 + floor * s) / (1 - s / pole)
        self.response *= total

    def high_pass(self, corner_hz: float, order: int) -> None:
        s = self._s(corner_hz)
        for pole in signal.buttap(order)[1]:
            self.response *= s / (s - pole)

    def bell(self, centre_hz: float, gain_db: float, q: float) -> None:
        s = self._s(centre_hz)
        root = 10 ** (gain_db / 40)
        self.response *= (1 + s * root / q + s * s) / (1 + s / (root * q) + s * s)

    def shelf(self, corner_hz: float, gain_db: float) -> None:
        """First order, from 0 dB below to `gain_db` above."""
        s = self._s(corner_hz)
        root = 10 ** (gain_db / 40)
        self.response *= (1 + s * root) / (1 + s / root)


def speaker(colour: Colour, rng: np.random.Generator) -> None:
    """What both microphones hear of the cabinet."""
    colour.high_pass(rng.uniform(60, 130), 2)
    colour.low_pass(
        rng.uniform(3000, 8500), int(rng.integers(2, 8)), rng.uniform(-80, -35)
    )
    for _ in range(4):
        colour.bell(rng.uniform(300, 6000), rng.uniform(-8, 8), rng.uniform(1, 6))


def place(colour: Colour, rng: np.random.Generator) -> None:
    """What the place on the cone adds, different for each microphone."""
    colour.shelf(rng.uniform(1500, 5000), rng.uniform(-9, 3))
    for _ in range(3):
        colour.bell(rng.uniform(400, 9000), rng.uniform(-5, 5), rng.uniform(1, 5))


def microphone(colour: Colour, rng: np.random.Generator, kind: str) -> None:
    if kind == "dynamic":
        colour.high_pass(rng.uniform(50, 150), 1)
        colour.bell(rng.uniform(4000, 7000), rng.uniform(3, 8), rng.uniform(0.7, 1.5))
        colour.low_pass(rng.uniform(12e3, 17e3), 2)
    elif kind == "ribbon":
        colour.shelf(rng.uniform(60, 300), -rng.uniform(3, 12))
        colour.low_pass(rng.uniform(8e3, 15e3), int(rng.integers(1, 3)))
    else:
        colour.high_pass(rng.uniform(10, 40), 1)
        colour.bell(rng.uniform(8e3, 12e3), rng.uniform(0, 5), rng.uniform(0.7, 1.5))
        colour.low_pass(rng.uniform(18e3, 28e3), int(rng.integers(1, 3)))


def room(
    rng: np.random.Generator, frequency_hz: np.ndarray, distance_m: float, reach: float
) -> np.ndarray:
    """Direct sound = 1, a floor image, and a dense tail `reach` dB below at 1 m."""
    height = rng.uniform(0.25, 0.7)
    image_m = np.hypot(distance_m, 2 * height)
    omega = 2j * np.pi * frequency_hz
    dull = 1 / (1 + 1j * frequency_hz / rng.uniform(1500, 6000))
    out = 1 + 0j * omega
    floor = 10 ** (reach / 20) * distance_m / image_m
    out += (
        min(1.0, 3 * floor) * dull * np.exp(-omega * (image_m - distance_m) / SOUND_M_S)
    )
    size = 2 * (frequency_hz.size - 1)
    length = int(0.35 * RATE_HZ)
    onset = int(rng.uniform(0.002, 0.006) * RATE_HZ)
    tail = np.zeros(size)
    decay = 10 ** (-3 * np.arange(length) / (rng.uniform(0.15, 0.5) * RATE_HZ))
    burst = rng.standard_normal(length) * decay
    tail[onset : onset + length] = burst / np.sqrt(np.sum(burst**2))
    level = 10 ** (reach / 20) * distance_m
    return out + level * dull * np.fft.rfft(tail)


def mains_hum(rng: np.random.Generator, size: int) -> np.ndarray:
    times = np.arange(size) / RATE_HZ
    partials = [50 * k for k in range(1, 8)]
    return sum(
        rng.uniform(0.1, 1) * np.sin(2 * np.pi * f * times + rng.uniform(0, 6))
        for f in partials
    )


@dataclass(frozen=True)
class Performance:
    """What all microphones of one pass share."""

    played: np.ndarray
    cabinet: Colour
    digital: bool
    reach_db: float
    noise_db: float


def record(
    rng: np.random.Generator,
    performance: Performance,
    distance_m: float,
    hear: Callable[[Colour], None],
) -> np.ndarray:
    """One capture; `hear` colours it as its microphone does."""
    size = 2 * (performance.played.size - 1)
    frequency_hz = np.arange(performance.played.size) * RATE_HZ / size
    colour = Colour(frequency_hz, digital=performance.digital)
    place(colour, rng)
    hear(colour)
    response = performance.cabinet.response * colour.response
    response *= room(rng, frequency_hz, distance_m, performance.reach_db)
    flight = distance_m / SOUND_M_S * RATE_HZ + 40
    ramp = np.exp(-2j * np.pi * frequency_hz / RATE_HZ * flight)
    sound = np.fft.irfft(performance.played * response * ramp, size)
    sound /= np.sqrt(np.mean(sound**2))
    hiss = rng.standard_normal(size)
    if rng.uniform() < 0.5:
        hiss = signal.lfilter([0.2], [1, -0.8], hiss)
    hiss += rng.choice([0, 1]) * mains_hum(rng, size)
    sound += 10 ** (performance.noise_db / 20) * hiss
    return (0.1 * sound).astype(np.float32)


def scene(
    seed: int, sources: list[np.ndarray], *, digital: bool, far: bool | None = None
) -> Scene:
    """Draw one scene; `sources` are spectra of amplifiers of the same kind."""
    rng = np.random.default_rng(seed)
    played = sources[int(rng.integers(len(sources)))]
    size = 2 * (played.size - 1)
    frequency_hz = np.arange(played.size) * RATE_HZ / size
    cabinet = Colour(frequency_hz, digital=digital)
    speaker(cabinet, rng)
    kinds = rng.choice(["dynamic", "ribbon", "condenser"], 2)
    far = bool(rng.uniform() < 0.25) if far is None else far
    first_m = rng.uniform(0.02, 0.15)
    second_m = rng.uniform(0.5, 3.0) if far else first_m + rng.uniform(-0.08, 0.08)
    distances = [first_m, max(0.01, second_m)]
    polarity = int(rng.choice([-1, 1]))
    reach = rng.uniform(-20, 3)
    noise_db = rng.uniform(-85, -40)
    performance = Performance(played, cabinet, digital, reach, noise_db)
    captures = [
        record(rng, performance, distance, partial(microphone, rng=rng, kind=str(kind)))
        for distance, kind in zip(distances, kinds, strict=True)
    ]
    facts = {
        "kinds": "-".join(sorted(map(str, kinds))),
        "far": far,
        "noise_db": round(float(noise_db)),
        "reach_db": round(float(reach)),
        "digital": digital,
        "distances_m": tuple(round(float(d), 3) for d in distances),
    }
    delay = (distances[1] - distances[0]) / SOUND_M_S * RATE_HZ
    return Scene(captures[0], polarity * captures[1], float(delay), polarity, facts)


def night(
    seed: int, sources: list[np.ndarray], *, digital: bool, passes: int = 4
) -> list[Scene]:
    """Draw all pairs of some passes of three microphones, the same in every pass."""
    rng = np.random.default_rng(seed)
    kinds = rng.choice(["dynamic", "ribbon", "condenser"], 3)
    seeds = rng.integers(1 << 31, size=3)
    noise_db = rng.uniform(-80, -45)
    pairs = []
    for _ in range(passes):
        played = sources[int(rng.integers(len(sources)))]
        frequency_hz = np.arange(played.size) * RATE_HZ / (2 * (played.size - 1))
        cabinet = Colour(frequency_hz, digital=digital)
        speaker(cabinet, rng)
        performance = Performance(
            played, cabinet, digital, rng.uniform(-20, 3), noise_db
        )
        distances = rng.uniform(0.02, 0.15, 3)
        captures = [
            record(
                rng,
                performance,
                distance,
                partial(microphone, rng=np.random.default_rng(mic), kind=str(kind)),
            )
            for distance, mic, kind in zip(distances, seeds, kinds, strict=True)
        ]
        for first, second in combinations(range(3), 2):
            way = distances[second] - distances[first]
            delay = float(way / SOUND_M_S * RATE_HZ)
            pairs.append(Scene(captures[first], captures[second], delay, 1))
    return pairs


def sources(
    seed: int, *, digital: bool, seconds: float = 12.0, count: int = 8
) -> list[np.ndarray]:
    """Draw amplifier outputs from clean to high gain, bright to dull players."""
    rng = np.random.default_rng(seed)
    gains_db = np.linspace(0, 50, count)
    drawn = []
    for gain_db in gains_db:
        di = play(rng, seconds, rng.uniform(0.15, 0.95), rng.uniform(1.5, 6))
        drawn.append(source(di, float(gain_db), digital=digital))
    return drawn
