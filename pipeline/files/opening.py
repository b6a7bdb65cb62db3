"""The door for audio: regular files only, opened for reading, never touched.

Whatever is not a regular file (a folder, a pipe, a device, a loop of links) is
refused before it is opened, so that nothing can make the program wait.
"""

import os
import stat
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import AudioError

UNREADABLE = "unreadable"
MISSING = "missing"


def open_source(path: Path) -> BufferedReader:
    """Open a regular file, and nothing else, without waiting for anything.

    Parameters
    ----------
    path : Path
        A regular file, or a link to one.

    Returns
    -------
    BufferedReader
        Open for reading.

    Raises
    ------
    AudioError
        ``missing`` or ``unreadable``.
    """
    try:
        kind = path.stat().st_mode
    except FileNotFoundError:
        msg = f"{path}: no such file. Check its name and its folder."
        raise AudioError(MISSING, msg) from None
    except (OSError, ValueError, RuntimeError) as error:
        text = f"cannot be looked at ({error}). Check the path and its links."
        raise AudioError(UNREADABLE, f"{path}: {text}") from error
    if not stat.S_ISREG(kind):
        found = "a folder" if stat.S_ISDIR(kind) else "a device, pipe or socket"
        text = f"expected an audio file, found {found}. Name a regular file."
        raise AudioError(UNREADABLE, f"{path}: {text}")
    # Without waiting: a pipe could take the file's place after the look above.
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.fdopen(os.open(path, flags), "rb")
    except OSError as error:
        text = f"cannot be opened ({error.strerror}). Check its permissions."
        raise AudioError(UNREADABLE, f"{path}: {text}") from error
    if not stat.S_ISREG(os.fstat(handle.fileno()).st_mode):
        handle.close()
        raise AudioError(
            UNREADABLE, f"{path}: was replaced while being opened. Run again."
        )
    return handle


def signature(handle: BinaryIO) -> tuple[int, int]:
    """Size and time of change of an open file.

    Parameters
    ----------
    handle : BinaryIO
        The file.

    Returns
    -------
    tuple of int
        Bytes, and nanoseconds since the epoch.
    """
    facts = os.fstat(handle.fileno())
    return facts.st_size, facts.st_mtime_ns


def signature_of(path: Path) -> tuple[int, int] | None:
    """Size and time of change of a file by its name.

    Parameters
    ----------
    path : Path
        Any path.

    Returns
    -------
    tuple of int or None
        As `signature`; None where there is nothing to look at.
    """
    try:
        facts = path.stat()
    except (OSError, ValueError):
        return None
    return facts.st_size, facts.st_mtime_ns


def refuse_change(path: Path, handle: BinaryIO, before: tuple[int, int]) -> None:
    """Refuse a file that somebody wrote to while it was read.

    Parameters
    ----------
    path : Path
        The file, for the message.
    handle : BinaryIO
        The same file, open.
    before : tuple of int
        Its `signature` before reading.

    Raises
    ------
    AudioError
        ``unreadable`` when the signature differs.
    """
    after = signature(handle)
    if after != before:
        text = (
            f"changed while it was read (from {before[0]} to {after[0]} bytes). "
            "Wait until nothing writes to it, then run again."
        )
        raise AudioError(UNREADABLE, f"{path}: {text}")
