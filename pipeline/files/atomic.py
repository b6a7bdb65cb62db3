"""Writing without ever leaving half a file.

A file is written under a temporary name in the same folder, forced to the disk,
read back and compared, then renamed over its target in one step. A run that is
killed leaves at most temporary files, which `sweep` knows by their name.
"""

import errno
import hashlib
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import FileIO
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import OutputError

LEFTOVER = re.compile(r"\.reamps-[0-9a-f]{16}\.part")
BLOCK_BYTES = 1_048_576
READ_BYTES = 262_144
REASONS = {
    errno.ENOSPC: "the disk is full: make room",
    getattr(errno, "EDQUOT", errno.ENOSPC): "the disk quota is used up: make room",
    errno.EROFS: "the disk is read-only: choose another folder with --out",
    errno.EACCES: "no permission, or open in another program: close it or choose "
    "another folder with --out",
    errno.EPERM: "no permission: choose another folder with --out",
    errno.ENOTDIR: "a file is in the way of the folder: choose another one with --out",
    errno.EISDIR: "a folder is in the way of the file: move it",
}


def refusal(path: Path, error: OSError) -> str:
    """Say why a place cannot be written to, and what to do.

    Parameters
    ----------
    path : Path
        What was being written.
    error : OSError
        What the system said.

    Returns
    -------
    str
        Message for an `OutputError`.
    """
    reason = REASONS.get(error.errno or 0, error.strerror or str(error))
    return (
        f"{path}: could not be written: {reason}. Nothing that was there before "
        "was changed; run again to go on."
    )


class AsideFile:
    """A file that is being written under a temporary name.

    Parameters
    ----------
    path : Path
        Its final name, for messages.
    handle : BinaryIO
        The temporary file.
    held : bytes or memoryview of bytes, optional
        All that will be written, where the caller holds it anyway: what is read back
        is compared with it, which is faster than a hash.
    """

    def __init__(
        self, path: Path, handle: BinaryIO, held: bytes | memoryview | None = None
    ) -> None:
        self._path, self._handle = path, handle
        self._digest = hashlib.sha256()
        # Slices of a view are no copies.
        self._held = None if held is None else memoryview(held)
        self.size_bytes = 0

    @property
    def sha256(self) -> str:
        """SHA-256 of what was written so far, 64 hexadecimal digits."""
        if self._held is not None:
            return hashlib.sha256(self._held[: self.size_bytes]).hexdigest()
        return self._digest.hexdigest()

    def write(self, block: bytes | memoryview) -> None:
        """Append bytes.

        Parameters
        ----------
        block : bytes or memoryview of bytes
            What to append.

        Raises
        ------
        OutputError
            When the disk refuses.
        """
        try:
            self._handle.write(block)
        except OSError as error:
            raise OutputError(refusal(self._path, error)) from error
        if self._held is None:
            self._digest.update(block)
        self.size_bytes += len(block)

    def is_in(self, temporary: Path) -> bool:
        """Whether a file holds what was written.

        Parameters
        ----------
        temporary : Path
            Where it was written to.

        Returns
        -------
        bool
            True if every byte is the same.
        """
        held = self._held
        digest, at = hashlib.sha256(), 0
        block = bytearray(READ_BYTES)
        with temporary.open("rb", buffering=0) as handle:
            while size := handle.readinto(block):
                if held is None:
                    digest.update(memoryview(block)[:size])
                elif not block.startswith(held[at : at + size]):
                    return False
                at += size
            _let_go(handle)
        same = held is not None or digest.hexdigest() == self.sha256
        return same and at == self.size_bytes


def _let_go(handle: FileIO) -> None:
    """Tell the system that a file on the disk will not be read again soon.

    The next file can be written into the same memory; where each takes memory that was
    not used for long, a virtual machine fetches it from its host first, at up to five
    times the cost of the write.
    """
    advise = getattr(os, "posix_fadvise", None)
    if advise is not None:
        with suppress(OSError):
            advise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _sync_folder(folder: Path) -> None:
    """Force a rename to the disk, where the system lets a folder be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def write_aside(
    path: Path, held: bytes | memoryview | None = None
) -> Iterator[AsideFile]:
    """Write a file so that it is there whole or not at all.

    Parameters
    ----------
    path : Path
        Final name, in a folder that exists. An older file is replaced in one
        step at the end; on any error it stays as it was.
    held : bytes or memoryview of bytes, optional
        All that will be written, where the caller holds it anyway; see `AsideFile`.

    Yields
    ------
    AsideFile
        To write to.

    Raises
    ------
    OutputError
        When the disk is full or read-only, access is denied, or what was read
        back differs from what was written.
    """
    temporary = path.with_name(f".reamps-{secrets.token_hex(8)}.part")
    try:
        handle = temporary.open("xb")
    except OSError as error:
        raise OutputError(refusal(path, error)) from error
    try:
        with handle:
            written = AsideFile(path, handle, held)
            yield written
            _force(path, handle)
        _put_in_place(path, temporary, written)
    finally:
        # After the rename there is nothing left to remove.
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _force(path: Path, handle: BinaryIO) -> None:
    try:
        handle.flush()
        os.fsync(handle.fileno())
    except OSError as error:
        with suppress(OSError):
            handle.close()
        raise OutputError(refusal(path, error)) from error


def _put_in_place(path: Path, temporary: Path, written: AsideFile) -> None:
    try:
        whole = written.is_in(temporary)
        if whole:
            temporary.replace(path)
    except OSError as error:
        raise OutputError(refusal(path, error)) from error
    if not whole:
        msg = (
            f"{path}: what was read back differs from what was written. The older "
            "file, if any, was kept. Check the disk."
        )
        raise OutputError(msg)
    _sync_folder(path.parent)


def replace_with(path: Path, content: bytes | memoryview) -> None:
    """Write a whole file at once, whole or not at all.

    Parameters
    ----------
    path : Path
        Final name, in a folder that exists.
    content : bytes or memoryview of bytes
        What it holds. An `OutputError` says why nothing was written.
    """
    with write_aside(path, content) as written:
        written.write(content)


def move_into(written: Path, path: Path) -> bool:
    """Put a whole file that was written elsewhere in its place, in one step.

    Parameters
    ----------
    written : Path
        On the same disk, forced to it.
    path : Path
        Final name, in a folder that exists. An older file is replaced.

    Returns
    -------
    bool
        False where there is no such file (any more).

    Raises
    ------
    OutputError
        When it cannot be moved.
    """
    try:
        written.replace(path)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise OutputError(refusal(path, error)) from error
    _sync_folder(path.parent)
    return True


def make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Parameters
    ----------
    folder : Path
        May exist.

    Raises
    ------
    OutputError
        When it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        in_the_way = NotADirectoryError(errno.ENOTDIR, "not a folder")
        raise OutputError(refusal(folder, in_the_way)) from error
    except OSError as error:
        raise OutputError(refusal(folder, error)) from error


def sweep(folder: Path) -> tuple[Path, ...]:
    """Remove the temporary files that a killed run left in a folder.

    Parameters
    ----------
    folder : Path
        Searched without its subfolders. Hold it (`hold_folder`) meanwhile, so
        that no file of a living run is taken for a leftover.

    Returns
    -------
    tuple of Path
        What was removed, sorted; empty where there is no such folder.
    """
    if not folder.is_dir():
        return ()
    removed = []
    for path in sorted(folder.iterdir()):
        if LEFTOVER.fullmatch(path.name) and path.is_file():
            with suppress(OSError):
                path.unlink()
                removed.append(path)
    return tuple(removed)
