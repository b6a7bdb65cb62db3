"""Record to view: the data layers of the pictures, thinned openly on large nights.

Curves are stored results put onto a frame's scales. A difference of two stored
curves is drawn, not measured. What is left out for legibility is said beside the
picture; the browser can still draw any capture that the listener selects.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.record import Axes, Capture, Record
from pipeline.report import text
from pipeline.report.labels import Label, place_labels
from pipeline.report.names import Name
from pipeline.report.plots import Axis, Frame, even_axis, frame, hertz_axis

WIDE = (760, 400)
LOW_HZ, HIGH_HZ = 40.0, 16000.0
SPAN_DB = 60.0
MOST_LINES = 120
MOST_CELLS_A_SIDE = 48
MOST_NAMED = 48
MOST_ENDINGS = 6
MAP_EDGE = 40
LEVELS = 8
CELL = 12
_BRIGHTNESS_TICKS = (
    *(100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000),
)


@dataclass(frozen=True, slots=True)
class Curve:
    """One capture's line."""

    name: Name
    path: str
    role: str


@dataclass(frozen=True, slots=True)
class Spectra:
    """Average spectra, and their differences from the reference."""

    levels: Frame
    differences: Frame
    curves: tuple[Curve, ...]
    difference_curves: tuple[Curve, ...]
    di: str
    bands: tuple[tuple[float, str], ...]
    note: str | None


@dataclass(frozen=True, slots=True)
class Point:
    """One capture's point."""

    name: Name
    x: float
    y: float
    told: str
    short: bool


@dataclass(frozen=True, slots=True)
class Tones:
    """Brightness against saturation."""

    frame: Frame
    points: tuple[Point, ...]
    labels: tuple[Label, ...]
    missing: int


@dataclass(frozen=True, slots=True)
class ToneMap:
    """Captures as a map: the nearer, the more alike. No axes, no unit."""

    width: int
    height: int
    points: tuple[Point, ...]
    labels: tuple[Label, ...]


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


@dataclass(frozen=True, slots=True)
class Ending:
    """A capture's name and the height at which its line ends."""

    name: Name
    end: float


@dataclass(frozen=True, slots=True)
class Tracks:
    """Lag against time."""

    frame: Frame
    curves: tuple[Curve, ...]
    named: tuple[Ending, ...]
    note: str | None


def band_rows(axes: Axes | None) -> list[int]:
    """Third octaves that the pictures show.

    Parameters
    ----------
    axes : Axes or None
        The record's frequencies.

    Returns
    -------
    list of int
        Places in the curves from 40 Hz to 16 kHz.
    """
    if axes is None:
        return []
    # Half a band of room: exact centres lie beside their nominal names.
    low, high = LOW_HZ / 1.1, HIGH_HZ * 1.1
    return [k for k, hz in enumerate(axes.third_octave_hz) if low <= hz <= high]


