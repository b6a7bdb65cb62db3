"""One run at a time in a folder.

The lock is the one that SQLite takes on an empty file: the same on all systems,
and released by the system itself when its holder dies, so that there is no stale
lock to guess about after a crash.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline import interruption
from pipeline.errors import OutputError
from pipeline.files.atomic import refusal

LOCK_NAME = ".reamps-lock"
HOLDER_NAME = ".reamps-holder"
LOCK_ATTEMPTS = 5


@contextmanager
def hold_folder(folder: Path, note: str) -> Iterator[None]:
    """Keep a folder to one run at a time.

    Parameters
    ----------
    folder : Path
        Folder that exists.
    note : str
        Who holds it (process, machine, since when), for the other run's message.

    Yields
    ------
    None
        While the folder is held. An `OutputError` says that another run holds
        it, or that it cannot be written to.
    """
    connection = None
    holder = folder / HOLDER_NAME
    try:
        with interruption.held():
            connection = _locked(folder)
        with suppress(OSError):
            holder.write_text(note, encoding="utf-8")
        yield
    finally:
        if connection is not None:
            with interruption.held():
                with suppress(OSError):
                    holder.unlink(missing_ok=True)
                _unlock(folder / LOCK_NAME, connection)


def _unlock(lock: Path, connection: sqlite3.Connection) -> None:
    """Remove the lock's file while it is held; where that is forbidden, after."""
    with suppress(OSError):
        lock.unlink(missing_ok=True)
    connection.close()
    with suppress(OSError):
        if os.name == "nt":
            lock.unlink(missing_ok=True)


def _locked(folder: Path) -> sqlite3.Connection:
    """Take the lock; again if its file was removed by the run before."""
    lock = folder / LOCK_NAME
    for _ in range(LOCK_ATTEMPTS):
        try:
            lock.touch()
            before = lock.stat().st_ino
            connection = sqlite3.connect(
                lock, timeout=0, isolation_level=None, check_same_thread=False
            )
        except (OSError, sqlite3.Error) as error:
            cause = error if isinstance(error, OSError) else OSError(str(error))
            raise OutputError(refusal(lock, cause)) from error
        try:
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            connection.close()
            raise _held(folder, error) from error
        with suppress(OSError):
            if lock.stat().st_ino == before:
                return connection
        connection.close()
    msg = f"{folder}: other runs keep starting and ending there. Run again."
    raise OutputError(msg)


def _held(folder: Path, error: sqlite3.Error) -> OutputError:
    if not isinstance(error, sqlite3.OperationalError):
        return OutputError(
            f"{folder / LOCK_NAME}: is not a lock of this program ({error}). Remove it."
        )
    if not any(word in str(error) for word in ("locked", "busy")):
        return OutputError(
            f"{folder / LOCK_NAME}: the folder cannot be held ({error}). Check the "
            "disk and its file system, or choose another folder with --out."
        )
    who = ""
    with suppress(OSError, UnicodeDecodeError):
        who = (folder / HOLDER_NAME).read_text(encoding="utf-8").strip()
    return OutputError(
        f"{folder}: another run is writing there ({who or 'it did not say who'}). "
        "Wait until it ends, or choose another folder with --out."
    )
