"""What was played: a plucked-string phrase, as a DI would hear it.

A string is a loop of delay with a gentle loss in it (Karplus and Strong, Computer
Music Journal 7(2), 1983; tuning after Jaffe and Smith in the same issue; both
cited from memory). A pluck fills the loop; where the string is plucked and where
the pickup sits carve combs into the tone; the pickup's inductance and the cable's
capacitance make a resonance between 1 and 5 kHz and roll off above it (common
practice).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from pipeline.demo.colour import SAMPLE_RATE_HZ

Samples = NDArray[np.float64]

SILENCE_S = 2.0
"""Silence before the first note: the noise print of the whole chain."""

DURATION_S = 17.0
DI_PEAK_DBFS = -8.0
_DI_NOISE_DBFS = -94.0
_FADE_S = 0.012
_PLUCK_AT = 0.21
_PICKUP_AT = 0.13
_SCRAPE = 0.1
_LOSS_FILTER_DELAY = 1.0
_INTERPOLATOR_DELAY = 1.0


@dataclass(frozen=True, slots=True)
class Note:
    """One pluck.

    Parameters
    ----------
    at_s : float
        Time on the DI's timeline, in seconds.
    pitch : int
        Semitones above the open low E (82.41 Hz).
    length_s : float
        Time until the string is damped, in seconds.
    force : float
        0 to 1; harder is louder and brighter.
    muted : bool
        The palm rests on the bridge.
    """

    at_s: float
    pitch: int
    length_s: float
    force: float
    muted: bool = False


def phrase() -> list[Note]:
    """Lay out the session's performance: a low riff, chords, a single-note line, rests.

    Returns
    -------
    list of Note
        About 14 s of playing after 2 s of silence, with room for the tail.
    """
    return [
        *_riff(SILENCE_S, (0, 0, 3, 0, 0, 5, 6, 5, 0, 0, 3, 0, 7, 5, 3, 1)),
        *_chords(6.7, ((0, 7, 12, 16, 19), (5, 12, 17, 21), (3, 10, 15, 19, 22))),
        *_line(11.3, (24, 27, 29, 31, 34, 31, 29, 27, 26, 22, 24)),
    ]


def another_phrase() -> list[Note]:
    """Lay out another performance of the same night, for the file that does not belong.

    Returns
    -------
    list of Note
        Other notes at other times.
    """
    return [
        *_line(1.4, (19, 22, 24, 26, 22, 17, 19, 15)),
        *_chords(4.9, ((2, 9, 14, 18), (7, 14, 19, 23, 26), (4, 11, 16, 19))),
        *_riff(10.2, (2, 2, 9, 2, 7, 2, 5, 4, 2, 9, 7, 5, 2, 2, 10, 9)),
    ]


def _riff(at_s: float, pitches: tuple[int, ...]) -> Iterator[Note]:
    lengths_s = (0.31, 0.15, 0.16, 0.31, 0.16, 0.15, 0.31, 0.46)
    for index, pitch in enumerate(pitches):
        length_s = lengths_s[index % len(lengths_s)]
        palm = index % 4 in {0, 1}
        yield Note(at_s, pitch, length_s * 0.93, 0.9 if palm else 0.7, palm)
        at_s += length_s


def _chords(at_s: float, chords: tuple[tuple[int, ...], ...]) -> Iterator[Note]:
    for index, chord in enumerate(chords):
        for string, pitch in enumerate(chord):
            strummed_s = at_s + 0.011 * string
            yield Note(strummed_s, pitch, 1.15 - 0.011 * string, 0.3 + 0.07 * index)
        at_s += 1.35


def _line(at_s: float, pitches: tuple[int, ...]) -> Iterator[Note]:
    lengths_s = (0.23, 0.23, 0.46, 0.3, 0.62)
    for index, pitch in enumerate(pitches):
        length_s = lengths_s[index % len(lengths_s)]
        last = index == len(pitches) - 1
        held_s = 1.3 if last else length_s
        yield Note(at_s, pitch, held_s, 0.55 + 0.07 * (index % 5))
        at_s += length_s


def play(notes: list[Note], rng: np.random.Generator) -> Samples:
    """Play notes into a DI input.

    Parameters
    ----------
    notes : list of Note
        What to play; hands vary each note's time (4 ms) and force (8 %).
    rng : numpy.random.Generator
        Source of all chance.

    Returns
    -------
    numpy.ndarray
        `DURATION_S` seconds of mono audio at 48 kHz, peak at -8 dBFS, over a noise
        floor of -94 dBFS.
    """
    dry = np.zeros(round(DURATION_S * SAMPLE_RATE_HZ))
    for note in notes:
        start = round((note.at_s + rng.normal(0.0, 0.004)) * SAMPLE_RATE_HZ)
        tone = _pluck(note, rng)[: len(dry) - start]
        dry[start : start + len(tone)] += tone
    heard = _pickup(dry)
    heard *= 10.0 ** (DI_PEAK_DBFS / 20.0) / np.max(np.abs(heard))
    hiss = rng.normal(0.0, 10.0 ** (_DI_NOISE_DBFS / 20.0), len(heard))
    return np.asarray(heard + hiss)


def _pluck(note: Note, rng: np.random.Generator) -> Samples:
    """Follow one string from pluck to damping."""
    period = SAMPLE_RATE_HZ / (82.4069 * 2.0 ** (note.pitch / 12.0))
    frames = round(note.length_s * SAMPLE_RATE_HZ)
    force = note.force * (1.0 + rng.normal(0.0, 0.08))
    decay_s = 0.32 if note.muted else 4.5 * 0.5 ** (note.pitch / 24.0)
    loss = 0.4 if note.muted else 0.1 * 0.5 ** (note.pitch / 14.0)
    gain = 10.0 ** (-3.0 * period / (SAMPLE_RATE_HZ * decay_s))
    losses = gain * np.array([loss / 2.0, 1.0 - loss, loss / 2.0])
    string = _string(_excitation(period, force, rng), period, frames, losses)
    _comb(string, round(period * _PICKUP_AT))
    fade = round(_FADE_S * SAMPLE_RATE_HZ)
    string[-fade:] *= np.linspace(1.0, 0.0, fade)
    return string


def _excitation(period: float, force: float, rng: np.random.Generator) -> Samples:
    """Fill one loop with the string's velocity after the pick lets go."""
    # A string pulled to a triangle moves as a rectangle as wide as the shorter part
    # (Helmholtz's plucked string); scrape and roundness of the pick come on top.
    frames = int(period)
    velocity = np.full(frames, -_PLUCK_AT)
    velocity[: round(frames * _PLUCK_AT)] = 1.0 - _PLUCK_AT
    velocity += rng.uniform(-_SCRAPE, _SCRAPE, frames)
    corner_hz = 1200.0 + 5000.0 * min(force, 1.0)
    pole = np.exp(-2.0 * np.pi * corner_hz / SAMPLE_RATE_HZ)
    rounded = signal.lfilter([1.0 - pole], [1.0, -pole], velocity)
    return np.asarray(force * (rounded - np.mean(rounded)))


