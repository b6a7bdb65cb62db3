"""Frames of the page's pictures: scales, ticks and grid, drawn as SVG.

Each frame is drawn once; curves and points are put into it by the frame's own scales,
so that the browser can redraw them with the same two numbers. A grid, ticks and two
titles are all that a frame has, so it is written here: a plotting library took 1.5 s
of a run to import and to draw the same lines. Colours are style variables of the page:
a picture follows the light, the dark and the printed page. No text of a record ever
enters a frame.
"""

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

WIDE = (760, 400)
"""Size of a picture that goes across the page."""
LEFT, RIGHT, TOP, BOTTOM = 58, 14, 10, 44
"""Room around the grid for ticks and titles, in picture units."""
_TEXT = "font-size: 12px; fill: var(--ink-soft); text-anchor: "


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a frame.

    Parameters
    ----------
    low, high : float
        Ends of the axis, in its unit.
    ticks : tuple of (float, str)
        Where a line and a word stand.
    label : str
        Title, with its unit.
    log : bool
        Logarithmic scale.
    """

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    label: str
    log: bool = False


@dataclass(frozen=True, slots=True)
class Scale:
    """Straight line from a value (or its decadic logarithm) to picture units.

    Parameters
    ----------
    offset, slope : float
        Picture units at 0, and per unit (or decade).
    log : bool
        Take the decadic logarithm first.
    low, high : float
        Values at the ends; `place` holds values between them.
    """

    offset: float
    slope: float
    log: bool
    low: float
    high: float

    def place(self, value: float) -> float:
        """Picture coordinate of a value.

        Parameters
        ----------
        value : float
            Value in the axis' unit.

        Returns
        -------
        float
            Picture units, rounded to 0.1; a value beyond the axis sits on its end.
        """
        held = min(max(value, self.low), self.high)
        at = math.log10(held) if self.log else held
        return round(self.offset + self.slope * at, 1)


@dataclass(frozen=True, slots=True)
class Frame:
    """Picture without its data.

    Parameters
    ----------
    svg : str
        Content of an svg element.
    width, height : int
        Size of the view box.
    x, y : Scale
        Where values sit.
    """

    svg: str
    width: int
    height: int
    x: Scale
    y: Scale

    def path(self, xs: Sequence[float], ys: Sequence[float]) -> str:
        """Line through points as path data.

        Parameters
        ----------
        xs, ys : sequence of float
            Values, one to one.

        Returns
        -------
        str
            Path data, empty for fewer than two points.
        """
        if len(xs) < 2:
            return ""
        places = [
            f"{self.x.place(x):g},{self.y.place(y):g}"
            for x, y in zip(xs, ys, strict=True)
        ]
        return "M" + "L".join(places)

    def steps(self, xs: Sequence[float], ys: Sequence[float]) -> str:
        """Line through points as path data of steps: half as long where many lie close.

        Parameters
        ----------
        xs, ys : sequence of float
            Values, one to one.

        Returns
        -------
        str
            Path data, empty for fewer than two points.
        """
        if len(xs) < 2:
            return ""
        points = [
            (self.x.place(x), self.y.place(y)) for x, y in zip(xs, ys, strict=True)
        ]
        moves = (
            f"{round(b[0] - a[0], 1):g},{round(b[1] - a[1], 1):g}"
            for a, b in pairwise(points)
        )
        return f"M{points[0][0]:g},{points[0][1]:g}l{' '.join(moves)}"


def _text(words: str, x: float, y: float, anchor: str, *, turned: bool = False) -> str:
    turn = f' transform="rotate(-90 {x:g} {y:g})"' if turned else ""
    style = f'style="{_TEXT}{anchor}"'
    return f'<text x="{x:g}" y="{y:g}" {style}{turn}>{html.escape(words)}</text>'


@lru_cache(maxsize=32)
def frame(size: tuple[int, int], x: Axis, y: Axis) -> Frame:
    """Draw a frame.

    Parameters
    ----------
    size : tuple of int
        Width and height in picture units.
    x, y : Axis
        The axes.

    Returns
    -------
    Frame
        Scales and SVG content; equal input gives equal bytes.
    """
    width, height = size
    right, bottom = width - RIGHT, height - BOTTOM
    across, up = _scale(x, (LEFT, right)), _scale(y, (bottom, TOP))
    columns = [(across.place(at), word) for at, word in x.ticks]
    rows = [(up.place(at), word) for at, word in y.ticks]
    lines = [f"M {at:g} {bottom} L {at:g} {TOP}" for at, _ in columns]
    lines += [f"M {LEFT} {at:g} L {right} {at:g}" for at, _ in rows]
    parts = [
        f'<path d="{" ".join(lines)}" '
        'style="fill: none; stroke: var(--grid); stroke-width: 0.8"/>',
        *(_text(word, at, bottom + 14, "middle") for at, word in columns),
        *(_text(word, LEFT - 5, round(at + 4.5, 1), "end") for at, word in rows),
        _text(x.label, (LEFT + right) / 2, bottom + 30, "middle"),
        _text(y.label, 16, (TOP + bottom) / 2, "middle", turned=True),
    ]
    return Frame("".join(parts), width, height, across, up)


def _scale(axis: Axis, ends: tuple[float, float]) -> Scale:
    low, high = (
        (math.log10(axis.low), math.log10(axis.high))
        if axis.log
        else (axis.low, axis.high)
    )
    slope = (ends[1] - ends[0]) / (high - low)
    return Scale(ends[0] - slope * low, slope, axis.log, axis.low, axis.high)


_HERTZ_TICKS = (
    (31.5, "31.5"),
    (63.0, "63"),
    (125.0, "125"),
    (250.0, "250"),
    (500.0, "500"),
    (1000.0, "1k"),
    (2000.0, "2k"),
    (4000.0, "4k"),
    (8000.0, "8k"),
    (16000.0, "16k"),
)


def hertz_axis(low_hz: float, high_hz: float, label: str = "Hz") -> Axis:
    """Logarithmic axis of frequency with octave ticks.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends.
    label : str
        Title.

    Returns
    -------
    Axis
        Ticks at the octaves that lie within.
    """
    ticks = tuple(tick for tick in _HERTZ_TICKS if low_hz <= tick[0] <= high_hz)
    return Axis(low_hz, high_hz, ticks, label, log=True)


def even_axis(low: float, high: float, label: str, lines: int = 6) -> Axis:
    """Linear axis with round ticks that holds a range.

    Parameters
    ----------
    low, high : float
        Smallest and largest value; widened to round ticks.
    label : str
        Title with its unit.
    lines : int
        About how many ticks.

    Returns
    -------
    Axis
        Step of 1, 2 or 5 times a power of ten.
    """
    span = max(high - low, 1e-6)
    raw = span / lines
    decade = 10.0 ** math.floor(math.log10(raw))
    step = next(f * decade for f in (1, 2, 5, 10) if f * decade >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple(
        (n * step, f"{n * step:.{digits}f}".replace("-", "\N{MINUS SIGN}"))
        for n in range(first, last + 1)
    )
    return Axis(first * step, last * step, ticks, label)
