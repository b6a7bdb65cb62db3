"""Two nights of the same set-ups: what changed, and is it more than chance?

A set-up recorded twice in one night differs a little too; the record calls that the
night's floor. A change between nights counts when it is larger than the larger of
both floors. Levels of nights with different loudness targets are reconciled by
arithmetic: one static gain moves every level by itself, and no audio is touched.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from pydantic import JsonValue

from pipeline.library.private import public
from pipeline.library.tone import Single, distance, tone
from pipeline.models.metrics import METRICS
from pipeline.models.record import Capture, Record

LEVEL_KEYS = frozenset({"noise_dbfs"})
"""Metrics that a gain moves; all others are ratios."""
Verdict = Literal["within the floor", "more than the floor", "no floor known"]
Match = Literal["same set-up", "same name"]


@dataclass(frozen=True, slots=True)
class Change:
    """One figure on two nights.

    Parameters
    ----------
    key : str
        Metric, or ``spectrum_db`` and ``rig_db`` for whole tones.
    first, second : float or None
        Its value on each night, the second brought to the first night's level; None
        for a distance.
    change : float
        Second minus first, or the distance.
    floor : float or None
        The larger floor of both nights.
    verdict : Verdict
        Whether the change is larger than the floor.
    """

    key: str
    first: float | None
    second: float | None
    change: float
    floor: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Again:
    """One set-up on two nights.

    Parameters
    ----------
    first, second : str
        Ids of its captures.
    match : Match
        Why they were put side by side.
    differs : tuple of str
        What the recall data says was set otherwise.
    changes : tuple of Change
        Figures that both nights have.
    """

    first: str
    second: str
    match: Match
    differs: tuple[str, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Reunion:
    """Two nights against each other.

    Parameters
    ----------
    target_lufs : float
        Level at which both can be heard side by side: the lower target.
    gains_db : tuple of float
        What to turn each night by to get there; 0 or negative.
    again : tuple of Again
        Set-ups of both.
    only_first, only_second : tuple of str
        Captures without a partner.
    """

    target_lufs: float
    gains_db: tuple[float, float]
    again: tuple[Again, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]


def _settings(record: Record, capture: Capture) -> dict[str, str]:
    """Everything that was set for a capture, as text by name."""
    recall = record.recall
    setup = recall.setup.get(capture.setup or "", {})
    cabinet = setup.get("cabinet")
    found: dict[str, JsonValue] = dict(capture.place.model_dump(mode="json"))
    found["mic"] = capture.mic
    for table, facts in (
        ("setup", setup),
        (
            "cabinet",
            recall.cabinet.get(cabinet, {}) if isinstance(cabinet, str) else {},
        ),
        ("mic", recall.mic.get(capture.mic or "", {})),
    ):
        found[table] = public(facts)
    if not setup:
        found["setup"] = capture.setup
    return {
        key: json.dumps(value, ensure_ascii=False)
        for key, value in _single(found, "")
        if value is not None
    }


def _single(table: Mapping[str, object], path: str) -> Iterator[tuple[str, object]]:
    """Name every single value of a table by its path; lists are values."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _single(value, f"{path}{key}.")
        else:
            yield f"{path}{key}", value


def _differs(first: dict[str, str], second: dict[str, str]) -> tuple[str, ...]:
    return tuple(
        f"{key}: {first.get(key, 'not written')} -> {second.get(key, 'not written')}"
        for key in sorted(first.keys() | second.keys())
        if first.get(key) != second.get(key)
    )


def _matches(a: Record, b: Record) -> list[tuple[Capture, Capture, Match]]:
    """Pair captures by what was set, then by name; each is used once."""
    kept = [[c for c in r.captures if c.status != "rejected"] for r in (a, b)]
    waiting: dict[str, list[Capture]] = defaultdict(list)
    for capture in kept[1]:
        waiting[json.dumps(_settings(b, capture), sort_keys=True)].append(capture)
    found: list[tuple[Capture, Capture, Match]] = []
    alone: list[Capture] = []
    for capture in kept[0]:
        partners = waiting[json.dumps(_settings(a, capture), sort_keys=True)]
        if partners:
            found.append((capture, partners.pop(0), "same set-up"))
        else:
            alone.append(capture)
    rest = {c.id: c for partners in waiting.values() for c in partners}
    found += [(c, rest[c.id], "same name") for c in alone if c.id in rest]
    return found


