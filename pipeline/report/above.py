"""Record to view: the microphones from above, by their distance from the grille.

Across, the picture has the front view's millimetres; away from the grille it is
logarithmic, because the last centimetres count for more than the last metre. A line
from each dot is the microphone's body: it points away from the grille on axis, and
leans by the angle where the manifest gives one: to the right, a negative one to the
left.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.record import Capture
from pipeline.report import places, text
from pipeline.report.names import Name

NEAREST_MM = 10.0
DECADE = 150.0
DOT = 8.0
BODY = 24.0
A_ROW = 9
STEP = 2.2 * DOT
_TICKS = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)


@dataclass(frozen=True, slots=True)
class Standing:
    """One capture: its dot, its spot, and the end of its body."""

    name: Name
    x: float
    y: float
    spot: tuple[float, float]
    body: tuple[float, float]
    told: str


@dataclass(frozen=True, slots=True)
class AboveView:
    """One cabinet from above: microphones, and lines of equal distance.

    `levels` holds a row for each speaker, so that none hides one above or below it.
    """

    mics: tuple[Standing, ...]
    lines: tuple[tuple[float, str], ...]
    levels: tuple[int, ...]
    depth: float
    missing: int


def depth(distance_mm: float) -> float:
    """How far down the picture a distance lies.

    Parameters
    ----------
    distance_mm : float
        Distance from the grille.

    Returns
    -------
    float
        0 at 10 mm and nearer, `DECADE` more for every factor of ten.
    """
    return round(DECADE * math.log10(max(distance_mm, NEAREST_MM) / NEAREST_MM), 1)


def _free(
    spot: tuple[float, float], taken: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Nearest free place beside a spot: the distance stays true as long as it can."""
    for turn in range(A_ROW * A_ROW):
        row, column = divmod(turn, A_ROW)
        side = (column + 1) // 2 * (1 if column % 2 else -1)
        x, y = spot[0] + side * STEP, spot[1] + row * STEP
        if all(math.hypot(x - a, y - b) >= 2 * DOT for a, b in taken):
            return round(x, 1), round(y, 1)
    return spot


def levels(ends: Sequence[tuple[float, float]]) -> tuple[int, ...]:
    """Rows for stretches, so that none overlaps another in its row.

    Parameters
    ----------
    ends : sequence of (float, float)
        Left and right end of each.

    Returns
    -------
    tuple of int
        The lowest free row of each, in the order given.
    """
    found: list[int] = []
    for left, right in ends:
        taken = {
            row
            for row, (a, b) in zip(found, ends, strict=False)
            if left < b and a < right
        }
        found.append(next(row for row in range(len(ends)) if row not in taken))
    return tuple(found)


def above(
    captures: Sequence[Capture],
    stood: tuple[Mapping[str, float], Sequence[tuple[float, float]]],
    names: Mapping[str, Name],
) -> AboveView | None:
    """Draw one cabinet's microphones from above.

    Parameters
    ----------
    captures : sequence of Capture
        Those in the front view.
    stood : tuple of mapping and sequence
        Where each of them stands from left to right, by id; and each speaker's ends.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    AboveView or None
        None where no distance is written.
    """
    across, ends = stood
    mics: list[Standing] = []
    for capture in captures:
        away = capture.place.distance_mm
        if away is None:
            continue
        spot = across[capture.id], depth(away)
        at = _free(spot, [(mic.x, mic.y) for mic in mics])
        turn = math.radians(capture.place.angle_deg or 0.0)
        end = at[0] + BODY * math.sin(turn), at[1] + BODY * math.cos(turn)
        mics.append(
            Standing(
                name=names[capture.id],
                x=at[0],
                y=at[1],
                spot=spot,
                body=(round(end[0], 1), round(end[1], 1)),
                told=places.place(capture.place),
            )
        )
    if not mics:
        return None
    lowest = max(mic.y for mic in mics)
    return AboveView(
        mics=tuple(mics),
        lines=tuple(
            (depth(mm), text.number(mm, 0, "mm"))
            for mm in _TICKS
            if depth(mm) <= lowest + 1
        ),
        levels=levels(ends),
        depth=lowest + BODY,
        missing=len(captures) - len(mics),
    )
