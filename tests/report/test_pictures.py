"""Data layers: drawn from stored results, thinned openly."""

from itertools import pairwise

import pytest
import records

from pipeline.report import distances, points, spectra, tracks
from pipeline.report.names import SHADES, names
from pipeline.report.thinning import MOST_LINES


@pytest.fixture(scope="module")
def night():
    return records.record(records.night(16))


@pytest.fixture(scope="module")
def crowd():
    return records.record(records.night(500))


def test_shades_follow_brightness(night):
    known = names(night)
    measured = [c for c in night.captures if c.metrics]
    ordered = sorted(measured, key=lambda c: c.metrics["brightness_hz"])
    shades = [known[c.id].shade for c in ordered]
    assert shades == sorted(shades)
    assert (shades[0], shades[-1]) == (0, SHADES - 1)
    assert known["t011"].shade == -1


def test_the_reference_is_a_flat_line(night):
    found = spectra.spectra(night, names(night))
    line = next(c for c in found.difference_curves if c.role == "reference")
    start, steps = line.path[1:].split("l")
    assert start.split(",")[1] == f"{found.differences.y.place(0.0):g}"
    assert {step.split(",")[1] for step in steps.split(" ")} == {"0"}
    assert found.reference.id == night.comparison.reference


def test_differences_are_those_of_the_smoothed_spectra(night):
    found = spectra.spectra(night, names(night))
    line = next(c for c in found.difference_curves if c.name.id == "t002")
    start, steps = line.path[1:].split("l")
    high = float(start.split(",")[1])
    own, zero = (night.captures[k].curves.smooth_db for k in (1, 0))
    rows = [k for k, hz in enumerate(night.axes.smooth_hz) if 40 <= hz <= 16000]
    assert spectra.fine_rows(night.axes) == rows  # twelve an octave already
    for k, step in zip(rows[1:], steps.split(" "), strict=True):
        high += float(step.split(",")[1])
        wanted = found.differences.y.place(own[k] - zero[k])
        assert high == pytest.approx(wanted, abs=1e-6)


def test_fine_points_are_thinned_to_twelve_an_octave(night):
    hz = tuple(20 * 1000 ** (k / 479) for k in range(480))
    axes = night.axes.model_copy(update={"smooth_hz": hz})
    rows = spectra.fine_rows(axes)
    steps = {b - a for a, b in pairwise(rows)}
    assert steps == {4}  # 48 an octave


def test_without_a_reference_the_first_is_held():
    data = records.night(16)
    data["comparison"]["reference"] = None
    record = records.record(data)
    assert spectra.spectra(record, names(record)).reference.id == "t001"


def test_large_nights_keep_reference_and_shortlist(crowd):
    found = spectra.spectra(crowd, names(crowd))
    shown = {curve.name.id for curve in found.curves}
    assert len(shown) == MOST_LINES
    assert {c.id for c in crowd.shortlist} <= shown
    assert crowd.comparison.reference in shown
    assert f"{MOST_LINES} of " in found.note


def test_small_nights_are_drawn_whole(night):
    found = spectra.spectra(night, names(night))
    assert len(found.curves) == 15
    assert found.note is None


def test_distances_are_reordered_not_changed(night):
    found = distances.distances(night, names(night))
    at = {key: k for k, key in enumerate(night.comparison.ids)}
    for y, a in enumerate(found.names):
        for x, b in enumerate(found.names):
            wanted = night.comparison.distance_db[at[a.id]][at[b.id]]
            assert found.values[y][x] == wanted
    cells = sum(path.count("M") for _, path in found.fills)
    assert cells == len(found.names) * (len(found.names) - 1) // 2


def test_the_most_alike_are_the_nearest_of_all(crowd):
    known = names(crowd)
    found = distances.nearest(crowd, known)
    ids, table = crowd.comparison.ids, crowd.comparison.distance_db
    for row in (0, 17, len(ids) - 1):
        others = [db for k, db in enumerate(table[row]) if k != row]
        assert [db for _, db in found[ids[row]]] == sorted(others)[:3]
        index, db = found[ids[row]][0]
        assert db == table[row][ids.index(crowd.captures[index].id)]


def test_map_keeps_ratios_of_distances(night):
    found = points.tone_map(night, names(night))
    spots = {s.id: (s.x, s.y) for s in night.comparison.spots}
    drawn = {p.name.id: (p.x, p.y) for p in found.points}

    def ratio(table):
        (ax, ay), (bx, by), (cx, cy) = (table[k] for k in ("t001", "t002", "t006"))
        far = ((ax - cx) ** 2 + (ay - cy) ** 2) ** 0.5
        return ((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5 / far

    assert ratio(drawn) == pytest.approx(ratio(spots), abs=0.01)


def test_tracks_name_the_unsteady(night):
    found = tracks.tracks(night, names(night))
    assert [ending.name.id for ending in found.named] == ["t008"]


def test_nothing_to_draw():
    bare = records.record(records.bare())
    known = names(bare)
    for draw in (
        spectra.spectra,
        points.tones,
        distances.distances,
        tracks.tracks,
        points.tone_map,
    ):
        assert draw(bare, known) is None
