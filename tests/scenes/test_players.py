"""Authority: what a player promises: length, level, pitch, a different second take."""

import numpy as np
import pytest

from tests.scenes.players import PLAYERS, Note, Score, perform, retake

RATE = 48_000


@pytest.mark.parametrize("name", PLAYERS)
def test_every_player_fills_its_time_at_a_sane_level(name: str) -> None:
    """Peaks -12 to -6 dBFS is common practice, no source."""
    rng = np.random.default_rng(11)
    di = perform(PLAYERS[name](rng, 6.0), rng, RATE)
    assert di.size == 6 * RATE
    assert -12.2 < 20 * np.log10(np.max(np.abs(di))) < -5.8
    assert np.std(di) > 1e-3


def test_second_take_differs_by_a_few_milliseconds() -> None:
    score = PLAYERS["palm mutes"](np.random.default_rng(1), 30.0)
    other = retake(score, np.random.default_rng(2))
    moved = [
        b.onset_s - a.onset_s for a, b in zip(score.notes, other.notes, strict=True)
    ]
    assert 0.003 < np.std(moved) < 0.007


def test_machine_repeats_bit_for_bit_before_the_interface() -> None:
    """The strokes are one sound pasted; only converter noise tells them apart."""
    rng = np.random.default_rng(3)
    score = PLAYERS["machine chug"](rng, 6.0)
    di = perform(score, rng, RATE)
    first, second = (round(score.notes[k].onset_s * RATE) for k in (4, 8))
    length = round(0.9 * (score.notes[1].onset_s - score.notes[0].onset_s) * RATE)
    gap = di[first : first + length] - di[second : second + length]
    assert np.std(gap) < 0.01 * np.std(di[first : first + length])


@pytest.mark.parametrize("additive", [False, True])
def test_string_sounds_its_pitch(additive: bool) -> None:  # noqa: FBT001 - a parameter
    """A2 is 110.0000 Hz in equal temperament with A4 = 440 Hz."""
    rng = np.random.default_rng(4)
    made = PLAYERS["lead" if additive else "bright riff"](rng, 6.0)
    score = Score((Note(0.1, 45, 3.0),), made.instrument, 4.0)
    di = perform(score, rng, RATE)[RATE // 2 : 3 * RATE]
    spectrum = np.abs(np.fft.rfft(di * np.hanning(di.size), 2**20))
    frequency_hz = np.fft.rfftfreq(2**20, 1 / RATE)
    near = (frequency_hz > 100) & (frequency_hz < 120)
    found_hz = frequency_hz[near][np.argmax(spectrum[near])]
    assert 1_200 * np.log2(found_hz / 110.0) == pytest.approx(0.0, abs=8.0)
