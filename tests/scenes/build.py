"""Recording a scene: from what leaves the amp to the file, faults and all."""

from dataclasses import dataclass, replace

import numpy as np

from . import air, faults
from .arrays import Array, Spectrum
from .colours import hidden_delay
from .families import Family
from .players import perform
from .scene import (
    TAIL_S,
    Jump,
    Scene,
    Truth,
    converter_delay,
    cramer_rao_samples,
    draw_di,
    draw_place,
    draw_rig,
    draw_score,
    family_named,
    take_two,
)

SMALLEST_JUMP = 8
LARGEST_JUMP = 480


@dataclass(slots=True)
class Tape:
    """A capture while it is being made; ``truth`` fields grow with the faults."""

    sound: Array
    rate: int
    latency: float
    polarity: int | None = 1
    drift_ppm: float = 0.0
    jumps: tuple[Jump, ...] = ()
    verdict: str = "match"
    bound: float | None = None
    hidden: float = 0.0


def random_scene(
    rng: np.random.Generator,
    *,
    family: str,
    player: str | None = None,
    length_s: float | None = None,
) -> Scene:
    """Draw one scene of a family (see ``families.FAMILIES``).

    ``player`` and ``length_s`` fix who plays and for how long; the rest is
    drawn. Raises KeyError for a family or player that does not exist.
    """
    ranges = family_named(family)
    if player is not None:
        ranges = replace(ranges, players=(player,), real=False)
    if length_s is not None:
        ranges = replace(ranges, length_s=(length_s, length_s))
    rate = int(rng.choice(ranges.rates_hz))
    rig = draw_rig(rng, ranges, rate)
    place = draw_place(rng, ranges, rate)
    name, score, di = draw_di(rng, ranges, rate)
    delay = converter_delay(rng) + air.flight_samples(place.distance_m, rate)
    if ranges.fault == "offset":
        delay += rate * float(rng.choice([rng.uniform(-3, 0), rng.uniform(0, 120)]))
    response = rig.cabinet.response(rate) * place.response(rate)
    tape = recorded(rng, ranges, rig.play(di, rate), (response, delay, rate))
    colour = rig.cabinet.response(rate) * place.mic.response(rate)
    tape.hidden = hidden_delay(colour)
    if rig.amp == "octave":
        tape.polarity = None
    if ranges.fault == "other take":
        other = take_two(score, rng, rate)
        di = di if other is None else other
    elif ranges.fault == "other riff":
        _, score = draw_score(rng, ranges)
        di = perform(score, rng, rate)
    _spoil(rng, ranges, tape, di)
    labels = rig.labels | {"family": family, "player": name, "mic": place.mic.label}
    labels["noise"] = _noise_label(ranges)
    return finished(rng, tape, di, labels)


def _noise_label(ranges: Family) -> str:
    return "loud" if ranges.noise_db[0] >= -45 else "usual"


def recorded(
    rng: np.random.Generator,
    ranges: Family,
    played: Array,
    line: tuple[Spectrum, float, int],
) -> Tape:
    """Send what was played through response and delay, and add noise and hum."""
    response, delay, rate = line
    frames = max(rate, played.size + round(delay + TAIL_S * rate))
    clean = air.propagate(played, response, delay, frames)
    clean *= 10 ** (rng.uniform(-12.0, -3.0) / 20) / np.max(np.abs(clean))
    level = float(np.sqrt(np.mean(clean[clean != 0] ** 2)))
    noise = faults.hiss(rng, frames, rate)
    noise *= level * 10 ** (rng.uniform(*ranges.noise_db) / 20)
    if ranges.hum_db is not None:
        mains = faults.hum(rng, frames, rate)
        noise += mains * level * 10 ** (rng.uniform(*ranges.hum_db) / 20)
    tape = Tape(clean + noise, rate, delay)
    tape.bound = cramer_rao_samples(clean, noise, rate)
    return tape


