"""Which few tones stand for the night, when the engineer names none?

By character: the brightest, the darkest, the most saturated, the closest to the
client's reference, then those that differ most from all chosen so far.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.client.tones import Tone, distances
from pipeline.errors import RecordError

FEWEST, MOST = 3, 5
NEUTRAL_NAMES = ("First", "Second", "Third", "Fourth", "Fifth")


@dataclass(frozen=True, slots=True)
class Proposal:
    """A tone, and the name it is called by.

    Parameters
    ----------
    tone : Tone
        The capture or blend.
    name : str
        A name one can say aloud.
    """

    tone: Tone
    name: str


def _extreme(pool: Sequence[Tone], key: str, *, highest: bool) -> Tone | None:
    known = [
        (value, one) for one in pool if (value := one.metrics.get(key)) is not None
    ]
    if len(known) < 2:
        return None
    pick = max if highest else min
    return pick(known, key=lambda item: item[0])[1]


def propose(
    known: Mapping[str, Tone], ranking: Mapping[str, float], floor_db: float | None
) -> list[Proposal]:
    """Propose three to five tones by character.

    Parameters
    ----------
    known : mapping of str to Tone
        Everything with audio.
    ranking : mapping of str to float
        Distances to the client's reference, nearest first; empty without one.
    floor_db : float, optional
        The night's floor: nothing is added that differs less from one chosen.

    Returns
    -------
    list of Proposal
        Each tone once; a role whose tone is taken already is left out.

    Raises
    ------
    RecordError
        If fewer than three tones have audio.
    """
    everything = list(known.values())
    pool = [one for one in everything if one.proposable]
    if len(pool) < FEWEST:
        pool = everything
    if len(pool) < FEWEST:
        message = (
            f"a shortlist holds {FEWEST} to {MOST} tones, this session has only "
            f"{len(pool)} with audio; run it again with more captures"
        )
        raise RecordError(message)
    chosen: list[Proposal] = []
    # A warning does not keep the tone that the client asked for off the page.
    for name, one in [
        ("Closest to yours", _nearest(everything, ranking)),
        *_roles(pool),
    ]:
        if one is not None and all(one.id != other.tone.id for other in chosen):
            chosen.append(Proposal(one, name))
    return _spread(pool, chosen, floor_db or 0.0)


def _nearest(pool: Sequence[Tone], ranking: Mapping[str, float]) -> Tone | None:
    by_id = {one.id: one for one in pool}
    return next((by_id[id_] for id_ in ranking if id_ in by_id), None)


def _roles(pool: Sequence[Tone]) -> list[tuple[str, Tone | None]]:
    return [
        ("Brightest", _extreme(pool, "brightness_hz", highest=True)),
        ("Darkest", _extreme(pool, "brightness_hz", highest=False)),
        ("Most driven", _extreme(pool, "linear_share", highest=False)),
    ]


def _spread(
    pool: Sequence[Tone], chosen: list[Proposal], floor_db: float
) -> list[Proposal]:
    """Add the farthest from all chosen: up to three, and then one more."""
    found = chosen or [Proposal(pool[0], NEUTRAL_NAMES[0])]
    while len(found) < MOST:
        rest = [one for one in pool if all(one.id != p.tone.id for p in found)]
        if not rest:
            break
        table = distances([*(p.tone for p in found), *rest])
        away = table[len(found) :, : len(found)].min(axis=1)
        best = int(np.argmax(away))
        last = len(found) >= FEWEST
        if last and away[best] <= floor_db:
            break
        # No word of character: the farthest of the rest may lie amid those chosen.
        found = [*found, Proposal(rest[best], NEUTRAL_NAMES[len(found)])]
        if last:
            break
    return found


def name_given(these: Sequence[Tone], ranking: Mapping[str, float]) -> list[Proposal]:
    """Names for tones that the engineer chose.

    Parameters
    ----------
    these : sequence of Tone
        Three to five tones.
    ranking : mapping of str to float
        Distances to the client's reference, nearest first; empty without one.

    Returns
    -------
    list of Proposal
        In the order given: a character where one stands out, else a number.

    Raises
    ------
    RecordError
        If they are fewer than three or more than five.
    """
    if not FEWEST <= len(these) <= MOST:
        message = (
            f"a shortlist holds {FEWEST} to {MOST} tones, {len(these)} "
            f"{'was' if len(these) == 1 else 'were'} named; people choose better from "
            "a few"
        )
        raise RecordError(message)
    names: dict[str, str] = {}
    roles = [("Closest to yours", _nearest(these, ranking)), *_roles(these)]
    for name, one in roles:
        if one is not None:
            names.setdefault(one.id, name)
    return [
        Proposal(one, names.get(one.id, neutral))
        for one, neutral in zip(these, NEUTRAL_NAMES, strict=False)
    ]


def middle(these: Sequence[Tone]) -> tuple[str, float]:
    """Find the tone nearest to all others.

    Parameters
    ----------
    these : sequence of Tone
        Two or more.

    Returns
    -------
    tuple of str and float
        Its id, and its mean distance to the others in dB.
    """
    table = distances(these)
    index = int(np.argmin(table.sum(axis=1)))
    return these[index].id, float(table[index].sum() / (len(these) - 1))