def _evenly(items: Sequence[str], count: int) -> list[str]:
    if len(items) <= count:
        return list(items)
    return [items[k * len(items) // count] for k in range(count)]


def chosen(record: Record, ids: Iterable[str], most: int) -> tuple[set[str], int]:
    """Choose what a picture shows when not all captures fit.

    Parameters
    ----------
    record : Record
        The session.
    ids : iterable of str
        Captures that could be shown, in the order wanted.
    most : int
        How many fit.

    Returns
    -------
    tuple of set and int
        Always the reference, the shortlist and one of each group that cannot be
        told apart; the rest evenly. And how many there were.
    """
    known = list(ids)
    if len(known) <= most:
        return set(known), len(known)
    first = [record.comparison.reference or "", *(c.id for c in record.shortlist)]
    kept = [key for key in dict.fromkeys(first) if key in set(known)][:most]
    twins = {key for group in record.comparison.groups for key in group[1:]}
    rest = [key for key in known if key not in twins and key not in kept]
    return {*kept, *_evenly(rest, most - len(kept))}, len(known)


def thinned(shown: int, total: int) -> str | None:
    """Sentence on what a picture leaves out.

    Parameters
    ----------
    shown, total : int
        Captures shown, and all.

    Returns
    -------
    str or None
        None when nothing is left out.
    """
    if shown >= total:
        return None
    return (
        f"{shown} of {total} captures are drawn, so that you can still see them: the "
        "reference, the shortlist, and the rest evenly from dark to bright. Select "
        "any other capture and it is drawn too."
    )


def by_brightness(captures: Iterable[Capture]) -> list[Capture]:
    """Sort captures from dark to bright; unknown brightness first.

    Parameters
    ----------
    captures : iterable of Capture
        The captures.

    Returns
    -------
    list of Capture
        Sorted.
    """
    return sorted(captures, key=lambda c: c.metrics.get("brightness_hz") or 0.0)


def _difference_axis(curves: Iterable[Sequence[float]]) -> Axis:
    widest = max((abs(at) for curve in curves for at in curve), default=6.0)
    reach = next((r for r in (6, 12, 18) if widest <= r), 24)
    ticks = tuple(
        (float(at), f"{at:+d}".replace("-", "\N{MINUS SIGN}") if at else "0")
        for at in range(-reach, reach + 1, reach // 3)
    )
    return Axis(-reach, reach, ticks, "dB against the reference")


def spectra(record: Record, names: Mapping[str, Name]) -> Spectra | None:
    """Average spectra of the captures.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Spectra or None
        None when no capture has a curve.
    """
    drawn = [c for c in by_brightness(record.captures) if c.curves is not None]
    rows = band_rows(record.axes)
    if not drawn or record.axes is None or not rows:
        return None
    hz = [record.axes.third_octave_hz[k] for k in rows]
    levels = {c.id: _picked(c, rows) for c in drawn}
    reference = record.comparison.reference
    held = levels.get(reference or "") or levels[drawn[0].id]
    changes = {
        key: [a - b for a, b in zip(curve, held, strict=True)]
        for key, curve in levels.items()
    }
    keep, total = chosen(record, levels, MOST_LINES)
    top = max(max(curve) for curve in levels.values())
    x = hertz_axis(LOW_HZ, HIGH_HZ)
    bottom = max(top - SPAN_DB, min(min(curve) for curve in levels.values()))
    level_frame = frame(WIDE, x, even_axis(bottom, top, "dB", 6))
    change_frame = frame(WIDE, x, _difference_axis(changes.values()))
    roles = _roles(record)

    def lines(on: Frame, series: Mapping[str, list[float]]) -> tuple[Curve, ...]:
        return tuple(
            Curve(names[key], on.path(hz, series[key]), roles.get(key, ""))
            for key in levels
            if key in keep
        )

    di = record.di.third_octave_db
    return Spectra(
        levels=level_frame,
        differences=change_frame,
        curves=lines(level_frame, levels),
        difference_curves=lines(change_frame, changes),
        di=level_frame.path(hz, [di[k] for k in rows]) if len(di) > rows[-1] else "",
        bands=tuple(
            (record.axes.third_octave_hz[k], _band(record.axes, k)) for k in rows
        ),
        note=thinned(len(keep), total),
    )


def _picked(capture: Capture, rows: Sequence[int]) -> list[float]:
    curve = capture.curves.third_octave_db if capture.curves else ()
    return [curve[k] for k in rows]


def _band(axes: Axes, at: int) -> str:
    if at < len(axes.third_octave_label):
        return axes.third_octave_label[at]
    return text.number(axes.third_octave_hz[at], 0)


def _roles(record: Record) -> dict[str, str]:
    roles = {choice.id: "short" for choice in record.shortlist}
    if record.comparison.reference:
        roles[record.comparison.reference] = "reference"
    return roles


def tones(record: Record, names: Mapping[str, Name]) -> Tones | None:
    """Brightness against saturation.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Tones or None
        None when no capture has both figures.
    """
    found = [
        (c, bright, 100 * (1 - share))
        for c in by_brightness(record.captures)
        if (bright := c.metrics.get("brightness_hz"))
        and (share := c.metrics.get("linear_share")) is not None
    ]
    if not found:
        return None
    brights = [bright for _, bright, _ in found]
    burnt = [saturation for _, _, saturation in found]
    low, high = min(brights) / 1.12, max(brights) * 1.12
    ticks = tuple((float(hz), str(hz)) for hz in _BRIGHTNESS_TICKS if low <= hz <= high)
    on = frame(
        WIDE,
        Axis(low, high, ticks, "Brightness, Hz: darker to brighter", log=True),
        even_axis(
            max(0.0, min(burnt) - 3), min(100.0, max(burnt) + 3), "Saturation, %"
        ),
    )
    short = {choice.id for choice in record.shortlist}
    points = tuple(
        Point(
            names[c.id],
            on.x.place(bright),
            on.y.place(saturation),
            f"{text.number(bright, 0, 'Hz')}, {text.number(saturation, 0, '%')}",
            c.id in short,
        )
        for c, bright, saturation in found
    )
    labels = _labels(points, (on.width, on.height))
    return Tones(on, points, labels, len(record.captures) - len(points))


def _labels(points: Sequence[Point], size: tuple[float, float]) -> tuple[Label, ...]:
    return place_labels(
        [(point.name.id, point.x, point.y) for point in points if point.short],
        [(point.x, point.y) for point in points],
        size,
    )


def tone_map(record: Record, names: Mapping[str, Name]) -> ToneMap | None:
    """Map on which distances follow the spectra.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    ToneMap or None
        One scale for both directions; None for fewer than three captures.
    """
    spots = [spot for spot in record.comparison.spots if spot.id in names]
    if len(spots) < 3:
        return None
    left, top = min(s.x for s in spots), min(s.y for s in spots)
    wide, high = max(s.x for s in spots) - left, max(s.y for s in spots) - top
    scale = (WIDE[0] - 2 * MAP_EDGE) / (max(wide, 1.6 * high) or 1.0)
    short = {choice.id for choice in record.shortlist}
    points = tuple(
        Point(
            names[spot.id],
            round(MAP_EDGE + (spot.x - left) * scale, 1),
            round(MAP_EDGE + (spot.y - top) * scale, 1),
            "",
            spot.id in short,
        )
        for spot in spots
    )
    height = max(round(high * scale) + 2 * MAP_EDGE, 160)
    return ToneMap(WIDE[0], height, points, _labels(points, (WIDE[0], height)))


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


def tracks(record: Record, names: Mapping[str, Name]) -> Tracks | None:
    """Lag of each capture over time, against its own latency.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Tracks or None
        None when no lag was followed over time.
    """
    rate = record.di.sample_rate_hz
    found: dict[str, tuple[list[float], list[float]]] = {}
    for capture in record.captures:
        late = capture.latency
        if late is not None and len(late.track) > 1:
            found[capture.id] = (
                [point.at_s for point in late.track],
                [(p.samples - late.samples) / rate * 1000 for p in late.track],
            )
    if not found:
        return None
    unsteady = {c.id for c in record.captures if c.latency and c.latency.jumps} | {
        key for key, (_, ys) in found.items() if max(ys) - min(ys) > 1000 / rate
    }
    calm = [key for key in found if key not in unsteady]
    keep, total = chosen(record, calm, MOST_LINES)
    reach = max(max(abs(y) for y in ys) for _, ys in found.values())
    reach = max(reach, 0.05)
    end = max(xs[-1] for xs, _ in found.values())
    on = frame(
        (WIDE[0], 300),
        even_axis(0.0, end, "Time in the song, seconds", 8),
        even_axis(-reach, reach, "ms later than its average", 4),
    )
    curves = tuple(
        Curve(names[key], on.path(*found[key]), "unsteady" if key in unsteady else "")
        for key in [*(c for c in calm if c in keep), *sorted(unsteady)]
        if key in found
    )
    named = tuple(
        Ending(names[key], on.y.place(found[key][1][-1]))
        for key in sorted(unsteady & found.keys())[:MOST_ENDINGS]
    )
    return Tracks(on, curves, named, thinned(len(keep), total))
