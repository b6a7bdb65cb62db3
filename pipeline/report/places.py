"""Where a microphone stood, in words, from the manifest's millimetres and degrees."""

from pipeline.models.record import Place
from pipeline.report import text


def _across(spot: Place) -> str | None:
    if spot.offset_mm is not None:
        return f"{text.number(spot.offset_mm, 0, 'mm')} from the cap's centre"
    if spot.x_mm is not None and spot.y_mm is not None:
        right, up = (text.number(mm, 0, "mm") for mm in (spot.x_mm, spot.y_mm))
        return f"{right} right and {up} up from the cap's centre"
    return None


def _angle(spot: Place) -> str | None:
    if spot.angle_deg is None:
        return None
    if spot.angle_deg == 0:
        return "on axis"
    return f"{text.number(spot.angle_deg, 0)}\N{DEGREE SIGN} off axis"


def _away(spot: Place) -> str | None:
    if spot.distance_mm is None:
        return None
    return f"{text.number(spot.distance_mm, 0, 'mm')}\N{NO-BREAK SPACE}away"


def place(spot: Place) -> str:
    """Where the microphone stood, in one line.

    Parameters
    ----------
    spot : Place
        The place as written in the manifest.

    Returns
    -------
    str
        Such as "left speaker, cap edge, 25 mm away"; empty when nothing is known.
    """
    height = spot.height_mm
    found = (
        spot.speaker and f"{spot.speaker} speaker",
        spot.position or _across(spot),
        _away(spot),
        _angle(spot),
        None if height is None else f"{text.number(height, 0, 'mm')} above the floor",
        spot.treatment,
    )
    return ", ".join(words for words in found if words)


def short_place(spot: Place) -> str:
    """Where the microphone stood, for a narrow column.

    Parameters
    ----------
    spot : Place
        The place as written in the manifest.

    Returns
    -------
    str
        Position, distance and angle; empty when none is known.
    """
    angle = _angle(spot) if spot.angle_deg else None
    found = (spot.position or _across(spot), _away(spot), angle)
    return ", ".join(words for words in found if words)
