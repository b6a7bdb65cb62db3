"""Names beside points: truth by construction, laid out by hand."""

from pipeline.report.labels import LONGEST, place_labels

SIZE = (760.0, 400.0)


def test_stands_to_the_right_where_nothing_is_in_the_way():
    (label,) = place_labels([("t001", 300.0, 200.0)], [(300.0, 200.0)], SIZE)
    assert label.anchor == "start"
    assert label.x > 300.0


def test_leaves_a_neighbour_in_sight():
    points = [(300.0, 200.0), (330.0, 200.0)]
    (label,) = place_labels([("t001", 300.0, 200.0)], points, SIZE)
    assert label.anchor == "end"


def test_stays_in_the_picture():
    (label,) = place_labels([("t001-bright", 740.0, 200.0)], [(740.0, 200.0)], SIZE)
    assert label.anchor == "end"
    (label,) = place_labels(
        [("t001-bright", 20.0, 200.0)], [(20.0, 200.0), (60.0, 200.0)], SIZE
    )
    assert label.anchor == "start"
    assert label.y != 204.0


def test_two_names_of_one_place_do_not_overlap():
    named = [("one", 300.0, 200.0), ("two", 301.0, 200.0)]
    first, second = place_labels(named, [(300.0, 200.0), (301.0, 200.0)], SIZE)
    assert (first.anchor, first.y) != (second.anchor, second.y)


def test_a_long_name_is_cut_and_no_point_needs_a_name():
    (label,) = place_labels([("x" * 80, 100.0, 100.0)], [(100.0, 100.0)], SIZE)
    assert len(label.text) == LONGEST
    assert place_labels([], [], SIZE) == ()
