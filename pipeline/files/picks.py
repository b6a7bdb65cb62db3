"""The book of picks in a run's folder: read whole, written whole."""

import json
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import RecordError
from pipeline.files.atomic import replace_with
from pipeline.models.picks import FORMAT, PicksBook

PICKS_NAME = "picks.json"


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


def write_picks(folder: Path, book: PicksBook) -> None:
    """Write the answers, whole or not at all.

    Parameters
    ----------
    folder : Path
        The run's folder, which exists.
    book : PicksBook
        The answers; equal books give equal bytes.
    """
    dumped = book.model_dump(mode="json")
    text = json.dumps(dumped, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    replace_with(folder / PICKS_NAME, text.encode("utf-8"))