def _string(
    excitation: Samples,
    period: float,
    frames: int,
    losses: Samples,
) -> Samples:
    """Run the loop; one block is as long as the loop allows."""
    whole = int(period - _LOSS_FILTER_DELAY - _INTERPOLATOR_DELAY)
    fraction = period - _LOSS_FILTER_DELAY - _INTERPOLATOR_DELAY - whole
    kernel = np.convolve(_interpolator(_INTERPOLATOR_DELAY + fraction), losses)
    reach = whole + len(kernel) - 1
    string = np.zeros(reach + frames)
    string[reach - len(excitation) : reach] = excitation
    for start in range(reach, reach + frames, whole):
        stop = min(start + whole, reach + frames)
        past = string[start - reach : stop - whole]
        string[start:stop] = np.convolve(past, kernel, mode="valid")
    return string[reach:]


def _interpolator(delay: float) -> Samples:
    """Lagrange's cubic fractional delay of 1 to 2 samples."""
    taps = np.arange(4.0)
    weights = [
        np.prod((delay - np.delete(taps, tap)) / (tap - np.delete(taps, tap)))
        for tap in range(4)
    ]
    return np.asarray(weights)


def _comb(samples: Samples, delay: int) -> None:
    """Subtract the wave that comes back from the string's end, in place."""
    samples[delay:] -= samples[:-delay].copy()


def _pickup(samples: Samples) -> Samples:
    """Resonance of the pickup with its cable, and the DI's own high-pass."""
    resonance_hz, sharpness = 3600.0, 1.9
    turn = 2.0 * np.pi * resonance_hz / SAMPLE_RATE_HZ
    alpha = np.sin(turn) / (2.0 * sharpness)
    low = (1.0 - np.cos(turn)) / 2.0
    resonant = signal.lfilter(
        [low, 2.0 * low, low],
        [1.0 + alpha, -2.0 * np.cos(turn), 1.0 - alpha],
        samples,
    )
    blocked = signal.butter(1, 18.0, "highpass", fs=SAMPLE_RATE_HZ)
    return np.asarray(signal.lfilter(*blocked, resonant))
