"""Record to view: how far the captures are from each other, the alike side by side."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import nsmallest

from pipeline.models.record import Record
from pipeline.report import text
from pipeline.report.names import Name
from pipeline.report.plots import even_axis
from pipeline.report.thinning import chosen, thinned

MOST_CELLS_A_SIDE = 48
MOST_NAMED = 48
LEVELS = 8
CELL = 12
MOST_ALIKE = 3


@dataclass(frozen=True, slots=True)
class Distances:
    """Ordered lower triangle of distances."""

    names: tuple[Name, ...]
    values: tuple[tuple[float, ...], ...]
    fills: tuple[tuple[int, str], ...]
    steps: tuple[str, ...]
    side: int
    labelled: bool
    note: str | None


def _chain(table: Sequence[Sequence[float]], members: Sequence[int]) -> list[int]:
    """Order that puts the nearest next: each step goes to the closest one left."""
    left = list(members[1:])
    order = [members[0]]
    while left:
        row = table[order[-1]]
        nearest = min(left, key=row.__getitem__)
        left.remove(nearest)
        order.append(nearest)
    return order


def _fills(
    values: Sequence[Sequence[float]], step_db: float, floor_db: float | None
) -> tuple[tuple[int, str], ...]:
    paths: dict[int, list[str]] = {}
    for y, row in enumerate(values):
        for x, at in enumerate(row[:y]):
            level = min(LEVELS - 1, int(at / step_db))
            if floor_db is not None and at <= floor_db:
                level = -1
            paths.setdefault(level, []).append(
                f"M{x * CELL},{(y - 1) * CELL}h{CELL - 1}v{CELL - 1}h-{CELL - 1}z"
            )
    return tuple((level, "".join(paths[level])) for level in sorted(paths))


def distances(record: Record, names: Mapping[str, Name]) -> Distances | None:
    """Distances between captures, the alike side by side.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Distances or None
        None for fewer than two captures.
    """
    table = record.comparison.distance_db
    ids = record.comparison.ids
    if len(ids) < 2 or len(table) != len(ids):
        return None
    bright = {c.id: c.metrics.get("brightness_hz") or 0.0 for c in record.captures}
    sortable = sorted(range(len(ids)), key=lambda k: bright.get(ids[k], 0.0))
    keep, total = chosen(record, [ids[k] for k in sortable], MOST_CELLS_A_SIDE)
    order = _chain(table, [k for k in sortable if ids[k] in keep and ids[k] in names])
    values = tuple(tuple(table[a][b] for b in order) for a in order)
    largest = max(max(row) for row in values) or 1.0
    step_db = even_axis(0.0, largest, "", LEVELS - 1).ticks[1][0]
    floor = record.repeatability.distance_db if record.repeatability else None
    return Distances(
        names=tuple(names[ids[k]] for k in order),
        values=values,
        fills=_fills(values, step_db, floor),
        steps=tuple(text.number(step_db * k, 1, "dB") for k in range(LEVELS)),
        side=CELL * (len(order) - 1),
        labelled=len(order) <= MOST_NAMED,
        note=thinned(len(order), total),
    )


def nearest(
    record: Record, names: Mapping[str, Name]
) -> dict[str, tuple[tuple[int, float], ...]]:
    """Who is most alike: the map in figures, also where it holds too many for a table.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    dict of str to tuple of (int, float)
        For each capture the numbers of the `MOST_ALIKE` nearest, and dB.
    """
    ids, table = record.comparison.ids, record.comparison.distance_db
    found = {}
    for key, row in zip(ids, table, strict=False):
        others = (
            (db, names[ids[k]].index)
            for k, db in enumerate(row)
            if ids[k] != key and ids[k] in names
        )
        found[key] = tuple((at, db) for db, at in nsmallest(MOST_ALIKE, others))
    return found
