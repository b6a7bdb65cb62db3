"""What was sent: each shortlist is remembered, so that its answer can be checked.

`DIR/shortlists/<token>.json` holds the key of the seal. It stays with the engineer.

Format of the file: 1, the first.
"""

import re
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from pipeline.errors import RecordError
from pipeline.files.atomic import make_folder, replace_with
from pipeline.models.base import Strict
from pipeline.models.record import Record

FOLDER = "shortlists"
MOST_FRAMES = 2**53
"""Beyond all recordings, and whole as a float."""
_TOKEN = re.compile(r"[0-9a-f]{16}")


class SentOption(Strict):
    """One tone on the page that was sent."""

    key: str
    id: str
    name: str
    sha256: str = Field(description="Of the output that the client heard.")


class SentShortlist(Strict):
    """One page that was sent: format 1."""

    format: Literal[1]
    token: str
    key: str = Field(pattern=r"^[0-9a-f]{64}$")
    created: str
    title: str
    options: tuple[SentOption, ...]
    start_frame: int = Field(
        ge=0, le=MOST_FRAMES, description="Where the excerpt begins."
    )
    frames: int = Field(gt=0, le=MOST_FRAMES)
    sample_rate_hz: int = Field(gt=0, le=MOST_FRAMES)


def remember(folder: Path, sent: SentShortlist) -> None:
    """Keep what was sent.

    Parameters
    ----------
    folder : Path
        The run's folder.
    sent : SentShortlist
        The shortlist.
    """
    make_folder(folder / FOLDER)
    text = sent.model_dump_json(indent=1) + "\n"
    replace_with(folder / FOLDER / f"{sent.token}.json", text.encode("utf-8"))


def recall(folder: Path, token: str) -> SentShortlist:
    """Find what was sent under a token.

    Parameters
    ----------
    folder : Path
        The run's folder.
    token : str
        As the answer gives it.

    Returns
    -------
    SentShortlist
        The shortlist.

    Raises
    ------
    RecordError
        If none was sent under this token from this folder, or its file is damaged.
    """
    path = folder / FOLDER / f"{token}.json"
    # The token becomes part of a path: nothing but its digits may reach it.
    if not _TOKEN.fullmatch(token) or not path.is_file():
        message = (
            f"these picks answer the shortlist {token[:16]!r}, which was not sent from "
            f"{folder}; give the folder it was made in. Nothing was merged."
        )
        raise RecordError(message)
    try:
        return SentShortlist.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        message = f"{path}: damaged or not readable; restore it. Nothing was merged."
        raise RecordError(message) from error


def changed(sent: SentShortlist, record: Record) -> tuple[str, ...]:
    """Ids whose sound is not the one that was sent any more.

    Parameters
    ----------
    sent : SentShortlist
        What was sent.
    record : Record
        The session as it is now.

    Returns
    -------
    tuple of str
        Empty where nothing changed.
    """
    now = record.sounds
    return tuple(one.id for one in sent.options if now.get(one.id) != one.sha256)
