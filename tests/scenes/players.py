"""What is played: scores of notes and two ways of making strings sound.

A score is a plain tuple of notes, so that the same riff can be played twice: a
second take moves every note by a few milliseconds, changes how hard it is hit
and draws new plectrum noise. Amplitudes are linear, times in seconds.

Strings are either plucked delay loops (Karplus and Strong 1983) or sums of
inharmonic partials, f_n = n f0 sqrt(1 + B n^2). Both pass a pickup: a comb for
its place under the string and a resonant 12 dB/octave low-pass at 2 to 5 kHz.
Ranges of parameters are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from .arrays import Array

A4_HZ = 440.0
RELEASE_S = 0.012


@dataclass(frozen=True, slots=True)
class Note:
    """One plucked string: onset and length in s, pitch as a MIDI number.

    ``mute`` is 0 for an open string and 1 for a tight palm mute; ``bend`` is
    a slide over the note in semitones; ``vibrato`` a depth in semitones.
    """

    onset_s: float
    pitch: float
    length_s: float
    velocity: float = 1.0
    mute: float = 0.0
    bend: float = 0.0
    vibrato: float = 0.0


@dataclass(frozen=True, slots=True)
class Instrument:
    """How the strings sound: ``additive`` or plucked loop, and the pickup."""

    additive: bool
    plectrum_hz: float
    pickup_hz: float
    pickup_q: float
    pickup_place: float
    exact: bool = False


@dataclass(frozen=True, slots=True)
class Score:
    """A riff: its notes, the instrument and the length in s."""

    notes: tuple[Note, ...]
    instrument: Instrument
    length_s: float


def retake(score: Score, rng: np.random.Generator) -> Score:
    """Play the same riff again: 4 to 6 ms of timing jitter, other strokes."""
    jitter_s = rng.uniform(0.004, 0.006)
    notes = tuple(
        replace(
            note,
            onset_s=max(0.0, note.onset_s + rng.normal(0.0, jitter_s)),
            velocity=note.velocity * 10 ** (rng.normal(0.0, 1.5) / 20),
            pitch=note.pitch + rng.normal(0.0, 0.03),
        )
        for note in score.notes
    )
    return replace(
        score, notes=notes, instrument=replace(score.instrument, exact=False)
    )


def perform(score: Score, rng: np.random.Generator, sample_rate_hz: int) -> Array:
    """Return the score as a DI, float64, peaks at -12 to -6 dBFS, 16 or 24 bit."""
    frames = round(score.length_s * sample_rate_hz)
    sound = np.zeros(frames + 4 * sample_rate_hz)
    strike_seed = int(rng.integers(2**31))
    for note in score.notes:
        if score.instrument.exact:
            rng = np.random.default_rng([strike_seed, round(100 * note.pitch)])
        voice = _string(note, score.instrument, rng, sample_rate_hz)
        start = round(note.onset_s * sample_rate_hz)
        sound[start : start + voice.size] += voice[: sound.size - start]
    sound = _pickup(sound[:frames], score.instrument, sample_rate_hz)
    sound *= 10 ** (rng.uniform(-12.0, -6.0) / 20) / np.max(np.abs(sound))
    # The interface's own noise: between a poor 16-bit and a good 24-bit floor.
    sound += rng.normal(0.0, 10 ** (rng.uniform(-115.0, -85.0) / 20), frames)
    bits = int(rng.choice([16, 24]))
    step = 2.0 ** (1 - bits)
    dither = rng.uniform(-0.5, 0.5, frames) + rng.uniform(-0.5, 0.5, frames)
    return np.round(sound / step + dither) * step


def _pitch_hz(pitch: float) -> float:
    return float(A4_HZ * 2 ** ((pitch - 69) / 12))


def _string(
    note: Note, instrument: Instrument, rng: np.random.Generator, rate: int
) -> Array:
    frames = max(64, round(note.length_s * rate))
    if instrument.additive or note.bend or note.vibrato:
        voice = _partials(note, instrument, rng, np.arange(frames) / rate)
    else:
        voice = _loop(note, instrument, rng, (frames, rate))
    release = max(8, min(frames // 2, round(RELEASE_S * rate)))
    voice[-release:] *= np.cos(np.linspace(0.0, np.pi / 2, release)) ** 2
    return note.velocity * voice


def _loop(
    note: Note, instrument: Instrument, rng: np.random.Generator, shape: tuple[int, int]
) -> Array:
    """Pluck a delay loop whose length and loss carry the pitch and the mute."""
    frames, rate = shape
    period = rate / _pitch_hz(note.pitch)
    damping = rng.uniform(0.05, 0.5) if note.mute == 0 else 0.5
    whole = int(period - damping)
    fraction = period - damping - whole
    taps = np.convolve([1 - fraction, fraction], [1 - damping, damping])
    decay_s = (3.0 - 2.8 * note.mute) * (110 / _pitch_hz(note.pitch)) ** 0.4
    taps *= 10 ** (-3 * period / rate / decay_s)
    loop = rng.uniform(-1.0, 1.0, whole)
    corner_hz = instrument.plectrum_hz * note.velocity**0.5 * (1 - 0.6 * note.mute)
    b, a = signal.butter(1, min(corner_hz, 0.45 * rate), fs=rate)
    loop = signal.lfilter(b, a, np.tile(loop, 3))[-whole:]
    place = max(1, round(whole * rng.uniform(0.08, 0.25)))
    loop = loop - np.roll(loop, place)
    loop -= loop.mean()
    loop /= np.sqrt(np.mean(loop**2))
    blocks = [loop]
    tail = np.concatenate([np.zeros(2), loop])
    for _ in range(frames // whole):
        block = taps[0] * tail[2:] + taps[1] * tail[1:-1] + taps[2] * tail[:-2]
        blocks.append(block)
        tail = np.concatenate([tail[-2:], block])
    return np.concatenate(blocks)[:frames]


def _partials(
    note: Note, instrument: Instrument, rng: np.random.Generator, time_s: Array
) -> Array:
    """Sum inharmonic partials, their phase following slide and vibrato."""
    base_hz = _pitch_hz(note.pitch)
    length_s = note.length_s
    travel = np.clip((time_s - 0.15 * length_s) / (0.4 * length_s), 0.0, 1.0)
    swing = np.sin(2 * np.pi * 5.5 * time_s) * np.clip(time_s / 0.25, 0.0, 1.0)
    semitones = note.bend * travel + note.vibrato * swing
    step_s = time_s[1] - time_s[0]
    phase = 2 * np.pi * base_hz * np.cumsum(2 ** (semitones / 12)) * step_s
    stiffness = rng.uniform(3e-5, 2e-4)
    pluck = rng.uniform(0.08, 0.3)
    top = min(48, int(11_000 / base_hz))
    voice = np.zeros(time_s.size)
    for n in range(1, top + 1):
        ratio = n * np.sqrt(1 + stiffness * n * n)
        brightness = 1 / np.sqrt(1 + (n * base_hz / instrument.plectrum_hz) ** 2)
        level = abs(np.sin(n * np.pi * pluck)) / n * brightness
        decay_s = (2.5 - 2.35 * note.mute) / (1 + 0.3 * n)
        shift = rng.uniform(0, 2 * np.pi)
        # Beyond 1.6 decay times a partial is 96 dB down: not worth its sines.
        heard = time_s[: int(1.6 * decay_s / step_s)]
        tone = np.sin(ratio * phase[: heard.size] + shift)
        voice[: heard.size] += level * np.exp(-6.9 * heard / decay_s) * tone
    attack = rng.normal(0.0, 0.3, time_s.size) * np.exp(-time_s / 0.0015)
    voice += attack
    voice *= 1 - np.exp(-time_s / 0.0004)
    voice /= np.sqrt(np.mean(voice[: voice.size // 2] ** 2) + 1e-12)
    return voice


def _pickup(sound: Array, instrument: Instrument, rate: int) -> Array:
    """Comb of the pickup's place, then its resonance (12 dB/octave above)."""
    lag = max(1, round(instrument.pickup_place * rate / 110))
    sound = sound.copy()
    sound[lag:] -= 0.6 * sound[:-lag]
    w0 = 2 * np.pi * instrument.pickup_hz
    b, a = signal.bilinear([w0**2], [1, w0 / instrument.pickup_q, w0**2], rate)
    sound = signal.lfilter(b, a, sound)
    b, a = signal.butter(1, 25.0, "highpass", fs=rate)
    return np.asarray(signal.lfilter(b, a, sound))


