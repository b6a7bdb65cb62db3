"""Which captures differ, by how much, and which few should be heard first?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median, pstdev

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.compare import distance_matrix, group_within, map_spots, pick_spread
from pipeline.models.metrics import METRICS
from pipeline.models.record import (
    Capture,
    Choice,
    Comparison,
    Repeatability,
    Spot,
)

MOST_DISTANCES = 200
"""A larger session stores no table of distances: it grows with the square."""
_SAME_START = 16.0
"""Passes started by hand lie anywhere: only lags this close, in samples, were made by
the same transport and can be compared."""
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class _Wording:
    """How a shortlist says that a measure is high or low, always with its figure."""

    most: str
    least: str
    more: str
    less: str
    figure: str
    away: str
    scale: float = 1.0
    base: float = 0.0
    digits: int = 1


def _band(word: str, where: str) -> _Wording:
    return _Wording(
        f"Most {word}",
        f"Least {word}",
        f"More {word} than most",
        f"Less {word} than most",
        f"{{value}} dB at {where}",
        "{away} dB {side} the middle",
    )


_WORDINGS = {
    "brightness_hz": _Wording(
        "Brightest",
        "Darkest",
        "Brighter than most",
        "Darker than most",
        "the centre of its power is at {value} Hz",
        "{away} Hz {side} the middle",
        digits=0,
    ),
    # Told as saturation, like everywhere on the page: 100 % minus the linear share.
    "linear_share": _Wording(
        "Cleanest",
        "Most saturated",
        "Cleaner than most",
        "More saturated than most",
        "{value} % of its power is more than a plain filter of the DI makes",
        "{away} points {side} the middle",
        scale=-100.0,
        base=100.0,
        digits=0,
    ),
    "body_db": _band("body", "80 to 200 Hz"),
    "mud_db": _band("low mids", "200 to 400 Hz"),
    "presence_db": _band("presence", "2.5 to 5 kHz"),
    "fizz_db": _band("fizz", "5.5 to 10 kHz"),
    "crest_db": _Wording(
        "Highest peaks",
        "Lowest peaks",
        "Higher peaks than most",
        "Lower peaks than most",
        "they stand {value} dB over its average",
        "{away} dB {side} the middle",
    ),
    "noise_dbfs": _Wording(
        "Noisiest",
        "Quietest",
        "Noisier than most",
        "Quieter than most",
        "{value} dBFS when the DI is silent",
        "{away} dB {side} the middle",
    ),
}
"""A metric that has no wording is never a reason."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A session's captures held against each other.

    Parameters
    ----------
    comparison : Comparison
        Distances, map and groups.
    repeatability : Repeatability or None
        The night's floor; None without control captures.
    shortlist : tuple of Choice
        The few to hear first.
    """

    comparison: Comparison
    repeatability: Repeatability | None
    shortlist: tuple[Choice, ...]


def compare_captures(
    captures: Sequence[Capture], reference: str | None, shortlist: int
) -> Compared:
    """Hold the usable captures of a session against each other.

    Parameters
    ----------
    captures : sequence of Capture
        All captures; rejected ones are passed over.
    reference : str or None
        The capture the others are held to; None takes the one nearest to all.
    shortlist : int
        How many captures the shortlist holds.

    Returns
    -------
    Compared
        Everything that needs more than one capture at once.
    """
    usable = [capture for capture in captures if capture.curves is not None]
    ids = tuple(capture.id for capture in usable)
    if not usable:
        return Compared(Comparison(reference=None), None, ())
    levels = np.array([c.curves.erb_db for c in usable if c.curves])
    distances = distance_matrix(levels)
    if reference not in ids:
        reference = ids[int(np.argmin(distances.sum(axis=1)))]
    floor = _repeatability(usable, distances)
    spots = map_spots(distances)
    groups: list[tuple[int, ...]] = []
    if floor is not None and floor.distance_db is not None:
        groups = group_within(distances, floor.distance_db)
    comparison = Comparison(
        reference=reference,
        ids=ids,
        distance_db=_rows(distances) if len(ids) <= MOST_DISTANCES else (),
        spots=tuple(
            Spot(id=id_, x=round(float(x), 3), y=round(float(y), 3))
            for id_, (x, y) in zip(ids, spots, strict=True)
        ),
        groups=tuple(tuple(ids[i] for i in group) for group in groups),
    )
    chosen = _choose(usable, distances, shortlist, floor)
    return Compared(comparison, floor, chosen)


def _rows(distances: NDArray[np.float64]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in np.round(distances, 2).tolist())


def _repeatability(
    usable: Sequence[Capture], distances: NDArray[np.float64]
) -> Repeatability | None:
    """Spread of the captures marked as control against those they repeat."""
    # A control belongs with every capture of the same set-up, microphone and place.
    families = _families(usable)
    if not families:
        return None
    members = [index for family in families for index in family]
    pairs = [
        (i, j) for family in families for n, i in enumerate(family) for j in family[:n]
    ]
    keys = [metric.key for metric in METRICS]
    metrics = {
        key: max(spread)
        for key in keys
        if (
            spread := [
                s for f in families if (s := _spread(usable, f, key)) is not None
            ]
        )
    }
    return Repeatability(
        captures=tuple(usable[i].id for i in members),
        latency_samples=_lag_floor(usable, families),
        distance_db=max(float(distances[i, j]) for i, j in pairs),
        metrics=metrics,
    )


def _families(usable: Sequence[Capture]) -> list[list[int]]:
    groups: dict[tuple[object, ...], list[int]] = {}
    for index, capture in enumerate(usable):
        key = (capture.setup, capture.mic, capture.place)
        groups.setdefault(key, []).append(index)
    return [
        members
        for members in groups.values()
        if len(members) > 1 and any(usable[i].control for i in members)
    ]


def _lag_floor(
    usable: Sequence[Capture], families: Sequence[Sequence[int]]
) -> float | None:
    """Largest difference of lag among captures of one set-up, in samples."""
    lags = [
        {usable[i].pass_id: lag.samples for i in family if (lag := usable[i].latency)}
        for family in families
    ]
    own = [abs(a - b) for one in lags for a, b in combinations(one.values(), 2)]
    if own and max(own) < _SAME_START:
        return max(own)
    # Passes were started by hand: their lags tell nothing, but two microphones of a
    # pass share one start.
    apart = (
        [one[key] - other[key] for key in one if key in other]
        for one, other in combinations(lags, 2)
    )
    mutual = [abs(a - b) for steps in apart for a, b in combinations(steps, 2)]
    return max(mutual) if mutual else None


def _spread(usable: Sequence[Capture], family: list[int], key: str) -> float | None:
    values = [v for i in family if (v := usable[i].metrics.get(key)) is not None]
    return max(values) - min(values) if len(values) > 1 else None


def _choose(
    usable: Sequence[Capture],
    distances: NDArray[np.float64],
    count: int,
    floor: Repeatability | None,
) -> tuple[Choice, ...]:
    # A repetition adds nothing to hear; a flagged capture only if nothing else is left.
    pool = [i for i, c in enumerate(usable) if not c.control and c.status == "ok"]
    if len(pool) < count:
        pool = [i for i, c in enumerate(usable) if not c.control] or list(
            range(len(usable))
        )
    picked = [pool[i] for i in pick_spread(distances[np.ix_(pool, pool)], count)]
    taken: set[str] = set()
    choices = []
    for index in picked:
        text, key = _reason(usable, index, taken, floor.metrics if floor else {})
        taken.add(key)
        nearest = [float(distances[index, j]) for j in picked if j != index]
        if nearest:
            text += f"; at least {min(nearest):.1f} dB from every other choice"
            if floor is not None and min(nearest) <= (floor.distance_db or 0.0):
                text += ", not distinguishable tonight"
        choices.append(Choice(id=usable[index].id, reason=text))
    return tuple(choices)


def _reason(
    usable: Sequence[Capture],
    index: int,
    taken: set[str],
    floor: Mapping[str, float],
) -> tuple[str, str]:
    """Say what sets a capture apart: its most unusual measure not yet named."""
    # What the same set-up recorded again differs by is no reason.
    best: tuple[float, str, float] | None = None
    for key in _WORDINGS:
        value = usable[index].metrics.get(key)
        values = _values(usable, key)
        if value is None or key in taken or len(values) < 2:
            continue
        away = abs(value - median(values))
        if away > floor.get(key, 0.0) and (
            best is None or away / pstdev(values) > best[0]
        ):
            best = (away / pstdev(values), key, value)
    if best is None:
        return "Differs most from the others", ""
    _, key, value = best
    return _say(_WORDINGS[key], _values(usable, key), value), key


def _values(usable: Sequence[Capture], key: str) -> list[float]:
    return [v for c in usable if (v := c.metrics.get(key)) is not None]


def _say(wording: _Wording, values: Sequence[float], value: float) -> str:
    """Put one measure into words: what it is, how much, and against the middle."""
    high = value > median(values)
    if value in {max(values), min(values)}:
        head = f"{wording.most if high else wording.least} of the night"
    else:
        head = wording.more if high else wording.less
    told = wording.base + wording.scale * value
    away = wording.scale * (value - median(values))
    figure = wording.figure.format(value=f"{told:.{wording.digits}f}")
    middle = wording.away.format(
        away=f"{abs(away):.{wording.digits}f}", side="above" if away > 0 else "below"
    )
    return f"{head}: {figure}, {middle}".replace(" -", f" {_MINUS}")
