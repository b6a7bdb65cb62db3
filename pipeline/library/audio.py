"""Where the audio of a capture lies, and copying it in."""

import hashlib
import shutil
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.files.atomic import BLOCK_BYTES, make_folder, write_aside
from pipeline.files.names import inside
from pipeline.models.record import Output, Record


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
        try:
            found = inside(base, Path(file))
        except OutputError:
            continue
        if found.is_file():
            return found
    return None


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
