"""A folder or a zip that is written whole, with equal bytes for equal content.

Nothing of the clock, of the machine or of the order of directories goes in.
"""

import hashlib
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from pipeline.errors import OutputError
from pipeline.files.atomic import BLOCK_BYTES, make_folder, refusal
from pipeline.library.refusals import PackError

_EPOCH = (1980, 1, 1, 0, 0, 0)
"""The earliest time that a zip can hold."""


class Parcel(Protocol):
    """Something that files are put into."""

    def put(self, name: str, blocks: Iterable[bytes]) -> str:
        """Put a file in and return its SHA-256."""
        ...


class _Folder:
    """Files in a folder."""

    def __init__(self, root: Path) -> None:
        self._root = root

    def put(self, name: str, blocks: Iterable[bytes]) -> str:
        path = self._root / name
        make_folder(path.parent)
        digest = hashlib.sha256()
        with path.open("xb") as handle:
            for block in blocks:
                handle.write(block)
                digest.update(block)
        return digest.hexdigest()


class _Zip:
    """Files in a zip, stored: packing gains little on audio, and bytes stay equal."""

    def __init__(self, archive: zipfile.ZipFile, top: str) -> None:
        self._archive = archive
        self._top = top

    def put(self, name: str, blocks: Iterable[bytes]) -> str:
        info = zipfile.ZipInfo(f"{self._top}/{name}", date_time=_EPOCH)
        info.compress_type = zipfile.ZIP_STORED
        info.create_system = 3
        info.external_attr = 0o644 << 16
        digest = hashlib.sha256()
        with self._archive.open(info, "w", force_zip64=True) as handle:
            for block in blocks:
                handle.write(block)
                digest.update(block)
        return digest.hexdigest()


@contextmanager
def writing(target: Path) -> Iterator[Parcel]:
    """Make a folder, or a zip if the name ends in ``.zip``.

    Parameters
    ----------
    target : Path
        Must not exist; there whole after the block, or not at all.

    Yields
    ------
    Parcel
        To put files into.

    Raises
    ------
    OutputError
        If the target exists or the disk refuses.
    """
    # A link that leads nowhere is there, too.
    if os.path.lexists(target):
        msg = f"{target}: exists already. Name a new folder or zip."
        raise OutputError(msg)
    make_folder(target.absolute().parent)
    draft = target.with_name(f".reamps-{secrets.token_hex(8)}.part")
    try:
        if is_zip(target):
            with zipfile.ZipFile(draft, "w") as archive:
                yield _Zip(archive, target.stem)
        else:
            draft.mkdir()
            yield _Folder(draft)
        draft.rename(target)
    except OSError as error:
        raise OutputError(refusal(target, error)) from error
    finally:
        discard(draft)


def discard(parcel: Path) -> None:
    """Remove a parcel that was written here and is no good.

    Parameters
    ----------
    parcel : Path
        Folder or zip; may be missing.
    """
    if parcel.is_dir():
        shutil.rmtree(parcel, ignore_errors=True)
    else:
        parcel.unlink(missing_ok=True)


def is_zip(target: Path) -> bool:
    """Tell whether a target is to be a zip.

    Parameters
    ----------
    target : Path
        Its name decides.

    Returns
    -------
    bool
        True for names that end in ``.zip``.
    """
    return target.suffix.lower() == ".zip"


def _hashed(blocks: Iterable[bytes]) -> str:
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
    return digest.hexdigest()


def contents(target: Path) -> dict[str, str]:
    """Read a parcel back.

    Parameters
    ----------
    target : Path
        Folder or zip.

    Returns
    -------
    dict of str to str
        SHA-256 of every file by its name in the parcel.

    Raises
    ------
    PackError
        If it cannot be read back.
    """
    try:
        if is_zip(target):
            with zipfile.ZipFile(target) as archive:
                return {
                    name.partition("/")[2]: _hashed(_blocks(archive, name))
                    for name in archive.namelist()
                }
        return {
            path.relative_to(target).as_posix(): _hashed(_file_blocks(path))
            for path in sorted(target.rglob("*"))
            if path.is_file()
        }
    except (OSError, zipfile.BadZipFile) as error:
        msg = f"{target}: could not be read back ({error}). Do not hand it over."
        raise PackError(msg) from error


def _blocks(archive: zipfile.ZipFile, name: str) -> Iterator[bytes]:
    with archive.open(name) as handle:
        while block := handle.read(BLOCK_BYTES):
            yield block


def _file_blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as handle:
        while block := handle.read(BLOCK_BYTES):
            yield block
