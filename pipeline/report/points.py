"""Record to view: captures as points, by brightness and saturation and by likeness."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.record import Record
from pipeline.report import text
from pipeline.report.labels import Label, place_labels
from pipeline.report.names import Name
from pipeline.report.plots import WIDE, Axis, Frame, even_axis, frame
from pipeline.report.thinning import by_brightness

MAP_EDGE = 40
_BRIGHTNESS_TICKS = (
    *(100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000),
)


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
