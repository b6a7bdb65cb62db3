"""Sentences that a person can act on at the amp: truth by construction."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.dsp.pairs import Families, Reading
from pipeline.stages.relate import Relation, describe_pair, relate, relate_together

RATE_HZ = 48_000


def related(samples: float, polarity: int) -> Relation:
    """White noise at two places; b later by exactly so much."""
    rng = np.random.default_rng(3)
    x = rng.standard_normal(3 * RATE_HZ)
    x[-RATE_HZ // 2 :] = 0.0
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(x.size) * samples)
    late = polarity * np.fft.irfft(np.fft.rfft(x) * turn, x.size)
    hiss = 1e-3 * rng.standard_normal((2, x.size))
    found = relate(
        ("near", "dark"),
        ((x + hiss[0]).astype(np.float32), (late + hiss[1]).astype(np.float32)),
        RATE_HZ,
        quiet=np.zeros(x.size, dtype=bool),
        temperature_c=20.0,
    )
    assert found is not None
    return found


def advice(samples: float, polarity: int) -> str:
    pair = describe_pair(
        related(samples, polarity), "p", RATE_HZ, gain_db=0.0, temperature_c=20.0
    )
    assert pair.advice is not None
    return pair.advice.message


def test_the_later_mic_is_moved_by_the_way_that_sound_takes():
    # 7.15 mm a sample at 20 C and 48 kHz: 3 samples are 21 mm. In step, two equal
    # sounds have 3.01 dB more than their powers.
    text = advice(3.0, 1)
    assert text.startswith("Move dark 21 +- ")
    assert "mm towards the speaker" in text
    assert "then helps by 3.0 dB" in text


def test_a_flip_comes_first_and_the_delay_stays_a_step_of_its_own():
    pair = describe_pair(
        related(3.0, -1), "p", RATE_HZ, gain_db=0.0, temperature_c=20.0
    )
    assert pair.advice is not None
    flip, move = pair.advice.steps
    assert flip.startswith("Flip the polarity of one of the two inputs.")
    assert move.startswith("Move dark 21 +- ")
    assert pair.advice.message == f"{flip} {move}"


def test_a_pair_in_step_is_left_alone_and_not_moved_in_a_blend():
    still = related(0.0, 1)
    assert advice(0.0, 1) == "Leave it: the two are in step."
    assert still.lag_samples == 0.0
    assert related(3.0, 1).lag_samples == pytest.approx(3.0, abs=0.05)


@pytest.mark.parametrize(
    ("samples", "said"),
    # At 6 kHz, amid what counts most of white noise up to 8 kHz, 4 samples are half a
    # turn: inverted they help, flipped they cancel. 8 samples are a whole turn.
    [(4.0, "By itself that makes the sum worse"), (8.0, "That alone is not enough")],
)
def test_a_flip_ahead_of_a_move_says_what_it_does_alone(samples, said):
    pair = describe_pair(
        related(samples, -1), "p", RATE_HZ, gain_db=0.0, temperature_c=20.0
    )
    assert pair.advice is not None
    assert said in pair.advice.steps[0]


def test_a_room_mic_is_left_alone_with_its_distance():
    # 200 samples are 1430 mm at 20 C and 48 kHz.
    assert advice(200.0, 1) == (
        "Leave it: dark stands 1430 mm farther away, and a room mic's lateness is its "
        "sound."
    )


def night(odds: list[float]) -> dict[str, tuple[Relation, ...]]:
    """Passes of one pair each: 3 samples if analogue, 3.1 if sampled."""
    one = related(3.0, 1)
    analogue, sampled = Reading(3.0, 0.2), Reading(3.1, 0.1)
    return {
        f"p{index}": (replace(one, families=Families(analogue, sampled, each)),)
        for index, each in enumerate(odds)
    }


def test_pairs_of_a_sampled_night_come_nearer_to_the_sampled_answer():
    """Property: what the others tell moves the undecided, and its millimetres along."""
    alone = relate_together(night([0.0]), RATE_HZ, temperature_c=20.0)["p0"][0]
    assert alone.delay_samples == pytest.approx(3.05, abs=0.002)
    told = relate_together(night([0.0] + [6.0] * 9), RATE_HZ, temperature_c=20.0)
    undecided = told["p0"][0]
    assert undecided.delay_samples > 3.08
    assert undecided.uncertainty_samples < alone.uncertainty_samples
    # 7.15 mm a sample at 20 C and 48 kHz.
    assert undecided.distance_mm == pytest.approx(
        7.15 * undecided.delay_samples, rel=1e-3
    )


def test_the_order_of_passes_does_not_matter():
    forth = night([0.0, 6.0, 5.0, -1.0, 2.0])
    back = dict(reversed(forth.items()))
    one, other = (
        relate_together(passes, RATE_HZ, temperature_c=20.0) for passes in (forth, back)
    )
    assert one == other
