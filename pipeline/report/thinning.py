"""Which captures does a picture show when not all fit, and how is that said?

The browser can still draw any capture that the listener selects.
"""

from collections.abc import Iterable, Sequence

from pipeline.models.record import Capture, Record

MOST_LINES = 90


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
