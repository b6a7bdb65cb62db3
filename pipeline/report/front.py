"""Record to view: the speakers from the front, with each microphone where it stood.

Lengths are millimetres in the cabinet's own plane, seen by someone who stands before
it: x to the right, y upwards. A distance along the cone without a direction is drawn
to the right. Nothing is guessed: captures without a place are counted, not drawn.
Several on one spot are fanned out, and a thin line leads each back to where it stood.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import JsonValue

from pipeline.models.base import Recall
from pipeline.models.record import Capture, Record
from pipeline.models.spots import CAP_SHARE, CONE_SHARE, SPOTS, across_mm, speaker_of
from pipeline.report import places, text
from pipeline.report.above import AboveView, above
from pipeline.report.names import Name
from pipeline.report.thinning import by_brightness, chosen, thinned

DIAMETER_MM = 305.0
MOST_MICS = 60
NEAR_MM = 15.0
DOT_MM = 8.0


@dataclass(frozen=True, slots=True)
class Speaker:
    """One speaker: its name, centre and radii on the picture."""

    id: str
    x: float
    y: float
    radius: float

    @property
    def cap(self) -> float:
        """Radius of its cap."""
        return round(self.radius * CAP_SHARE, 1)

    @property
    def cone(self) -> float:
        """Radius at which its cone ends."""
        return round(self.radius * CONE_SHARE, 1)


@dataclass(frozen=True, slots=True)
class Mic:
    """One capture: its dot, its spot, and `nose`, where its body leans to."""

    name: Name
    x: float
    y: float
    spot: tuple[float, float]
    size: float
    nose: tuple[float, float] | None
    told: str


@dataclass(frozen=True, slots=True)
class Untried:
    """A usual spot without any capture."""

    x: float
    y: float
    word: str


@dataclass(frozen=True, slots=True)
class FrontView:
    """One cabinet, or speakers of unknown places side by side."""

    title: str
    speakers: tuple[Speaker, ...]
    mics: tuple[Mic, ...]
    untried: tuple[Untried, ...]
    box: tuple[float, float, float, float]
    missing: int
    untried_words: str
    note: str | None
    above: AboveView | None


def _length(table: Mapping[str, JsonValue], key: str, default: float) -> float:
    found = table.get(key)
    known = isinstance(found, int | float) and not isinstance(found, bool)
    return float(found) if known else default  # type: ignore[arg-type]


def _drawn(cabinet: Recall) -> dict[str, Speaker]:
    listed = cabinet.get("speakers")
    speakers: dict[str, Speaker] = {}
    for item in listed if isinstance(listed, list) else []:
        if isinstance(item, dict):
            key = text.value(item.get("id"))
            speakers[key] = Speaker(
                key,
                _length(item, "x_mm", 0.0),
                -_length(item, "y_mm", 0.0),
                _length(item, "diameter_mm", DIAMETER_MM) / 2,
            )
    return speakers


def _offset(capture: Capture) -> tuple[float, float] | None:
    found = across_mm(capture.place)
    return None if found is None else (found[0], 0.0 - found[1])


def _fanned(
    at: tuple[float, float], taken: list[tuple[float, float]]
) -> tuple[float, float]:
    """Nearest free place around a spot, so that no dot hides another."""
    for turn in range(4 * MOST_MICS):
        reach = 2.1 * DOT_MM * math.sqrt(turn) * 0.62
        angle = turn * 2.399963  # the golden angle: an even spiral
        x, y = at[0] + reach * math.cos(angle), at[1] + reach * math.sin(angle)
        if all(math.hypot(x - a, y - b) >= 2 * DOT_MM for a, b in taken):
            return x, y
    return at


def _mic(
    capture: Capture, name: Name, stood: tuple[float, float], at: tuple[float, float]
) -> Mic:
    place = capture.place
    far = place.distance_mm or 0.0
    nose = None
    if place.angle_deg:
        turn = math.radians(place.angle_deg)
        nose = (at[0] + 2.6 * DOT_MM * math.sin(turn), at[1])
    return Mic(
        name=name,
        x=round(at[0], 1),
        y=round(at[1], 1),
        spot=(round(stood[0], 1), round(stood[1], 1)),
        size=round(DOT_MM * (1.0 if far < 100 else 0.8 if far < 500 else 0.6), 1),
        nose=None if nose is None else (round(nose[0], 1), round(nose[1], 1)),
        told=places.place(place),
    )


def _untried(speaker: Speaker, spots: list[tuple[float, float]]) -> tuple[Untried, ...]:
    found = []
    for word, share in SPOTS.items():
        ring = share * speaker.radius
        distances = [
            abs(math.hypot(x - speaker.x, y - speaker.y) - ring) for x, y in spots
        ]
        if all(away > NEAR_MM for away in distances):
            found.append(Untried(round(speaker.x + ring, 1), speaker.y, word))
    return tuple(found)


def _box(speakers: list[Speaker], mics: list[Mic]) -> tuple[float, float, float, float]:
    xs = [x for s in speakers for x in (s.x - s.radius, s.x + s.radius)]
    ys = [y for s in speakers for y in (s.y - s.radius, s.y + s.radius)]
    xs += [x for m in mics for x in (m.x - 20, m.x + 20)]
    ys += [y for m in mics for y in (m.y - 20, m.y + 20)]
    margin = 24.0
    left, top = min(xs) - margin, min(ys) - margin
    return (
        round(left, 1),
        round(top, 1),
        round(max(xs) + margin - left, 1),
        round(max(ys) + 1.6 * margin - top, 1),
    )


def _placed(
    speakers: dict[str, Speaker], captures: list[Capture]
) -> dict[str, tuple[str, tuple[float, float]]]:
    found = {}
    for capture in captures:
        key, offset = speaker_of(capture.place, speakers), _offset(capture)
        if key is not None and offset is not None:
            speaker = speakers[key]
            spot = speaker.x + offset[0], speaker.y + offset[1]
            found[capture.id] = speaker.id, spot
    return found


def _mics(
    captures: list[Capture],
    placed: Mapping[str, tuple[str, tuple[float, float]]],
    names: Mapping[str, Name],
) -> list[Mic]:
    mics: list[Mic] = []
    taken: list[tuple[float, float]] = []
    for capture in captures:
        stood = placed[capture.id][1]
        at = _fanned(stood, taken)
        taken.append(at)
        mics.append(_mic(capture, names[capture.id], stood, at))
    return mics


def _view(
    title: str, captures: list[Capture], record: Record, names: Mapping[str, Name]
) -> FrontView | None:
    speakers = _drawn(record.recall.cabinet.get(title, {})) or _side_by_side(captures)
    placed = _placed(speakers, captures)
    if not placed:
        return None
    ordered = [c.id for c in by_brightness(captures) if c.id in placed]
    keep, total = chosen(record, ordered, MOST_MICS)
    kept = [c for c in captures if c.id in keep]
    mics = _mics(kept, placed, names)
    across = {key: at[0] for key, (_, at) in placed.items()}
    ends = [(one.x - one.radius, one.x + one.radius) for one in speakers.values()]
    untried = {
        key: _untried(speaker, [at for where, at in placed.values() if where == key])
        for key, speaker in speakers.items()
    }
    words = "; ".join(
        f"{key}: {', '.join(spot.word for spot in spots)}"
        for key, spots in untried.items()
        if spots
    )
    return FrontView(
        title=title or "Speakers",
        speakers=tuple(speakers.values()),
        mics=tuple(mics),
        untried=tuple(spot for spots in untried.values() for spot in spots),
        box=_box(list(speakers.values()), mics),
        missing=len(captures) - len(placed),
        untried_words=words,
        note=thinned(len(keep), total),
        above=above(kept, (across, ends), names),
    )


def _side_by_side(captures: list[Capture]) -> dict[str, Speaker]:
    seen = dict.fromkeys(c.place.speaker or "speaker" for c in captures)
    return {
        key: Speaker(key, at * 1.15 * DIAMETER_MM, 0.0, DIAMETER_MM / 2)
        for at, key in enumerate(seen)
    }


def fronts(record: Record, names: Mapping[str, Name]) -> tuple[FrontView, ...]:
    """Draw every cabinet that captures stood before.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of FrontView
        Cabinets without a single placed capture are left out.
    """
    by_cabinet: dict[str, list[Capture]] = {}
    for capture in record.captures:
        setup = record.recall.setup.get(capture.setup or "", {})
        held = setup.get("cabinet")
        key = held if isinstance(held, str) else ""
        by_cabinet.setdefault(key, []).append(capture)
    views = (_view(key, members, record, names) for key, members in by_cabinet.items())
    return tuple(view for view in views if view is not None)


def bright_ends(record: Record) -> tuple[str, str] | None:
    """How dark and how bright the shades' ends are.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    tuple of str or None
        Smallest and largest brightness; None where fewer than two are known.
    """
    known = (capture.metrics.get("brightness_hz") for capture in record.captures)
    found = [at for at in known if at is not None]
    if len(found) < 2:
        return None
    return text.hertz(min(found)), text.hertz(max(found))
