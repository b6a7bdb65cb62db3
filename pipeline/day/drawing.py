"""Where do the microphones stand? Coordinates for a drawing to scale.

Seen from the front; x to the right, y upwards, millimetres. Drawings are in units of
their own, y downwards. No place is made up: a microphone whose speaker or spot is not
written is named as not drawn.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pydantic import JsonValue

from pipeline.models.manifest import Speaker
from pipeline.models.record import Place
from pipeline.models.spots import CAP_SHARE, across_mm, speaker_of, spot_share

WIDTH = 260.0
APART_MM = 350.0


@dataclass(frozen=True, slots=True)
class Cone:
    """A speaker in the drawing."""

    name: str
    x: float
    y: float
    r: float
    cap: float


@dataclass(frozen=True, slots=True)
class Dot:
    """A microphone in the drawing."""

    name: str
    x: float
    y: float
    drop: float


@dataclass(frozen=True, slots=True)
class Front:
    """The cabinet from the front; `said` names whom a word alone placed, or nothing."""

    width: float
    height: float
    cones: tuple[Cone, ...]
    dots: tuple[Dot, ...]
    said: str


@dataclass(frozen=True, slots=True)
class Standing:
    """A microphone from the side: capsule, and where its body points to."""

    name: str
    x: float
    y: float
    to_x: float
    to_y: float


@dataclass(frozen=True, slots=True)
class Side:
    """The distances from the grille."""

    width: float
    height: float
    mics: tuple[Standing, ...]


def _speakers(
    cabinet: Mapping[str, JsonValue] | None, places: Sequence[tuple[str, Place]]
) -> list[Speaker]:
    listed = cabinet.get("speakers") if cabinet else None
    entries = listed if isinstance(listed, list) else []
    # Strict models take whole numbers for lengths from JSON only.
    found = [Speaker.model_validate_json(json.dumps(entry)) for entry in entries]
    # Nobody wrote where they are: side by side, those that microphones stood before.
    named = dict.fromkeys(place.speaker for _, place in places if place.speaker)
    return found or [
        Speaker.model_construct(id=id_, x_mm=APART_MM * at)
        for at, id_ in enumerate(named or ["-"])
    ]


def draw_front(
    cabinet: Mapping[str, JsonValue] | None, places: Sequence[tuple[str, Place]]
) -> Front:
    """Draw the cabinet with its microphones.

    Parameters
    ----------
    cabinet : mapping or None
        Its table, with `speakers`; without any, twelve-inch ones are drawn: those
        that places name, or one.
    places : sequence of (str, Place)
        Ids and places.

    Returns
    -------
    Front
        Microphones without a written place are not drawn; `said` names them, and
        those drawn by a word alone.
    """
    speakers = _speakers(cabinet, places)
    left, right, low, high = _bounds(speakers)
    scale = WIDTH / (right - left)

    def across(x_mm: float) -> float:
        return round((x_mm - left) * scale, 1)

    def down(y_mm: float) -> float:
        return round((high - y_mm) * scale, 1)

    cones = tuple(
        Cone(
            s.id,
            across(s.x_mm),
            down(s.y_mm),
            round(s.diameter_mm / 2.0 * scale, 1),
            round(s.diameter_mm * CAP_SHARE / 2.0 * scale, 1),
        )
        for s in speakers
    )
    dots, by_word, left_out = [], [], []
    for number, (name, place) in enumerate(places):
        at = place_mm(place, speakers)
        if at is None:
            left_out.append(name)
            continue
        dots.append(Dot(name, across(at[0]), down(at[1]), 3.0 + 9.0 * (number % 2)))
        if across_mm(place) is None:
            by_word.append(name)
    height = round((high - low) * scale, 1)
    return Front(WIDTH, height, cones, tuple(dots), _said(by_word, left_out))


def _said(by_word: Sequence[str], left_out: Sequence[str]) -> str:
    lines = (
        ("By its word alone", by_word),
        ("Not drawn, as its speaker or its spot is not written", left_out),
    )
    return " ".join(f"{what}: {', '.join(names)}." for what, names in lines if names)


def _bounds(
    speakers: Sequence[Speaker],
) -> tuple[float, float, float, float]:
    margin = 40.0
    xs = [s.x_mm for s in speakers]
    ys = [s.y_mm for s in speakers]
    radius = max(s.diameter_mm for s in speakers) / 2.0 + margin
    return min(xs) - radius, max(xs) + radius, min(ys) - radius, max(ys) + radius


def place_mm(place: Place, speakers: Sequence[Speaker]) -> tuple[float, float] | None:
    """Find a microphone on the cabinet's front.

    Parameters
    ----------
    place : Place
        As written; an offset or a word, which have no direction, are drawn to the
        right.
    speakers : sequence of Speaker
        Those of the cabinet, one or more.

    Returns
    -------
    tuple of float or None
        Millimetres, x to the right and y upwards; None where its speaker or its spot
        is not written.
    """
    by_id = {speaker.id: speaker for speaker in speakers}
    key, across = speaker_of(place, by_id), across_mm(place)
    if key is None:
        return None
    speaker, share = by_id[key], spot_share(place.position)
    if across is None and share is not None:
        across = share * speaker.diameter_mm / 2.0, 0.0
    if across is None:
        return None
    return speaker.x_mm + across[0], speaker.y_mm + across[1]


def draw_side(places: Sequence[tuple[str, Place]]) -> Side:
    """Draw the distances from the grille, nearest first.

    Parameters
    ----------
    places : sequence of (str, Place)
        Ids and places; those without a distance are left out.

    Returns
    -------
    Side
        Distances by their square root, so that 10 mm and 1 m both show.
    """
    known = sorted(
        ((name, place) for name, place in places if place.distance_mm is not None),
        key=lambda item: item[1].distance_mm or 0.0,
    )
    far = max((place.distance_mm or 0.0 for _, place in known), default=1.0) or 1.0
    mics = []
    for number, (name, place) in enumerate(known):
        share = math.sqrt((place.distance_mm or 0.0) / far)
        x, y = 30.0 + 150.0 * share, 22.0 + 26.0 * number
        angle = math.radians(place.angle_deg or 0.0)
        label = f"{name}: {place.distance_mm:g} mm"
        if place.angle_deg:
            label += f", {place.angle_deg:g} deg"
        mics.append(
            Standing(
                label,
                round(x, 1),
                y,
                round(x + 26.0 * math.cos(angle), 1),
                round(y + 26.0 * math.sin(angle), 1),
            )
        )
    return Side(WIDTH, 40.0 + 26.0 * len(mics), tuple(mics))
