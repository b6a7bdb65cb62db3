"""The page of a run's folder, written from what lies there."""

from pathlib import Path

from pipeline.files.atomic import replace_with
from pipeline.files.picks import read_picks
from pipeline.files.store import PAGE_NAME, read_record
from pipeline.report.page import render_page


def write_page(folder: Path) -> Path:
    """Write the page of a run's folder again, without audio.

    Parameters
    ----------
    folder : Path
        A run's folder, with its record and the clients' picks.

    Returns
    -------
    Path
        The page. A `ReampsError` says why it could not be made.
    """
    page = folder / PAGE_NAME
    text = render_page(read_record(folder), read_picks(folder))
    replace_with(page, text.encode("utf-8"))
    return page
