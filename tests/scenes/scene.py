"""Scenes: a DI, a capture of it, and what is true about them by construction.

The truth is the pure delay that was put into a causal chain: every colour of
amp, cabinet and microphone is of minimum phase with its onset at zero, so
nothing else can count as latency. With drift the latency is the lag at the
first sample of the DI; with jumps it is the lag before the first of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy import signal

from . import air, pedals
from .amps import AMPS
from .arrays import Array, Spectrum
from .colours import Colour, cabinet, microphone
from .families import FAMILIES, Family
from .players import PLAYERS, Score, perform, retake
from .recordings import real_recordings

OVERSAMPLING = 4
TAIL_S = 0.5


@dataclass(frozen=True, slots=True)
class Jump:
    """At ``at_s`` of the capture everything becomes later by ``samples``."""

    at_s: float
    samples: int


@dataclass(frozen=True, slots=True)
class Truth:
    """What an estimator should find.

    ``polarity`` is None where it has no meaning (a rectifier);
    ``verdict_expected`` is "match", "refuse", "wrong rate", "varying" or
    "ambiguous"; ``bound_samples`` is the Cramer-Rao bound's standard deviation
    for the noise that was added, None where there is nothing to bound;
    ``hidden_samples`` is what cabinet and microphone do above Nyquist, which
    looks like delay to anyone who sees the file only.
    """

    latency_samples: float
    polarity: int | None
    drift_ppm: float
    jumps: tuple[Jump, ...]
    verdict_expected: str
    labels: Mapping[str, str]
    bound_samples: float | None = None
    hidden_samples: float = 0.0


@dataclass(frozen=True, slots=True)
class Scene:
    """DI and capture, float32, mono, at one rate, and the truth about them."""

    di: np.ndarray
    capture: np.ndarray
    sample_rate_hz: int
    truth: Truth


@dataclass(frozen=True, slots=True)
class Rig:
    """Pedal, amp and cabinet; the seed fixes every part value inside the amp."""

    amp: str
    gain_db: float
    seed: int
    oversampled: bool
    pedal: str | None
    cabinet: Colour
    labels: dict[str, str] = field(default_factory=dict)

    def play(self, di: Array, sample_rate_hz: int) -> Array:
        """Return what reaches the speaker, at the DI's rate."""
        rng = np.random.default_rng(self.seed)
        sound = di
        if self.pedal == "echo":
            sound, gain = pedals.echo(sound, rng, sample_rate_hz)
            self.labels["echo gain"] = f"{gain:.2f}"
        elif self.pedal == "chorus":
            sound = pedals.chorus(sound, rng, sample_rate_hz)
        elif self.pedal == "wah":
            sound = pedals.wah(sound, rng, sample_rate_hz)
        amp = AMPS[self.amp]
        if not self.oversampled:
            return amp(sound, sample_rate_hz, rng, self.gain_db)
        fast = air.resample(sound, OVERSAMPLING, 1)
        fast = amp(fast, OVERSAMPLING * sample_rate_hz, rng, self.gain_db)
        return air.resample(fast, 1, OVERSAMPLING)[: di.size]


@dataclass(frozen=True, slots=True)
class Place:
    """One microphone: its colour, distance and the room around it."""

    mic: Colour
    distance_m: float
    paths: tuple[air.Path, ...]
    room: Array | None

    def response(self, sample_rate_hz: int) -> Spectrum:
        total = self.mic.response(sample_rate_hz)
        total = total * air.paths_response(self.paths, sample_rate_hz)
        if self.room is not None:
            total = total * air.grid_response(self.room)
        return total


def draw_score(rng: np.random.Generator, family: Family) -> tuple[str, Score]:
    """Draw a player of the family and what is played."""
    name = str(rng.choice(family.players))
    length_s = float(np.exp(rng.uniform(*np.log(family.length_s))))
    return name, PLAYERS[name](rng, length_s)


def draw_rig(rng: np.random.Generator, family: Family, sample_rate_hz: int) -> Rig:
    """Draw pedal, amp, gain and cabinet of the family."""
    fast = family.oversampled
    oversampled = bool(rng.random() < 0.5) if fast is None else fast
    amp = str(rng.choice(family.amps))
    kind = str(rng.choice(family.cabinets))
    gain_db = float(rng.uniform(*family.gain_db))
    box = cabinet(kind, rng, sample_rate_hz)
    seed = int(rng.integers(2**31))
    labels = {
        "amp": amp,
        "level": _level(amp, gain_db),
        "cabinet": box.label,
        "simulation": "192 kHz" if oversampled else "base rate",
        "gain": f"{gain_db:.0f}",
    }
    return Rig(amp, gain_db, seed, oversampled, family.pedal, box, labels)


