"""Frames: where matplotlib puts its grid is where the scales put values."""

import re

import pytest

from pipeline.report.plots import Axis, even_axis, frame, hertz_axis

SIZE = (400, 300)


def test_scales_agree_with_the_grid_that_was_drawn():
    drawn = frame(SIZE, hertz_axis(40.0, 16000.0), even_axis(-60.0, 0.0, "dB"))
    lines = re.findall(r"M ([\d.]+) ([\d.]+) L ([\d.]+) ([\d.]+)", drawn.svg)
    upright = {float(a) for a, _, c, _ in lines if a == c}
    level = {float(b) for _, b, _, d in lines if b == d}
    for hz in (63.0, 125.0, 1000.0, 8000.0):
        assert min(abs(x - drawn.x.place(hz)) for x in upright) < 0.06
    for db in (-60.0, -20.0, 0.0):
        assert min(abs(y - drawn.y.place(db)) for y in level) < 0.06


def test_values_beyond_an_axis_sit_on_its_end():
    drawn = frame(SIZE, hertz_axis(40.0, 16000.0), even_axis(-60.0, 0.0, "dB"))
    assert drawn.x.place(1.0) == drawn.x.place(40.0)
    assert drawn.y.place(12.0) == drawn.y.place(0.0)


def test_a_path_joins_points_and_refuses_a_stray_one():
    drawn = frame(SIZE, hertz_axis(40.0, 16000.0), even_axis(-60.0, 0.0, "dB"))
    assert drawn.path([100.0], [0.0]) == ""
    assert drawn.path([100.0, 1000.0], [0.0, -60.0]).count("L") == 1
    with pytest.raises(ValueError, match="zip"):
        drawn.path([100.0, 200.0], [0.0])


def test_colours_follow_the_page_and_ids_do_not_clash():
    drawn = frame(SIZE, hertz_axis(40.0, 16000.0), even_axis(-60.0, 0.0, "dB"))
    assert "var(--grid)" in drawn.svg
    assert "var(--ink-soft)" in drawn.svg
    assert "#0" not in drawn.svg
    assert " id=" not in drawn.svg


def test_equal_input_equal_bytes():
    axes = hertz_axis(40.0, 16000.0), even_axis(0.0, 5.0, "dB")
    first = frame(SIZE, *axes).svg
    frame.cache_clear()
    assert frame(SIZE, *axes).svg == first


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 7.3), (-1.9, 2.2), (0.001, 0.0042), (-250.0, 10.0)]
)
def test_even_axis_holds_the_range_in_round_steps(low, high):
    axis = even_axis(low, high, "x")
    assert axis.low <= low
    assert axis.high >= high
    steps = [b[0] - a[0] for a, b in zip(axis.ticks, axis.ticks[1:], strict=False)]
    assert max(steps) == pytest.approx(min(steps))
    assert 2 <= len(axis.ticks) <= 10
    assert isinstance(axis, Axis)


def test_steps_end_where_the_path_ends():
    drawn = frame(SIZE, hertz_axis(40.0, 16000.0), even_axis(-60.0, 0.0, "dB"))
    xs, ys = [50.0 * 1.26**k for k in range(24)], [-60.0 + 2.37 * k for k in range(24)]
    path = [tuple(map(float, p.split(","))) for p in drawn.path(xs, ys)[1:].split("L")]
    start, moves = drawn.steps(xs, ys)[1:].split("l")
    at = tuple(map(float, start.split(",")))
    for (x, y), move in zip(path[1:], moves.split(" "), strict=True):
        dx, dy = map(float, move.split(","))
        at = at[0] + dx, at[1] + dy
        assert at == pytest.approx((x, y), abs=1e-9)
    assert drawn.steps([100.0], [0.0]) == ""


@pytest.mark.parametrize("high", [60.0, 900_000.0, 2e7])
def test_a_title_stays_in_the_picture_beside_long_figures(high):
    drawn = frame(SIZE, even_axis(0.0, 5.0, "s"), even_axis(0.0, high, "cents"))
    ((across, title),) = re.findall(
        r"rotate\(-90 (-?[\d.]+) [\d.]+\)\">(\w+)", drawn.svg
    )
    assert title == "cents"
    # Letters of 12 units stand left of the line that they are written on.
    assert float(across) >= 12.0
    assert drawn.x.place(0.0) > float(across)
