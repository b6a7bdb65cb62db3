"""Pictures of faults: what is stored is drawn where it belongs, and nothing else."""

import re

import pytest

from pipeline.models.record import FINDING_CODES, Evidence, EvidenceLine
from pipeline.report.evidence import LOOKS, MOST_DRAWN, drawn, seen
from pipeline.report.page import render_page
from tests.report import records


def line(name="capture", points=50, **changes):
    xs = tuple(float(k) for k in range(points))
    return EvidenceLine(**({"name": name, "x": xs, "y": xs} | changes))


def test_every_look_belongs_to_a_code():
    assert set(LOOKS) <= set(FINDING_CODES)


@pytest.mark.parametrize("code", sorted(LOOKS))
def test_a_picture_holds_lines_marks_and_figures(code):
    names = list(LOOKS[code].lines) or ["capture"]
    lines = tuple(
        line(name, x=(50.0, 100.0, 200.0), y=(1.0, 2.0, 0.0)) for name in names
    )
    found = seen(
        code, Evidence(lines=lines, marks=(100.0,), numbers={"level_db": -3.25})
    )
    assert len(found.lines) == len(names)
    assert all(re.fullmatch(r"M[-\d.,L]+", one.path) for one in found.lines)
    # The mark stands at the middle point of every line.
    assert {one.path.split("L")[1].split(",")[0] for one in found.lines} == {
        f"{found.marks[0]:g}"
    }
    assert [(fact.label, fact.value) for fact in found.numbers] == [
        ("Level, dB", "\N{MINUS SIGN}3.2")
    ]
    assert found.named == (len(names) > 1)


def test_what_cannot_be_drawn_is_told_in_words_only():
    assert seen("clipped", None) is None
    assert seen("not_this_di", Evidence(lines=(line(),))) is None
    assert seen("clipped", Evidence(lines=())) is None
    assert seen("clipped", Evidence(lines=(line(points=1),))) is None
    assert seen("gate", Evidence(lines=(line("another"),))).lines == ()


@pytest.mark.parametrize(
    ("value", "legible"),
    [(0.0, True), (-1e6, True), (1e-300, True), (1e300, False), (-1e300, False)],
)
def test_odd_figures_do_no_harm(value, legible):
    for code in ("gate", "swapped", "warming"):
        name = next(iter(LOOKS[code].lines))
        flat = line(name, y=(value,) * 50)
        found = seen(code, Evidence(lines=(flat,), marks=(value,)))
        assert (found is not None) == legible


def test_coordinates_that_do_not_pair_up_are_refused():
    with pytest.raises(ValueError, match="2 places and 1 values"):
        EvidenceLine(name="capture", x=(1.0, 2.0), y=(1.0,))


def clipped(count):
    """A night on which every capture has so many clipped findings with a picture."""
    data = records.night()
    evidence = Evidence(lines=(line(),), numbers={"flat_tops": 7})
    found = records.finding("clipped", "warn", "7 flat tops.", None)
    found["evidence"] = evidence.model_dump(mode="json")
    for capture in data["captures"]:
        capture["findings"] = [found] * count
    return data


def test_the_page_shows_picture_and_table():
    page = render_page(records.record(clipped(1)))
    assert page.count('<figure class="seen">') == 16
    assert "The longest flat top, sample by sample" in page
    assert re.search(r">Flat tops</th><td>7</td>", page)


def test_the_picture_of_a_fault_stands_beside_its_capture():
    page = render_page(records.record(records.night()))
    parts = page.split('<details class="each"')
    (part,) = [part for part in parts if '<figure class="seen">' in part]
    assert "50 Hz hum 41 dB below the music." in part
    assert "Harmonics that stick out</th><td>3</td>" in part


def test_a_bad_night_does_not_drown_the_page():
    record = records.record(clipped(8))
    assert sum(len(one) for one in drawn(record.captures).values()) == MOST_DRAWN
    assert set(drawn(record.captures)) == {capture.id for capture in record.captures}
