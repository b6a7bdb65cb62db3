"""Microphones from above: by construction of the manifest's millimetres."""

import math

import pytest
import records

from pipeline.report.above import BODY, DECADE, DOT, depth, levels
from pipeline.report.front import bright_ends, fronts
from pipeline.report.names import names


def view(data):
    record = records.record(data)
    (found,) = fronts(record, names(record))
    return found


def test_a_tenth_of_the_distance_is_one_decade_nearer():
    assert depth(10.0) == 0.0
    assert depth(1000.0) - depth(100.0) == pytest.approx(DECADE, abs=0.2)
    assert depth(3.0) == 0.0  # nearer than the first line: on it


def test_each_stands_under_its_place_at_its_distance():
    found = view(records.night(16))
    for mic in found.above.mics:
        front = next(m for m in found.mics if m.name == mic.name)
        assert mic.spot[0] == pytest.approx(front.spot[0], abs=0.1)
        # The mics of the invented night stand 25, 45 and 1500 mm away.
        away = (25.0, 45.0, 1500.0)[mic.name.index % 3]
        assert mic.spot[1] == pytest.approx(150 * math.log10(away / 10), abs=0.1)


def test_bodies_lean_by_the_angle():
    found = view(records.night(16))
    for mic in found.above.mics:
        lean = math.hypot(mic.body[0] - mic.x, mic.body[1] - mic.y)
        assert lean == pytest.approx(BODY, abs=0.2)
    data = records.night(16)
    data["captures"] = data["captures"][:1]
    data["captures"][0]["place"]["angle_deg"] = 90.0
    data.update(pairs=[], reflections=[], blends=[], shortlist=[], repeatability=None)
    data["comparison"] = {"reference": None}
    (mic,) = view(data).above.mics
    assert (mic.body[0] - mic.x, mic.body[1] - mic.y) == (BODY, 0.0)


def test_no_dot_hides_another_and_tethers_lead_home():
    found = view(records.night(60)).above
    for k, a in enumerate(found.mics):
        for b in found.mics[:k]:
            assert math.hypot(a.x - b.x, a.y - b.y) >= 2 * DOT - 0.2


def test_without_distances_there_is_no_picture_from_above():
    data = records.night(16)
    for capture in data["captures"][1:]:
        capture["place"]["distance_mm"] = None
    assert view(data).above.missing == 15
    data["captures"][0]["place"]["distance_mm"] = None
    assert view(data).above is None


def test_speakers_that_overlap_get_rows_of_their_own():
    assert levels([(0, 10), (5, 15), (12, 20), (30, 40)]) == (0, 1, 0, 0)
    assert levels([]) == ()


def test_the_shades_ends_are_told():
    record = records.record(records.night(16))
    values = [c.metrics["brightness_hz"] for c in record.captures if c.metrics]
    low, high = bright_ends(record)
    assert low == f"{min(values):.0f}\u00a0Hz"
    assert high == f"{max(values) / 1000:.1f}\u00a0kHz"
    assert bright_ends(records.record(records.bare())) is None