def _floor(a: Record, b: Record, key: str) -> float | None:
    found = [
        record.repeatability.distance_db
        if key == "spectrum_db"
        else record.repeatability.metrics.get(key)
        for record in (a, b)
        if record.repeatability is not None
    ]
    known = [value for value in found if value is not None]
    return max(known) if known else None


def _change(key: str, values: tuple[float, float], floor: float | None) -> Change:
    change = values[1] - values[0]
    return Change(key, *values, change, floor, _verdict(change, floor))


def _verdict(change: float, floor: float | None) -> Verdict:
    if floor is None:
        return "no floor known"
    return "more than the floor" if abs(change) > floor else "within the floor"


def _tones(a: Record, b: Record, pair: tuple[Capture, Capture]) -> list[Change]:
    first, second = pair
    found: list[Change] = []
    if first.curves is None or second.curves is None:
        return found
    if a.di.sha256 == b.di.sha256 and _same_axes(a, b):
        levels = np.array(second.curves.erb_db) - np.array(first.curves.erb_db)
        spread = float(np.std(levels))
        floor = _floor(a, b, "spectrum_db")
        verdict = _verdict(spread, floor)
        found.append(Change("spectrum_db", None, None, spread, floor, verdict))
    if a.axes is not None and b.axes is not None:
        rigs = tone(first.curves, a.di, a.axes), tone(second.curves, b.di, b.axes)
        far = (
            distance(rigs[0], rigs[1])
            if rigs[0] is not None and rigs[1] is not None
            else None
        )
        if far is not None:
            floors = [floor for r in (a, b) if (floor := _rig_floor(r)) is not None]
            floor = max(floors, default=None)
            verdict = _verdict(far.total_db, floor)
            found.append(Change("rig_db", None, None, far.total_db, floor, verdict))
    return found


def _rig_floor(record: Record) -> float | None:
    """Largest distance of what was recorded again: set-up, microphone and place."""
    again = record.repeatability.captures if record.repeatability else ()
    if record.axes is None:
        return None
    known: dict[tuple[object, ...], list[Single]] = {}
    for capture in record.captures:
        if capture.id in again and capture.curves is not None:
            rig = tone(capture.curves, record.di, record.axes)
            if rig is not None:
                same = (capture.setup, capture.mic, capture.place)
                known.setdefault(same, []).append(rig)
    far = [distance(*pair) for rigs in known.values() for pair in combinations(rigs, 2)]
    return max((d.total_db for d in far if d is not None), default=None)


def _same_axes(a: Record, b: Record) -> bool:
    return a.axes is not None and b.axes is not None and a.axes.erb_hz == b.axes.erb_hz


def _changes(a: Record, b: Record, pair: tuple[Capture, Capture]) -> tuple[Change, ...]:
    louder = b.loudness.effective_target_lufs - a.loudness.effective_target_lufs
    found: list[Change] = []
    for metric in METRICS:
        first, second = (c.metrics.get(metric.key) for c in pair)
        if first is None or second is None:
            continue
        if metric.key in LEVEL_KEYS:
            second -= louder
        floor = _floor(a, b, metric.key)
        found.append(_change(metric.key, (first, second), floor))
    return (*found, *_tones(a, b, pair))


def compare_nights(a: Record, b: Record) -> Reunion:
    """Hold two nights against each other.

    Parameters
    ----------
    a, b : Record
        The earlier and the later one.

    Returns
    -------
    Reunion
        Set-ups are matched by everything that was written about them (but private
        notes), what is left by the captures' names. With the same DI
        ``spectrum_db`` is the standard deviation over ERB-spaced bands of the level
        difference; ``rig_db`` is the library's distance, whatever was played.
    """
    matches = _matches(a, b)
    again = tuple(
        Again(
            first.id,
            second.id,
            match,
            _differs(_settings(a, first), _settings(b, second)),
            _changes(a, b, (first, second)),
        )
        for first, second, match in matches
    )
    targets = a.loudness.effective_target_lufs, b.loudness.effective_target_lufs
    common = min(targets)
    used = (
        {first.id for first, _, _ in matches},
        {second.id for _, second, _ in matches},
    )
    return Reunion(
        target_lufs=common,
        gains_db=(common - targets[0], common - targets[1]),
        again=again,
        only_first=_others(a, used[0]),
        only_second=_others(b, used[1]),
    )


def _others(record: Record, used: set[str]) -> tuple[str, ...]:
    kept = (c.id for c in record.captures if c.status != "rejected")
    return tuple(name for name in kept if name not in used)