def _instrument(
    rng: np.random.Generator, plectrum_hz: float, **fixed: bool
) -> Instrument:
    return Instrument(
        additive=fixed.get("additive", False),
        plectrum_hz=plectrum_hz * rng.uniform(0.8, 1.25),
        pickup_hz=rng.uniform(2_000.0, 5_000.0),
        pickup_q=rng.uniform(0.8, 3.5),
        pickup_place=rng.uniform(0.04, 0.2),
        exact=fixed.get("exact", False),
    )


def _eighths(
    rng: np.random.Generator, length_s: float, root: int, mute: float
) -> tuple[Note, ...]:
    """Return a riff in eighths on a minor scale: fifths, rests and mutes."""
    beat_s = 60 / rng.uniform(90.0, 160.0) / 2
    pattern = rng.choice([0, 0, 0, 3, 5, 7, 10, 12], 16)
    notes: list[Note] = []
    for k, onset_s in enumerate(np.arange(0.3, length_s - 1.0, beat_s)):
        if rng.random() < 0.12:
            continue
        at_s = max(0.0, onset_s + rng.normal(0.0, 0.004))
        muted = mute if rng.random() < 0.75 else 0.0
        hold_s = beat_s * (0.95 if muted else rng.uniform(0.9, 2.0))
        hard = 10 ** (rng.normal(0.0, 2.0) / 20)
        pitch = root + int(pattern[k % 16])
        notes.append(Note(at_s, pitch, hold_s, hard, muted))
        if not muted and rng.random() < 0.6:
            notes.append(Note(at_s + 0.003, pitch + 7, hold_s, 0.8 * hard))
    return tuple(notes)


