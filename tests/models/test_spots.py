"""A word means one place on every drawing."""

import pytest

from pipeline.models.record import Place
from pipeline.models.spots import SPOTS, across_mm, speaker_of, spot_share


@pytest.mark.parametrize(
    ("word", "spot"),
    [
        ("Cap Edge ", "cap edge"),
        ("cap", "cap centre"),
        ("center", "cap centre"),
        ("edge", "cone edge"),
        ("cone", "half way out"),
    ],
)
def test_other_words_mean_a_usual_spot(word: str, spot: str) -> None:
    assert spot_share(word) == SPOTS[spot]


@pytest.mark.parametrize("word", [None, "", "somewhere"])
def test_other_words_mean_no_spot(word: str | None) -> None:
    assert spot_share(word) is None


def test_spots_lie_on_the_cone_from_the_centre_outwards() -> None:
    shares = list(SPOTS.values())
    assert shares == sorted(shares)
    assert (shares[0], len(set(shares))) == (0.0, len(shares))
    assert shares[-1] < 1.0


def test_half_a_place_is_none() -> None:
    assert across_mm(Place(x_mm=-3, y_mm=4)) == (-3.0, 4.0)
    assert across_mm(Place(offset_mm=7)) == (7.0, 0.0)
    assert across_mm(Place(x_mm=3)) is None
    assert across_mm(Place(y_mm=3)) is None


def test_a_speaker_is_named_or_the_only_one() -> None:
    assert speaker_of(Place(), ["a"]) == "a"
    assert speaker_of(Place(), ["a", "b"]) is None
    assert speaker_of(Place(speaker="b"), ["a", "b"]) == "b"
    assert speaker_of(Place(speaker="c"), ["a"]) is None
