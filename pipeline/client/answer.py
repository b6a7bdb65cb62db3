"""What the client's page makes: an answer, as a file or inside a message.

An `Answer` names options by their key on that page. Checked and merged it becomes a
pick, which names captures and blends of the record.
"""

from typing import Literal

from pydantic import Field

from pipeline.models.base import Strict

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
