"""Record and book to view: who chose what, when.

A pick names what the client heard by its hash. Where the output is another one now,
the page says so beside the name: what plays may not be what was chosen.
"""

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.picks import Comment, Named, Pick, PicksBook
from pipeline.models.record import Record
from pipeline.report import text
from pipeline.report.names import Name

ANONYMOUS = "Somebody who gave no name"
_PLACES = ("1st", "2nd", "3rd")
OTHER_NOW = "made again since: it may sound different"
GONE_NOW = "is not in this session any more"


@dataclass(frozen=True, slots=True)
class Chosen:
    """One sound that somebody named.

    Parameters
    ----------
    id, called : str
        Its name here, and on the client's page.
    name : Name or None
        The capture on this page; None for a blend, and for what is gone.
    key : str or None
        How the player knows it; None where nothing plays.
    changed : str
        What is not as it was; empty where it is.
    """

    id: str
    called: str
    name: Name | None
    key: str | None
    changed: str


@dataclass(frozen=True, slots=True)
class Remark:
    """One comment at its time."""

    about: Chosen
    at: str
    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class AnswerView:
    """What one person answered."""

    by: str
    saved: str
    merged: str
    blind: bool
    order: tuple[Chosen, ...]
    comments: tuple[Remark, ...]
    others: tuple[Chosen, ...]
    stale: bool


@dataclass(frozen=True, slots=True)
class Tally:
    """Where one sound stands with all who answered."""

    chosen: Chosen
    first: int
    named: int
    told: str


@dataclass(frozen=True, slots=True)
class Round:
    """All answers to one page: those that count, and those replaced by a later one."""

    title: str
    answers: tuple[AnswerView, ...]
    replaced: tuple[AnswerView, ...]
    tally: tuple[Tally, ...]


def nth(place: int) -> str:
    """Place in a ranking.

    Parameters
    ----------
    place : int
        From 0.

    Returns
    -------
    str
        Such as "1st".
    """
    return _PLACES[place] if place < len(_PLACES) else f"{place + 1}th"


def moment(stamp: str) -> str:
    """Date and time of a pick as they are read.

    Parameters
    ----------
    stamp : str
        ISO 8601.

    Returns
    -------
    str
        Such as "18 May 2031, 09:00 UTC"; as it came, where it is no date.
    """
    try:
        at = datetime.datetime.fromisoformat(stamp).astimezone(datetime.UTC)
    except (ValueError, OverflowError):
        return stamp
    month = _MONTHS[at.month - 1]
    return f"{at.day} {month} {at.year}, {at:%H:%M} UTC"


_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


class _Sounds:
    """What can be heard on the page, and what was heard by the client."""

    def __init__(self, record: Record, names: Mapping[str, Name]) -> None:
        self._names = names
        self._now = record.sounds
        self._blends = {blend.id: f"b{k}" for k, blend in enumerate(record.blends)}

    def chosen(self, one: Named | Comment, heard: Mapping[str, str]) -> Chosen:
        """Look up what somebody named."""
        now, then = self._now.get(one.id), heard.get(one.id)
        changed = "" if then is None or now == then else OTHER_NOW
        name = self._names.get(one.id)
        key = f"c{name.index}" if name else self._blends.get(one.id)
        return Chosen(
            id=one.id,
            called=one.name,
            name=name,
            key=key if now else None,
            changed=changed if now else GONE_NOW,
        )


def _answer(pick: Pick, sounds: _Sounds) -> AnswerView:
    heard = {one.id: one.sha256 for one in pick.heard}
    order = tuple(sounds.chosen(one, heard) for one in pick.order)
    comments = tuple(
        Remark(
            about=sounds.chosen(one, heard),
            at=text.clock(math.floor(one.at_s)),
            at_s=one.at_s,
            text=one.text,
        )
        for one in pick.comments
    )
    chosen = {one.id for one in pick.order}
    others = tuple(
        sounds.chosen(one, heard) for one in pick.heard if one.id not in chosen
    )
    marked = (*order, *(one.about for one in comments), *others)
    return AnswerView(
        by=pick.by or ANONYMOUS,
        saved=moment(pick.saved),
        merged=moment(pick.merged),
        blind=pick.blind,
        order=order,
        comments=comments,
        others=others,
        stale=any(one.changed for one in marked),
    )


def _tally(answers: Sequence[AnswerView]) -> tuple[Tally, ...]:
    """Count; more first choices first, then more mentions."""
    found: dict[str, tuple[Chosen, list[tuple[int, str]]]] = {}
    for answer in answers:
        for place, one in enumerate(answer.order):
            found.setdefault(one.id, (one, []))[1].append((place, answer.by))
    rows = [
        Tally(
            chosen=one,
            first=sum(place == 0 for place, _ in who),
            named=len(who),
            told=", ".join(f"{by} ({nth(place)})" for place, by in sorted(who)),
        )
        for one, who in found.values()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.first, -row.named)))


def rounds(
    book: PicksBook, record: Record, names: Mapping[str, Name]
) -> tuple[Round, ...]:
    """Tell who chose what, when.

    Parameters
    ----------
    book : PicksBook
        The answers that were merged.
    record : Record
        The session as it is now.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of Round
        One a client's page that was answered, the newest answer first.
    """
    sounds = _Sounds(record, names)
    latest = book.latest()
    by_page: dict[str, list[Pick]] = {}
    for pick in reversed(book.picks):
        by_page.setdefault(pick.shortlist, []).append(pick)
    found = []
    for picks in by_page.values():
        answers = tuple(_answer(pick, sounds) for pick in picks if pick in latest)
        old = tuple(_answer(pick, sounds) for pick in picks if pick not in latest)
        found.append(Round(picks[0].title, answers, old, _tally(answers)))
    return tuple(found)


def chosen_by(found: Sequence[Round]) -> dict[int, str]:
    """Who chose each capture.

    Parameters
    ----------
    found : sequence of Round
        The answers.

    Returns
    -------
    dict of int to str
        By the capture's number on the page; those that nobody chose are left out.
    """
    who: dict[int, list[str]] = {}
    for page in found:
        for row in page.tally:
            if row.chosen.name:
                who.setdefault(row.chosen.name.index, []).append(row.told)
    return {index: ", ".join(told) for index, told in who.items()}