def _bright_riff(rng: np.random.Generator, length_s: float) -> Score:
    return Score(_eighths(rng, length_s, 40, 0.5), _instrument(rng, 9_000), length_s)


def _dull_riff(rng: np.random.Generator, length_s: float) -> Score:
    return Score(_eighths(rng, length_s, 45, 0.3), _instrument(rng, 1_500), length_s)


def _palm_mutes(rng: np.random.Generator, length_s: float) -> Score:
    return Score(_eighths(rng, length_s, 38, 0.95), _instrument(rng, 5_000), length_s)


def _machine_chug(rng: np.random.Generator, length_s: float) -> Score:
    """Return a chug cut and pasted on a grid: every stroke is bit-identical."""
    step_s = 60 / float(rng.integers(100, 160)) / 4
    hits = np.arange(0.5, length_s - 1.0, step_s)
    notes = tuple(Note(float(t), 40, 0.9 * step_s, 1.0, 0.9) for t in hits)
    last = Note(float(hits[-1] + step_s), 40, 0.8, 1.0, 0.0)
    return Score((*notes, last), _instrument(rng, 5_000, exact=True), length_s)


def _lead(rng: np.random.Generator, length_s: float) -> Score:
    scale = np.array([0, 3, 5, 7, 10, 12, 15, 17, 19])
    notes: list[Note] = []
    now_s = 0.4
    while now_s < length_s - 1.5:
        hold_s = float(rng.choice([0.25, 0.4, 0.8, 1.4]))
        bend = float(rng.choice([0.0, 0.0, 2.0, -2.0]))
        shake = rng.uniform(0.1, 0.4) if hold_s > 0.5 else 0.0
        pitch = 57 + int(rng.choice(scale))
        notes.append(
            Note(now_s, pitch, hold_s, rng.uniform(0.6, 1.2), 0.0, bend, shake)
        )
        now_s += hold_s * rng.uniform(0.9, 1.3)
    return Score(tuple(notes), _instrument(rng, 4_000, additive=True), length_s)