def _level(amp: str, gain_db: float) -> str:
    if amp == "linear":
        return "linear"
    return "clean" if gain_db < 15 else "edge" if gain_db < 32 else "high"


def draw_place(rng: np.random.Generator, family: Family, sample_rate_hz: int) -> Place:
    """Draw microphone, distance, floor, second speaker and room of the family."""
    kind = str(rng.choice(family.mics))
    mic = microphone(kind, rng)
    distance_m = float(rng.uniform(*family.distance_m))
    paths = [air.Path(0.0, 1.0)]
    if family.direct_to_room_db is not None:
        height_m = rng.uniform(0.25, 0.7)
        paths.append(air.floor_path(height_m, distance_m, sample_rate_hz))
    if family.fault == "two speakers":
        lag = air.flight_samples(rng.uniform(0.05, 0.5), sample_rate_hz)
        paths.append(air.Path(lag, 10 ** (rng.uniform(-12.0, -2.0) / 20)))
    if family.fault == "later louder":
        lag = rng.uniform(0.0005, 0.005) * sample_rate_hz
        paths.append(air.Path(lag, 10 ** (rng.uniform(1.0, 6.0) / 20)))
    room = None
    if family.direct_to_room_db is not None:
        room = air.room_tail(
            rng, rng.uniform(*family.direct_to_room_db), sample_rate_hz
        )
    return Place(mic, distance_m, tuple(paths), room)


def draw_di(
    rng: np.random.Generator, family: Family, sample_rate_hz: int
) -> tuple[str, Score | None, Array]:
    """Draw and perform what is played, or fetch a real recording."""
    recordings = real_recordings() if family.real else {}
    if recordings:
        name = str(rng.choice(sorted(recordings)))
        sound, rate = recordings[name]
        factor = int(np.gcd(sample_rate_hz, rate))
        sound = air.resample(sound, sample_rate_hz // factor, rate // factor)
        if sound.size < 6 * sample_rate_hz:
            sound = np.concatenate([sound, 0.7 * sound])
        level = 10 ** (rng.uniform(-12.0, -6.0) / 20)
        return name, None, sound * (level / np.max(np.abs(sound)))
    name, score = draw_score(rng, family)
    return name, score, perform(score, rng, sample_rate_hz)


def converter_delay(rng: np.random.Generator) -> float:
    """Draw an interface's round trip: 20 to 3000 samples, any fraction."""
    return float(rng.uniform(20.0, 3_000.0))


@dataclass(frozen=True, slots=True)
class Pass:
    """Captures of several microphones, recorded at the same time."""

    scenes: tuple[Scene, ...]

    def pair_delay_samples(self, a: int, b: int) -> float:
        """Return how much later microphone ``b`` hears than ``a``."""
        later = self.scenes[b].truth.latency_samples
        return later - self.scenes[a].truth.latency_samples


def cramer_rao_samples(clean: Array, noise: Array, sample_rate_hz: int) -> float:
    """Return the bound's standard deviation in samples, DI free of noise.

    var >= [2 T int_0^B (2 pi f)^2 S(f) df]^-1 with S the ratio of the spectra
    of clean capture and noise (Carter 1987 and Quazi 1981 in the form where
    one signal is free of noise, so C/(1-C) = S).
    """
    frequency_hz, wanted = signal.welch(clean, sample_rate_hz, nperseg=4096)
    _, unwanted = signal.welch(noise, sample_rate_hz, nperseg=4096)
    integrand = (2 * np.pi * frequency_hz) ** 2 * wanted / unwanted
    time_s = clean.size / sample_rate_hz
    information = 2 * time_s * np.trapezoid(integrand, frequency_hz)
    return float(sample_rate_hz / np.sqrt(information))


def family_named(name: str) -> Family:
    """Return the ranges of a family, or raise a KeyError that lists them."""
    if name not in FAMILIES:
        msg = f"no family {name!r}: one of {', '.join(FAMILIES)}"
        raise KeyError(msg)
    return FAMILIES[name]


def take_two(score: Score | None, rng: np.random.Generator, rate: int) -> Array | None:
    """Perform the same score once more, or None for a recording."""
    return None if score is None else perform(retake(score, rng), rng, rate)
