"""What clients chose: answers that were checked, in the terms of the record.

A pick names captures and blends of the record, and the song's time. The page that the
client heard called them by other names; both are kept.
"""

from typing import Literal

from pydantic import Field

from pipeline.models.base import Strict

FORMAT = 1
"""Number of the format of picks.json. 1: the first."""


class Named(Strict):
    """A capture or blend, and the name the client knew it by."""

    id: str
    name: str


class Heard(Named):
    """A sound that was on the client's page."""

    sha256: str = Field(description="Of the output that the client heard.")


class Comment(Strict):
    """One comment, at a time of the song."""

    id: str
    name: str
    at_s: float = Field(ge=0, description="Time in the song, s.")
    text: str


class Pick(Strict):
    """One client's answer, checked."""

    shortlist: str
    title: str = Field(default="", description="Heading of the client's page.")
    seal: str
    by: str = Field(description="As the client wrote it; empty: no name given.")
    saved: str = Field(description="By the client's clock, UTC, ISO 8601.")
    merged: str = Field(description="By the engineer's clock, UTC, ISO 8601.")
    blind: bool
    order: tuple[Named, ...] = Field(description="The favourite first.")
    comments: tuple[Comment, ...]
    heard: tuple[Heard, ...] = Field(
        default=(), description="All that was on the page; empty: not kept."
    )


class PicksBook(Strict):
    """All answers that were merged into a session: format 1."""

    format: Literal[1]
    picks: tuple[Pick, ...] = ()

    def latest(self) -> tuple[Pick, ...]:
        """Last answer of each person to each shortlist.

        Returns
        -------
        tuple of Pick
            In the order in which they were merged. Nobody knows whether two answers
            without a name are one person's, so both are kept.
        """
        last: dict[tuple[str, str], Pick] = {}
        for pick in self.picks:
            key = (pick.shortlist, pick.by.casefold() or pick.seal)
            if key not in last or pick.saved >= last[key].saved:
                last.pop(key, None)
                last[key] = pick
        return tuple(last.values())