def _spoil(rng: np.random.Generator, ranges: Family, tape: Tape, di: Array) -> None:
    """Apply the family's fault to the tape and to its truth."""
    fault = ranges.fault or ""
    level = float(np.sqrt(np.mean(tape.sound**2)))
    frames = tape.sound.size
    if "drift" in fault:
        tape.drift_ppm = float(rng.uniform(2, 80) * rng.choice([-1, 1]))
        tape.sound = faults.drift(tape.sound, tape.drift_ppm)
        tape.latency *= 1 + tape.drift_ppm * 1e-6
    if "jumps" in fault:
        _jump(rng, tape)
    if fault in ("hum only", "hiss only", "silence"):
        tape.sound = _nothing(rng, fault, frames, tape.rate) * level
    if fault in ("other take", "other riff", "hum only", "hiss only", "silence"):
        tape.verdict = "refuse"
    _SPOILERS.get(fault, _untouched)(rng, tape, di)


def _untouched(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    del rng, tape, di


def _bled(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    """Let direct monitoring leak in, quieter and earlier than the amp."""
    early = air.place(di, int(rng.integers(0, 65)), tape.sound.size)
    ratio = np.sqrt(np.mean(tape.sound**2) / np.mean(early**2))
    tape.sound += early * ratio * 10 ** (rng.uniform(-35.0, -20.0) / 20)


def _overloaded(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    del di
    tape.sound = faults.clip(tape.sound, rng.uniform(0.3, 0.8))


def _gated(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    del di
    tape.sound = faults.gate(tape.sound, tape.rate, rng.uniform(-35.0, -20.0))


def _cut(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    """Start late, stop early, or both, by up to a third of the length."""
    del di
    frames = tape.sound.size
    first = round(frames * rng.uniform(0.0, 0.33)) if rng.random() < 0.7 else 0
    last = frames - round(frames * rng.uniform(0.05, 0.33))
    tape.sound = tape.sound[first:last].copy()
    tape.latency -= first


def _wowed(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    del di
    tape.sound = faults.wow(tape.sound, rng, tape.rate)
    tape.verdict = "varying"


def _misread(rng: np.random.Generator, tape: Tape, di: Array) -> None:
    """Play a 44.1 kHz file as 48 kHz, or the other way round."""
    del di
    up, down = (147, 160) if rng.random() < 0.5 else (160, 147)
    tape.sound = air.resample(tape.sound, up, down)
    tape.latency *= up / down
    tape.verdict = "wrong rate"


_SPOILERS = {
    "bleed": _bled,
    "clipped": _overloaded,
    "gated": _gated,
    "cut": _cut,
    "wow": _wowed,
    "wrong rate": _misread,
}


def _nothing(rng: np.random.Generator, fault: str, frames: int, rate: int) -> Array:
    if fault == "hum only":
        noise = 0.05 * faults.hiss(rng, frames, rate)
        return np.asarray(faults.hum(rng, frames, rate) + noise)
    if fault == "hiss only":
        return faults.hiss(rng, frames, rate)
    return np.zeros(frames)


def _jump(rng: np.random.Generator, tape: Tape) -> None:
    """Put one or two jumps of 8 to 480 samples at least 3 s from each other."""
    length_s = tape.sound.size / tape.rate
    first_s = rng.uniform(3.0, length_s / 2 - 1.5)
    times_s = [first_s]
    if rng.random() < 0.5:
        times_s.append(rng.uniform(length_s / 2 + 1.5, length_s - 3.0))
    jumps = []
    for at_s in times_s:
        size = round(np.exp(rng.uniform(*np.log([SMALLEST_JUMP, LARGEST_JUMP]))))
        samples = int(size * rng.choice([-1, 1]))
        at = round(at_s * tape.rate)
        tape.sound = faults.jump(tape.sound, at, samples)
        jumps.append(Jump(at / tape.rate, samples))
    tape.jumps = tuple(jumps)


def finished(
    rng: np.random.Generator, tape: Tape, di: Array, labels: dict[str, str]
) -> Scene:
    """Flip the polarity or not, quantise, and state the truth."""
    sign = int(rng.choice([-1, 1]))
    polarity = None if tape.polarity is None else sign
    peak = max(1.0, float(np.max(np.abs(tape.sound))) / 0.99)
    sound = faults.quantised(sign * tape.sound / peak, rng, int(rng.choice([16, 24])))
    if labels["family"] == "silence":
        sound *= 0.0
    truth = Truth(
        tape.latency,
        polarity,
        tape.drift_ppm,
        tape.jumps,
        tape.verdict,
        labels,
        tape.bound,
        tape.hidden,
    )
    return Scene(di.astype(np.float32), sound.astype(np.float32), tape.rate, truth)
