"""Speakers from the front: places as written, none guessed."""

import pytest
import records

from pipeline.day.drawing import draw_front
from pipeline.models.record import Place
from pipeline.models.spots import SPOTS
from pipeline.report.front import fronts
from pipeline.report.names import names


def views(data):
    record = records.record(data)
    return fronts(record, names(record))


def test_microphones_stand_where_the_manifest_says():
    (view,) = views(records.night(16))
    first = next(mic for mic in view.mics if mic.name.id == "t001")
    # The left speaker's centre is 190 mm to the right and 250 mm up.
    assert (first.x, first.y) == (190.0, -250.0)
    assert [s.id for s in view.speakers] == ["left", "right"]


def test_no_dot_hides_another():
    (view,) = views(records.night(60))
    for k, a in enumerate(view.mics):
        for b in view.mics[:k]:
            assert (a.x - b.x) ** 2 + (a.y - b.y) ** 2 > 15.8**2


def test_fanned_dots_keep_their_spot():
    # t001, t002, t003 share the left speaker's cap centre: 190 mm right, 250 mm up.
    (view,) = views(records.night(16))
    here = [m for m in view.mics if m.name.id in {"t001", "t002", "t003"}]
    assert {mic.spot for mic in here} == {(190.0, -250.0)}
    assert len({(mic.x, mic.y) for mic in here}) == 3


def test_untried_spots_are_named():
    (view,) = views(records.night(16))
    assert "right: cap centre, cap edge" in view.untried_words
    assert "left: cap centre" not in view.untried_words


def test_captures_without_a_place_are_counted():
    data = records.night(16)
    data["captures"][0]["place"] = {}
    (view,) = views(data)
    assert view.missing == 1


def test_a_night_without_places_has_no_picture():
    assert views(records.bare()) == ()


def test_rings_and_words_are_the_same_spots():
    (view,) = views(records.night(16))
    speaker = view.speakers[0]
    assert speaker.cap == pytest.approx(SPOTS["cap edge"] * speaker.radius, abs=0.05)
    assert speaker.cone == pytest.approx(SPOTS["cone edge"] * speaker.radius, abs=0.05)
    drawn = draw_front(
        {"speakers": [{"id": "x", "diameter_mm": 300}]},
        [("a", Place(position="cap edge"))],
    )
    # The recall sheet's microphone stands on the edge of the recall sheet's cap.
    (cone,), (dot,) = drawn.cones, drawn.dots
    assert dot.x - cone.x == pytest.approx(cone.cap, abs=0.1)