def _arpeggio(rng: np.random.Generator, length_s: float) -> Score:
    shapes = (
        (40, 47, 52, 56, 59, 64),
        (45, 52, 57, 60, 64, 67),
        (43, 50, 55, 59, 62, 67),
    )
    step_s = rng.uniform(0.16, 0.3)
    notes: list[Note] = []
    for k, onset_s in enumerate(np.arange(0.3, length_s - 1.8, step_s)):
        shape = shapes[(k // 12) % 3]
        at_s = max(0.0, onset_s + rng.normal(0.0, 0.005))
        pitch = shape[[0, 2, 3, 4, 5, 4, 3, 2, 1, 3, 4, 3][k % 12]]
        notes.append(Note(at_s, pitch, 1.6, rng.uniform(0.5, 1.0)))
    return Score(tuple(notes), _instrument(rng, 3_000, additive=True), length_s)


def _strum(rng: np.random.Generator, length_s: float) -> Score:
    shapes = ((40, 47, 52, 56, 59, 64), (45, 52, 57, 61, 64), (38, 45, 50, 54, 57, 62))
    beat_s = 60 / rng.uniform(80.0, 130.0) / 2
    notes: list[Note] = []
    for k, onset_s in enumerate(np.arange(0.4, length_s - 1.5, beat_s)):
        if rng.random() < 0.25:
            continue
        shape = shapes[(k // 8) % 3]
        spread_s = rng.uniform(0.004, 0.014)
        order = shape if k % 2 == 0 else shape[::-1]
        hard = 10 ** (rng.normal(0.0, 3.0) / 20)
        for n, pitch in enumerate(order):
            at_s = max(0.0, onset_s + n * spread_s + rng.normal(0.0, 0.002))
            notes.append(Note(at_s, pitch, 1.2 * beat_s, hard * rng.uniform(0.6, 1.0)))
    return Score(tuple(notes), _instrument(rng, 6_000), length_s)


def _low_riff(rng: np.random.Generator, length_s: float) -> Score:
    return Score(_eighths(rng, length_s, 28, 0.2), _instrument(rng, 2_000), length_s)


def _sparse(rng: np.random.Generator, length_s: float) -> Score:
    """Return single notes with seconds of nothing between them."""
    notes: list[Note] = []
    now_s = rng.uniform(0.3, 1.5)
    while now_s < length_s - 1.5:
        pitch = 45 + int(rng.choice([0, 3, 5, 7, 12, 15]))
        notes.append(Note(now_s, pitch, 1.3, rng.uniform(0.3, 1.0)))
        now_s += rng.uniform(1.5, 4.0)
    return Score(tuple(notes), _instrument(rng, 3_500), length_s)


def _tremolo(rng: np.random.Generator, length_s: float) -> Score:
    step_s = 60 / rng.uniform(150.0, 200.0) / 4
    pitches = 52 + rng.choice([0, 1, 3, 5, 7, 8, 12], 64)
    notes: list[Note] = []
    for k, onset_s in enumerate(np.arange(0.3, length_s - 1.0, step_s)):
        at_s = max(0.0, onset_s + rng.normal(0.0, 0.003))
        hard = 10 ** (rng.normal(0.0, 1.5) / 20)
        pitch = int(pitches[(k // 8) % 64])
        notes.append(Note(at_s, pitch, 1.1 * step_s, hard, 0.1))
    return Score(tuple(notes), _instrument(rng, 7_000), length_s)


PLAYERS: dict[str, Callable[[np.random.Generator, float], Score]] = {
    "bright riff": _bright_riff,
    "dull riff": _dull_riff,
    "palm mutes": _palm_mutes,
    "machine chug": _machine_chug,
    "lead": _lead,
    "arpeggio": _arpeggio,
    "strum": _strum,
    "low riff": _low_riff,
    "sparse": _sparse,
    "tremolo": _tremolo,
}
