"""Where the audio of a capture lies, and copying it in."""

import hashlib
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.files.atomic import BLOCK_BYTES, make_folder, refusal, write_aside
from pipeline.files.names import inside, safe_name
from pipeline.models.record import Output, Record

MOVED = (
    "Was its folder moved or renamed? Add it again where it lies now: `reamps library "
    "add DIR`; numbers stay the same."
)
"""What to do about audio that lies nowhere any more."""


def outputs(record: Record) -> list[Output]:
    """List every audio file that a run left.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    list of Output
        Of the DI, the captures and the blends.
    """
    found = [record.di.output]
    found += [capture.output for capture in record.captures]
    found += [blend.output for blend in record.blends]
    return [output for output in found if output is not None]


def copy_file(source: Path, target: Path) -> str:
    """Copy a file, whole or not at all.

    Parameters
    ----------
    source : Path
        Only read.
    target : Path
        In a folder that exists.

    Returns
    -------
    str
        SHA-256 of what was copied.

    Raises
    ------
    OutputError
        When the source cannot be read or the target not be written.
    """
    try:
        handle = source.open("rb")
    except OSError as error:
        msg = f"{source}: the audio cannot be read ({error.strerror}). Was it moved?"
        raise OutputError(msg) from error
    with handle, write_aside(target) as written:
        while block := handle.read(BLOCK_BYTES):
            written.write(block)
    return written.sha256


def copy_in(record: Record, source: Path, target: Path) -> None:
    """Copy a session's audio into the library.

    Parameters
    ----------
    record : Record
        The session.
    source : Path
        The run's folder.
    target : Path
        Folder for the copies.

    Raises
    ------
    OutputError
        When a file is missing, differs from the record, or cannot be written.
    """
    make_folder(target)
    for output in outputs(record):
        place = inside(target, Path(output.file))
        make_folder(place.parent)
        if copy_file(inside(source, Path(output.file)), place) != output.sha256:
            place.unlink(missing_ok=True)
            msg = (
                f"{source / output.file}: the audio is not what the record says it is "
                "(checksum differs). Run the session again before it is copied in."
            )
            raise OutputError(msg)


RESPONSES = "responses"
"""Folder of a run in which `reamps responses` leaves impulse responses."""
_ARRIVING = ".arriving-"


@contextmanager
def arriving(record: Record, source: Path, copies: Path) -> Iterator[Path]:
    """Copy a session's audio in beside where it will lie, for `arrive`.

    Copying may take minutes, and the catalogue is not held meanwhile: so the copies
    wait in a folder of their own, which nobody who takes a session out can touch.

    Parameters
    ----------
    record : Record
        The session.
    source : Path
        The run's folder.
    copies : Path
        The library's folder of copies.

    Yields
    ------
    Path
        Folder of the copies; gone after the block. An `OutputError` is raised as by
        `copy_in`.
    """
    waiting = copies / f"{_ARRIVING}{secrets.token_hex(8)}"
    try:
        copy_in(record, source, waiting)
        for response in sorted((source / RESPONSES).glob("*.wav")):
            make_folder(waiting / RESPONSES)
            copy_file(response, waiting / RESPONSES / response.name)
        yield waiting
    finally:
        remove_copies(waiting)


def arrive(waiting: Path, target: Path) -> None:
    """Put copies where they will lie, each in one step, over older ones.

    Parameters
    ----------
    waiting : Path
        From `arriving`; on the same disk.
    target : Path
        Folder of the session's copies.

    Raises
    ------
    OutputError
        When the disk refuses.
    """
    for path in sorted(waiting.rglob("*")):
        if path.is_file():
            place = target / path.relative_to(waiting)
            make_folder(place.parent)
            try:
                path.replace(place)
            except OSError as error:
                raise OutputError(refusal(place, error)) from error


def sweep_arriving(copies: Path) -> None:
    """Remove what a program that was killed while copying left behind.

    Parameters
    ----------
    copies : Path
        The library's folder of copies; nobody else should be using it.
    """
    for waiting in copies.glob(f"{_ARRIVING}*"):
        remove_copies(waiting)


def not_arriving(folder: str, names: list[str]) -> list[str]:  # noqa: ARG001
    """Name what a copy of the folder of copies leaves out, for `shutil.copytree`.

    Parameters
    ----------
    folder : str
        That is being copied.
    names : list of str
        Of its entries.

    Returns
    -------
    list of str
        Folders of copies that are still being made.
    """
    return [name for name in names if name.startswith(_ARRIVING)]


def remove_copies(folder: Path) -> None:
    """Remove the copies of a session.

    Parameters
    ----------
    folder : Path
        As given to `copy_in`; may be missing.
    """
    shutil.rmtree(folder, ignore_errors=True)


def locate(root: Path, folder: str, sha256: str, file: str | None) -> Path | None:
    """Find a capture's audio.

    Parameters
    ----------
    root : Path
        The library's folder of copies.
    folder : str
        The run's folder.
    sha256 : str
        Of the session's record.
    file : str or None
        Relative to the run's folder.

    Returns
    -------
    Path or None
        The copy if there is one, else the run's own file if it is still there. A name
        that leads out of both folders finds nothing.
    """
    if not file:
        return None
    for base in (root / sha256[:16], Path(folder)):
        # A name that the disk does not take is no file's either.
        with suppress(OutputError, OSError):
            found = inside(base, Path(file))
            if found.is_file():
                return found
    return None


def responses_of(root: Path, folder: str, sha256: str, name: str) -> dict[str, Path]:
    """Find the impulse responses that `reamps responses` wrote of a capture.

    Parameters
    ----------
    root : Path
        The library's folder of copies.
    folder : str
        The run's folder.
    sha256 : str
        Of the session's record.
    name : str
        Identifier of the capture.

    Returns
    -------
    dict of str to Path
        By what tells them apart, such as ``48000`` or ``minimum-phase-48000``; from
        the copies if there are some, else from the run's folder.
    """
    kinds = {safe_name(name): "", safe_name(f"{name} minimum phase"): "minimum-phase-"}
    for base in (root / sha256[:16], Path(folder)):
        found: dict[str, Path] = {}
        for path in sorted((base / RESPONSES).glob("*.wav")):
            stem, _, rate = path.stem.rpartition(" ")
            if stem in kinds and rate.isdecimal():
                found[f"{kinds[stem]}{rate}"] = path
        if found:
            return found
    return {}


def file_digest(path: Path) -> str:
    """Hash a file.

    Parameters
    ----------
    path : Path
        Only read.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.
    """
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
