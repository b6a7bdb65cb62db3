"""What the band plays: a backing track for the phrase, from sines and noise.

Bass an octave below the lowest string that sounds, a kick that falls in pitch, noise
for snare, hats and shaker, and sticks that count the phrase in. Hats lean to the right
and the shaker to the left, so that folding the track to mono changes something.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.players import DURATION_S, SILENCE_S, Note

Track = NDArray[np.float64]

RATE_HZ = 44_100
"""Another rate than the DI's: bands send what they have."""
LEAD_S = 1.5
"""Where the DI starts in the track."""
PEAK_DBFS = -3.0
_STRUM_S = 0.08
_COUNT_S = 0.31
_LOW_E_HZ = 82.4069


def play_along(notes: list[Note], rng: np.random.Generator) -> Track:
    """Play along with a phrase.

    Parameters
    ----------
    notes : list of Note
        What the guitar plays, on the DI's time.
    rng : numpy.random.Generator
        Source of all noise.

    Returns
    -------
    numpy.ndarray of float64, shape (frames, 2)
        Left and right at 44.1 kHz, from `LEAD_S` before the DI to its end; peak at
        -3 dBFS.
    """
    track = np.zeros((round((LEAD_S + DURATION_S) * RATE_HZ), 2))
    for count in range(4):
        at_s = SILENCE_S - (4 - count) * _COUNT_S
        _add(track, at_s, 0.25 * _click(), (1.0, 1.0))
    for index, (at_s, pitch, room_s) in enumerate(_onsets(notes)):
        _add(track, at_s, _bass(pitch - 12, min(room_s, 0.9)), (1.0, 1.0))
        _add(track, at_s, 0.16 * _noise(rng, 0.05, 2), (0.35, 1.0))
        _add(track, at_s + 0.5 * room_s, 0.1 * _noise(rng, 0.03, 1), (1.0, 0.2))
        if index % 4 == 2:
            _add(track, at_s, 0.5 * _noise(rng, 0.16, 1), (0.9, 1.0))
        elif index % 4 != 1:
            _add(track, at_s, _kick(), (1.0, 1.0))
    return np.asarray(track * (10.0 ** (PEAK_DBFS / 20.0) / np.max(np.abs(track))))


def _onsets(notes: list[Note]) -> Iterator[tuple[float, int, float]]:
    """Time, lowest pitch and room to the next one of every stroke of the hand."""
    strokes: list[list[Note]] = []
    for note in sorted(notes, key=lambda note: note.at_s):
        if strokes and note.at_s - strokes[-1][0].at_s < _STRUM_S:
            strokes[-1].append(note)
        else:
            strokes.append([note])
    ends = [stroke[0].at_s for stroke in strokes[1:]] + [DURATION_S]
    for stroke, end in zip(strokes, ends, strict=True):
        yield stroke[0].at_s, min(note.pitch for note in stroke), end - stroke[0].at_s


def _add(
    track: Track, at_s: float, sound: NDArray[np.float64], sides: tuple[float, float]
) -> None:
    start = round((LEAD_S + at_s) * RATE_HZ)
    sound = sound[: len(track) - start]
    track[start : start + len(sound)] += np.outer(sound, sides)


def _time(length_s: float) -> NDArray[np.float64]:
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def _eased(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Start and end without a click."""
    edge = round(0.004 * RATE_HZ)
    ramp = np.minimum(np.arange(len(sound)), edge) / edge
    return sound * ramp * ramp[::-1]


def _bass(pitch: int, length_s: float) -> NDArray[np.float64]:
    at = _time(length_s)
    turn = 2.0 * np.pi * _LOW_E_HZ * 2.0 ** (pitch / 12.0) * at
    parts = sum(np.sin(k * turn) * np.exp(-k * at) / k for k in (1, 2, 3, 4))
    return 0.35 * _eased(np.asarray(parts))


def _kick() -> NDArray[np.float64]:
    at = _time(0.22)
    falling = 48.0 * at + 90.0 / 35.0 * (1.0 - np.exp(-35.0 * at))
    return 0.8 * _eased(np.sin(2.0 * np.pi * falling) * np.exp(-16.0 * at))


def _click() -> NDArray[np.float64]:
    at = _time(0.04)
    return _eased(np.sin(2.0 * np.pi * 1900.0 * at) * np.exp(-110.0 * at))


def _noise(rng: np.random.Generator, length_s: float, order: int) -> Track:
    """Burst of noise; every order of difference makes it thinner."""
    at = _time(length_s)
    burst = np.diff(rng.uniform(-1.0, 1.0, len(at) + order), n=order)
    return _eased(burst * np.exp(-5.0 * at / length_s))
