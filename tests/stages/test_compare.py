"""Reasons on the shortlist: words of the trade, each with its figure."""

import re

import pytest

from pipeline.models.record import Capture, Curves, Latency
from pipeline.stages.compare import compare_captures

BANDS = 24
MINUS = "\N{MINUS SIGN}"


def capture(id_, level_db, **metrics):
    """A capture whose spectrum is flat but for one band of its own."""
    erb = [0.0] * BANDS
    erb[_place(id_)] = level_db
    return Capture.model_validate_json(
        Capture(
            id=id_,
            file=f"{id_}.wav",
            channel=1,
            **{"pass": id_},
            status="ok",
            metrics=metrics,
            curves=Curves(
                third_octave_db=(0.0,),
                erb_db=tuple(erb),
                smooth_db=(0.0,),
                coherence=(1.0,),
                levels=(),
                envelope=(),
            ),
        ).model_dump_json(by_alias=True)
    )


def _place(id_):
    return sum(id_.encode()) % BANDS


def reasons(captures, count=3):
    compared = compare_captures(captures, None, count)
    return {choice.id: choice.reason for choice in compared.shortlist}


# Truth by construction: four equal captures and one that stands out by a known step.
CASES = {
    "body_db": (
        -9.0,
        -2.3,
        f"Most body of the night: {MINUS}2.3 dB at 80 to 200 Hz, 6.7 dB",
    ),
    "presence_db": (
        -9.5,
        -14.7,
        f"Least presence of the night: {MINUS}14.7 dB at 2.5 to 5",
    ),
    "brightness_hz": (
        800.0,
        430.0,
        "Darkest of the night: the centre of its power is at 430 Hz, 370 Hz below",
    ),
    "noise_dbfs": (
        -85.2,
        -70.3,
        f"Noisiest of the night: {MINUS}70.3 dBFS when the DI is",
    ),
    "linear_share": (
        0.94,
        0.5,
        "Most saturated of the night: 50 % of its power is more than a plain filter "
        "of the DI makes, 44 points above the middle",
    ),
}


@pytest.mark.parametrize("key", CASES)
def test_says_what_stands_out_and_by_how_much(key):
    usual, unusual, told = CASES[key]
    night = [capture(f"m{k}", 1.0 + k / 9, **{key: usual}) for k in range(4)]
    night.append(capture("apart", 12.0, **{key: unusual}))
    assert reasons(night)["apart"].startswith(told)


def test_a_superlative_belongs_to_the_extreme_alone():
    steps = (-12.0, -9.2, -9.1, -9.0, -3.0, -2.0)
    night = [capture(f"n{k}", 6.0 + k, body_db=v) for k, v in enumerate(steps)]
    for id_, reason in reasons(night, 6).items():
        extreme = id_ in {"n0", "n5"}
        assert ("of the night" in reason) == (extreme and "body" in reason)


def test_every_reason_has_a_figure_with_its_unit_and_no_hyphen_for_minus():
    night = [
        capture(f"k{k}", 5.0 + k, body_db=-9.0 + k, fizz_db=-30.0 - 3 * k * k)
        for k in range(5)
    ]
    found = reasons(night)
    assert len(found) == 3
    for reason in found.values():
        assert re.search(r"\d (dB|Hz|%|points)", reason)
        assert not re.search(r"(^|\s)-\d", reason)
        assert "from every other choice" in reason


def test_no_reason_is_smaller_than_what_the_same_set_up_differs_by():
    """Truth by construction: the control moves by 3 dB of body, the rest by 2."""
    night = [capture(f"n{k}", 6.0 + k, body_db=-9.0 + k) for k in range(3)]
    assert "body" in " ".join(reasons(night).values())
    again = [capture("first", 2.0, body_db=-8.0), capture("again", 2.1, body_db=-11.0)]
    again = [
        one.model_copy(update={"setup": "same", "control": one.id == "again"})
        for one in again
    ]
    assert "body" not in " ".join(reasons([*night, *again]).values())


def test_choices_within_the_nights_floor_say_so():
    """Truth by construction: the set-up recorded again moves by more than they do."""
    night = [capture("a", 1.0), capture("b", 1.1)]
    again = [capture("c", 0.0), capture("d", 9.0)]
    again = [one.model_copy(update={"setup": "same", "control": True}) for one in again]
    found = reasons([*night, *again], 2)
    assert set(found) == {"a", "b"}
    assert all("not distinguishable tonight" in text for text in found.values())


def test_captures_without_measures_are_still_chosen():
    night = [capture("one", 3.0), capture("two", 9.0)]
    assert all(r.startswith("Differs most") for r in reasons(night, 2).values())


def _late(id_, pass_id, mic, samples):
    one = capture(id_, 0.0)
    lag = Latency(
        samples=samples, ms=samples / 48.0, polarity=1, confidence=1.0, drift_ppm=0.0
    )
    return one.model_copy(
        update={"pass_id": pass_id, "mic": mic, "control": True, "latency": lag}
    )


def floor_samples(captures):
    found = compare_captures(captures, None, 2).repeatability
    return found.latency_samples if found else None


def test_the_floor_of_the_latency_is_what_a_set_up_recorded_again_differs_by():
    again = [_late("a", "p1", "near", 700.0), _late("b", "p2", "near", 700.4)]
    assert floor_samples(again) == pytest.approx(0.4)


def test_of_passes_started_by_hand_the_microphones_are_compared():
    """Truth by construction: 9000 samples apart, the second mic 0.3 later."""
    captures = [
        _late("a", "p1", "near", 700.0),
        _late("b", "p1", "far", 742.0),
        _late("c", "p2", "near", 9700.0),
        _late("d", "p2", "far", 9742.3),
    ]
    assert floor_samples(captures) == pytest.approx(0.3)
    assert floor_samples(captures[::2]) is None
