"""Sessions on their way out: what a killed program must not bring back.

The shelf holds more than the catalogue after an adding that was cut short, and then
the record is to be used; or after a removing that was cut short, and then it is not.
So a note with the record's hash is written before the catalogue forgets a session,
and goes when the record and the copied audio are gone.
"""

import re
from contextlib import suppress
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.files.atomic import make_folder, replace_with

LEAVING = "leaving"
TRIALS = 20
_HASH = re.compile(r"[0-9a-f]{64}")


def announce(root: Path, sha256: str) -> None:
    """Note that a record is about to go.

    Parameters
    ----------
    root : Path
        The library's folder.
    sha256 : str
        Of the record. An `OutputError` is raised if the disk refuses.
    """
    for _ in range(TRIALS):
        make_folder(root / LEAVING)
        # Another program that took its note away may take the empty folder along.
        with suppress(OutputError):
            replace_with(root / LEAVING / sha256, b"")
            return
    replace_with(root / LEAVING / sha256, b"")


def announced(root: Path) -> tuple[str, ...]:
    """List what is noted.

    Parameters
    ----------
    root : Path
        The library's folder.

    Returns
    -------
    tuple of str
        Hashes of records, sorted; nearly always empty.
    """
    try:
        names = [path.name for path in (root / LEAVING).iterdir()]
    except (FileNotFoundError, NotADirectoryError):
        return ()
    return tuple(sorted(name for name in names if _HASH.fullmatch(name)))


def withdraw(root: Path, sha256: str) -> None:
    """Take a note away.

    Parameters
    ----------
    root : Path
        The library's folder.
    sha256 : str
        Of the record; there may be no note.
    """
    # What cannot be taken away now is settled when the library is opened next.
    with suppress(OSError):
        (root / LEAVING / sha256).unlink(missing_ok=True)
        (root / LEAVING).rmdir()
