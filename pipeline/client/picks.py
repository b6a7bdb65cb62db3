"""What a client answered, and the book in which a session keeps the answers.

An `Answer` is the file (or the message) that the client's page makes; it names options
by their key on that page. A `Pick` is an answer that was checked and merged; it names
captures and blends of the record, and the song's time.

picks.json: 1, the first.
"""

import json
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from pipeline.errors import RecordError
from pipeline.models.base import Strict

FORMAT = 1
PICKS_NAME = "picks.json"
MOST_COMMENTS = 200
LONGEST_COMMENT = 2000
LONGEST_NAME = 80
MOST_OPTIONS = 5
LONGEST_SONG_MS = 24 * 3_600_000

_KEY = Field(pattern=r"^[1-9]$")
_SAVED = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"


class Remark(Strict):
    """One comment as the page wrote it."""

    option: str = _KEY
    at_ms: int = Field(ge=0, le=LONGEST_SONG_MS, description="Time in the excerpt.")
    text: str = Field(min_length=1, max_length=LONGEST_COMMENT)


class Answer(Strict):
    """The picks file as the page wrote it: format 1."""

    format: Literal[1]
    shortlist: str = Field(pattern=r"^[0-9a-f]{16}$")
    by: str = Field(max_length=LONGEST_NAME)
    saved: str = Field(pattern=_SAVED, description="By the client's clock, UTC.")
    blind: bool
    order: tuple[str, ...] = Field(
        max_length=MOST_OPTIONS, description="Option keys, the favourite first."
    )
    comments: tuple[Remark, ...] = Field(max_length=MOST_COMMENTS)
    seal: str = Field(pattern=r"^[0-9a-f]{64}$")


class Named(Strict):
    """A capture or blend, and the name the client knew it by."""

    id: str
    name: str


class Comment(Strict):
    """One comment, at a time of the song."""

    id: str
    name: str
    at_s: float = Field(ge=0, description="Time in the song, s.")
    text: str


class Pick(Strict):
    """One client's answer, checked."""

    shortlist: str
    seal: str
    by: str
    saved: str
    merged: str
    blind: bool
    order: tuple[Named, ...]
    comments: tuple[Comment, ...]


class PicksBook(Strict):
    """All answers that were merged into a session: format 1."""

    format: Literal[1]
    picks: tuple[Pick, ...] = ()

    def latest(self) -> tuple[Pick, ...]:
        """Last answer of each person to each shortlist.

        Returns
        -------
        tuple of Pick
            In the order in which they were merged.
        """
        last: dict[tuple[str, str], Pick] = {}
        for pick in self.picks:
            key = (pick.shortlist, pick.by.casefold())
            if key not in last or pick.saved >= last[key].saved:
                last.pop(key, None)
                last[key] = pick
        return tuple(last.values())


def read_picks(folder: Path) -> PicksBook:
    """Read the answers merged into a run's folder.

    Parameters
    ----------
    folder : Path
        The run's folder.

    Returns
    -------
    PicksBook
        Empty where nothing was merged yet.

    Raises
    ------
    RecordError
        If the book is damaged or its format has another number.
    """
    path = folder / PICKS_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return PicksBook(format=1)
    except (OSError, ValueError) as error:
        message = f"{path}: cannot be read ({error}); restore it or move it away"
        raise RecordError(message) from error
    try:
        return PicksBook.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "its start"
        message = (
            f"{path}: expected picks of format {FORMAT}, damaged at {place} "
            f"({first['msg']}); restore it or move it away"
        )
        raise RecordError(message) from error


def book_text(book: PicksBook) -> str:
    """Write the book as JSON text.

    Parameters
    ----------
    book : PicksBook
        The answers.

    Returns
    -------
    str
        Equal books give equal text.
    """
    dumped = book.model_dump(mode="json")
    return json.dumps(dumped, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
