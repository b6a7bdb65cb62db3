"""Frames of the page's pictures: scales, ticks and grid, drawn as SVG.

matplotlib draws each frame once; curves and points are put into it by the frame's
own scales, so that the browser can redraw them with the same two numbers. Colours
are style variables of the page: a picture follows the light, the dark and the
printed page. No text of a record ever enters a frame.
"""

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

POINTS_PER_INCH = 72.0
WIDE = (760, 400)
"""Size of a picture that goes across the page."""
_LEFT = 58
"""Left margin in picture units, where no figure is long."""
_TITLE, _DIGIT = 22, 8
"""Room for the upright title, and for a digit of a figure."""
INK = "#010203"
GRID = "#040506"
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "reamps",
    "path.simplify": False,
}
_ATTRIBUTES = re.compile(r' (?:id|clip-path)="[^"]*"')
_FONT = re.compile(r"; font-family: [^;\"]*|font-family: [^;\"]*;?")
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)


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


def _tidy(svg: str) -> str:
    content = svg[svg.index(">", svg.index("<svg")) + 1 : svg.rindex("</svg>")]
    content = content[content.index("</defs>") + len("</defs>") :]
    content = _COMMENT.sub("", content)
    content = _FONT.sub("", _ATTRIBUTES.sub("", content))
    content = content.replace(INK, "var(--ink-soft)").replace(GRID, "var(--grid)")
    return re.sub(r"\s*\n\s*", " ", content).strip()


def _dress(axis: object, spec: Axis) -> None:
    # matplotlib types both axes alike; only the common part is used here.
    axis.set_major_locator(FixedLocator([at for at, _ in spec.ticks]))  # type: ignore[attr-defined]
    axis.set_minor_locator(NullLocator())  # type: ignore[attr-defined]
    axis.set_major_formatter(FixedFormatter([word for _, word in spec.ticks]))  # type: ignore[attr-defined]
    axis.set_label_text(spec.label, color=INK, fontsize=12)  # type: ignore[attr-defined]
    axis.set_tick_params(length=0, labelsize=12, labelcolor=INK, pad=5)  # type: ignore[attr-defined]


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
    longest = max((len(word) for _, word in y.ticks), default=0)
    left, right = max(_LEFT, _TITLE + _DIGIT * longest), width - 14
    top, bottom = 10, height - 44
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width / POINTS_PER_INCH, height / POINTS_PER_INCH))
        canvas = FigureCanvasSVG(figure)
        figure.patch.set_visible(False)
        axes = figure.add_axes(
            (
                left / width,
                1 - bottom / height,
                (right - left) / width,
                (bottom - top) / height,
            ),
            facecolor="none",
            xscale="log" if x.log else "linear",
            yscale="log" if y.log else "linear",
        )
        axes.set_xlim(x.low, x.high)
        axes.set_ylim(y.low, y.high)
        _dress(axes.xaxis, x)
        _dress(axes.yaxis, y)
        axes.grid(visible=True, color=GRID, linewidth=0.8)
        for spine in axes.spines.values():
            spine.set_visible(False)
        text = io.StringIO()
        canvas.print_figure(
            text, format="svg", metadata={"Date": None, "Creator": None}
        )
    return Frame(
        svg=_tidy(text.getvalue()),
        width=width,
        height=height,
        x=_scale(x, (left, right)),
        y=_scale(y, (bottom, top)),
    )


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
