"""Where before a cabinet's front did a microphone stand? Nothing is guessed.

Shared by the page and the recall sheet, so that a word means one place on both.
"""

from collections.abc import Collection

from pipeline.models.record import Place

CAP_SHARE = 0.26
CONE_SHARE = 0.82
SPOTS = {
    "cap centre": 0.0,
    "cap edge": CAP_SHARE,
    "half way out": 0.55,
    "cone edge": CONE_SHARE,
}
"""Usual spots as shares of the speaker's radius: common practice, no source."""
OTHER_WORDS = {
    "cap": "cap centre",
    "centre": "cap centre",
    "center": "cap centre",
    "cone": "half way out",
    "edge": "cone edge",
}


def spot_share(position: str | None) -> float | None:
    """Say how far out a position in words lies.

    Parameters
    ----------
    position : str or None
        As written.

    Returns
    -------
    float or None
        Share of the speaker's radius; None for other words.
    """
    word = (position or "").strip().lower()
    return SPOTS.get(OTHER_WORDS.get(word, word))


def across_mm(place: Place) -> tuple[float, float] | None:
    """Say how far from the cap's centre a microphone stood.

    Parameters
    ----------
    place : Place
        As written; an offset has no direction and counts to the right.

    Returns
    -------
    tuple of float or None
        Millimetres, x to the right and y upwards; None where there is neither an
        offset nor both of x and y.
    """
    if place.x_mm is not None and place.y_mm is not None:
        return place.x_mm, place.y_mm
    return None if place.offset_mm is None else (place.offset_mm, 0.0)


def speaker_of(place: Place, speakers: Collection[str]) -> str | None:
    """Say which of a cabinet's speakers a microphone stood before.

    Parameters
    ----------
    place : Place
        As written.
    speakers : collection of str
        Their ids.

    Returns
    -------
    str or None
        The named one, if the cabinet has it; without a name the only one; else None.
    """
    if place.speaker is not None:
        return place.speaker if place.speaker in speakers else None
    return next(iter(speakers)) if len(speakers) == 1 else None
