"""The phrase is a guitar's, and hands are not machines."""

import numpy as np
import pytest

from pipeline.demo import players
from pipeline.demo.colour import SAMPLE_RATE_HZ
from pipeline.demo.players import Note


@pytest.fixture(scope="module")
def dry():
    return players.play(players.phrase(), np.random.default_rng(3))


def rms_db(samples):
    return 10 * np.log10(np.mean(np.square(samples)))


@pytest.mark.parametrize(
    ("pitch", "hz"),
    [(0, 82.41), (5, 110.0), (12, 164.81), (17, 220.0), (29, 440.0), (34, 587.33)],
)
def test_strings_are_in_tune(pitch, hz):
    # Equal temperament at A4 = 440 Hz (ISO 16): E2, A2, E3, A3, A4, D5.
    tone = players.play([Note(1.0, pitch, 3.0, 0.7)], np.random.default_rng(0))
    steady = tone[int(1.5 * SAMPLE_RATE_HZ) : int(3.5 * SAMPLE_RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(steady * np.hanning(len(steady)), 8 * len(steady)))
    frequency = np.fft.rfftfreq(8 * len(steady), 1 / SAMPLE_RATE_HZ)
    near = (frequency > 0.9 * hz) & (frequency < 1.1 * hz)
    found = frequency[near][np.argmax(spectrum[near])]
    assert 1200 * abs(np.log2(found / hz)) < 8.0  # cents


def test_the_di_is_recorded_at_the_level_of_the_trade(dry):
    # Common practice, no source: DI peaks from -12 to -6 dBFS.
    peak = 20 * np.log10(np.max(np.abs(dry)))
    assert -12.0 < peak < -6.0


def test_two_seconds_of_silence_come_first_and_the_end_has_died_away(dry):
    # Common practice, no source: silence gives the noise print of the chain.
    music = rms_db(dry[3 * SAMPLE_RATE_HZ : 6 * SAMPLE_RATE_HZ])
    assert rms_db(dry[: int(1.95 * SAMPLE_RATE_HZ)]) < music - 60.0
    assert rms_db(dry[-SAMPLE_RATE_HZ // 4 :]) < music - 60.0


def test_the_same_note_is_never_played_twice_the_same():
    # Property: bit-exact repetitions would make the lag ambiguous.
    notes = [Note(2.0, 0, 0.4, 0.8), Note(3.0, 0, 0.4, 0.8)]
    tone = players.play(notes, np.random.default_rng(1))
    first, second = (
        tone[start : start + 9600]
        for start in (int(2.0 * SAMPLE_RATE_HZ), int(3.0 * SAMPLE_RATE_HZ))
    )
    assert not np.allclose(first, second, atol=0.01)


def test_harder_is_brighter():
    # Common practice, no source.
    def treble(force):
        tone = players.play([Note(1.0, 5, 2.0, force)], np.random.default_rng(5))
        power = np.abs(np.fft.rfft(tone)) ** 2
        frequency = np.fft.rfftfreq(len(tone), 1 / SAMPLE_RATE_HZ)
        high = (frequency > 2000) & (frequency < 6000)
        return 10 * np.log10(np.sum(power[high]) / np.sum(power))

    assert treble(1.0) > treble(0.3) + 1.0


def test_a_palm_on_the_bridge_shortens_the_note():
    # Common practice, no source.
    def level_after_half_a_second(*, muted):
        note = Note(1.0, 0, 1.0, 0.8, muted)
        tone = players.play([note], np.random.default_rng(5))
        start = int(1.5 * SAMPLE_RATE_HZ)
        return rms_db(tone[start : start + 4800])

    open_db = level_after_half_a_second(muted=False)
    assert level_after_half_a_second(muted=True) < open_db - 10.0


def test_the_other_performance_is_another_one(dry):
    # Truth by construction: no lag lines the two up; a retake of the same notes by
    # the same hands correlates far more.
    other = players.play(players.another_phrase(), np.random.default_rng(4))
    size = 2 * len(dry)
    cross = np.fft.irfft(np.fft.rfft(other, size) * np.conj(np.fft.rfft(dry, size)))
    scale = np.sqrt(np.sum(dry**2) * np.sum(other**2))
    assert np.max(np.abs(cross)) / scale < 0.35


def test_equal_chance_gives_equal_samples(dry):
    again = players.play(players.phrase(), np.random.default_rng(3))
    assert np.array_equal(dry, again)
