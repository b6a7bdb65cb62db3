"""Where a point's name goes so that it hides neither a point nor another name."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

LONGEST = 18
LETTER = 6.7
LINE = 13.0
RADIUS = 7.0
GAP = 4.0


@dataclass(frozen=True, slots=True)
class Label:
    """A name beside its point.

    Parameters
    ----------
    text : str
        At most `LONGEST` letters.
    x, y : float
        Where its baseline starts, is centred or ends.
    anchor : str
        "start", "middle" or "end", as SVG says it.
    """

    text: str
    x: float
    y: float
    anchor: str


_Box = tuple[float, float, float, float]


def _candidates(x: float, y: float, name: str) -> Iterable[tuple[Label, _Box]]:
    wide = LETTER * len(name)
    reach = RADIUS + GAP
    for label_x, middle, anchor, left in (
        (x + reach, y, "start", x + reach),
        (x - reach, y, "end", x - reach - wide),
        (x, y - reach - LINE / 2, "middle", x - wide / 2),
        (x, y + reach + LINE / 2, "middle", x - wide / 2),
        (x + RADIUS, y - reach - 4, "start", x + RADIUS),
        (x - RADIUS, y - reach - 4, "end", x - RADIUS - wide),
        (x + RADIUS, y + reach + 4, "start", x + RADIUS),
        (x - RADIUS, y + reach + 4, "end", x - RADIUS - wide),
    ):
        box = left, middle - LINE / 2, left + wide, middle + LINE / 2
        label = Label(name, round(label_x, 1), round(middle + 4, 1), anchor)
        yield label, box


def _hidden(
    box: _Box, points: Iterable[tuple[float, float]], taken: Iterable[_Box]
) -> int:
    left, top, right, bottom = box
    over = sum(
        left - RADIUS < x < right + RADIUS and top - RADIUS < y < bottom + RADIUS
        for x, y in points
    )
    return over + 2 * sum(
        left < other[2] and other[0] < right and top < other[3] and other[1] < bottom
        for other in taken
    )


def _outside(box: _Box, size: tuple[float, float]) -> int:
    left, top, right, bottom = box
    return 5 * (left < 0 or top < 0 or right > size[0] or bottom > size[1])


def place_labels(
    named: Sequence[tuple[str, float, float]],
    points: Sequence[tuple[float, float]],
    size: tuple[float, float],
) -> tuple[Label, ...]:
    """Place names, each where it hides least.

    Parameters
    ----------
    named : sequence of (str, float, float)
        Names and the centres of their points.
    points : sequence of (float, float)
        Centres of all points.
    size : tuple of float
        Width and height of the picture.

    Returns
    -------
    tuple of Label
        In the order of `named`; right of the point where nothing is in the way.
    """
    labels: list[Label] = []
    taken: list[_Box] = []
    for name, x, y in named:
        short = (
            name
            if len(name) <= LONGEST
            else name[: LONGEST - 1] + "\N{HORIZONTAL ELLIPSIS}"
        )
        others = [spot for spot in points if spot != (x, y)]
        label, box = min(
            _candidates(x, y, short),
            key=lambda found: (
                _hidden(found[1], others, taken) + _outside(found[1], size)
            ),
        )
        labels.append(label)
        taken.append(box)
    return tuple(labels)
