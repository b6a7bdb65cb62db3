"""The shelf of records beside the catalogue: what it can be built anew from.

One compressed file a session: the record as the run wrote it, where its folder was,
and the numbers its captures have. It is written before the catalogue says that the
session is there, so whatever the catalogue knows is also on the shelf.
"""

import gzip
import json
import zlib
from collections import Counter
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import RecordError
from pipeline.files.atomic import replace_with
from pipeline.models.base import Strict
from pipeline.models.record import FORMAT, Record

SHELF_FORMAT = 1
"""Number of the shelf's file format. 1: the first."""
LARGEST_BYTES = 1_000_000_000
_SUFFIX = ".json.gz"


class Numbers(Strict):
    """Numbers in the catalogue, which stay when it is built anew."""

    session: int
    captures: dict[str, int]


class Envelope(Strict):
    """A record and what the catalogue knows beyond it."""

    shelf: int
    folder: str
    copied: bool
    numbers: Numbers
    text: str


@dataclass(frozen=True, slots=True)
class Shelved:
    """One file of the shelf, read and understood.

    Parameters
    ----------
    envelope : Envelope
        As stored.
    record : Record
        The session in it.
    sha256 : str
        Of the record's text: its name on the shelf.
    """

    envelope: Envelope
    record: Record
    sha256: str


def parse_record(text: str, source: Path) -> Record:
    """Read a record's text.

    Parameters
    ----------
    text : str
        JSON.
    source : Path
        Where it came from, for the message.

    Returns
    -------
    Record
        The session.

    Raises
    ------
    RecordError
        If it is damaged or of another format.
    """
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as error:
        msg = f"{source}: the record is no JSON ({error}); run the session again."
        raise RecordError(msg) from error
    number = raw.get("format") if isinstance(raw, dict) else None
    if number != FORMAT:
        msg = (
            f"{source}: expected a record of format {FORMAT}, found {number!r}; use "
            "the version of reamps that wrote it, or run the session again."
        )
        raise RecordError(msg)
    try:
        record = Record.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "its start"
        msg = f"{source}: the record is damaged at {place} ({first['msg']})."
        raise RecordError(msg) from error
    names = Counter(one.id for one in record.captures)
    names.update(one.id for one in record.blends)
    twice = [name for name, count in names.items() if count > 1]
    if twice:
        msg = (
            f"{source}: the record is damaged: expected captures and blends that are "
            f"called apart, found {twice[0]!r} twice; run the session again."
        )
        raise RecordError(msg)
    return record


def read_text(path: Path) -> str:
    """Read a run's record as text.

    Parameters
    ----------
    path : Path
        ``record.json``.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    RecordError
        If there is none or it is no text.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        near = sorted(str(p.parent) for p in path.parent.glob(f"*/{path.name}"))[:3]
        hint = f" Did you mean {' or '.join(near)}?" if near else ""
        msg = f"{path}: no record here; give a folder that `reamps run` wrote.{hint}"
        raise RecordError(msg) from error
    except (OSError, ValueError) as error:
        msg = f"{path}: the record cannot be read ({error})."
        raise RecordError(msg) from error


def digest(text: str) -> str:
    """Hash a record's text.

    Parameters
    ----------
    text : str
        JSON.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.
    """
    return sha256(text.encode("utf-8")).hexdigest()


def shelf_path(folder: Path, record_sha256: str) -> Path:
    """Name the file of one record.

    Parameters
    ----------
    folder : Path
        The shelf.
    record_sha256 : str
        From `digest`.

    Returns
    -------
    Path
        The file.
    """
    return folder / f"{record_sha256}{_SUFFIX}"


def put(folder: Path, envelope: Envelope) -> Path:
    """Put a record on the shelf, whole or not at all.

    Parameters
    ----------
    folder : Path
        The shelf, which exists.
    envelope : Envelope
        What is stored.

    Returns
    -------
    Path
        The file; equal envelopes give equal bytes.
    """
    path = shelf_path(folder, digest(envelope.text))
    replace_with(
        path,
        gzip.compress(envelope.model_dump_json().encode("utf-8"), 6, mtime=0),
    )
    return path


def take(path: Path) -> Shelved:
    """Read one file of the shelf.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Shelved
        Checked against its own name.

    Raises
    ------
    RecordError
        If it is damaged, too large or of another format.
    """
    try:
        with gzip.open(path, "rb") as handle:
            content = handle.read(LARGEST_BYTES + 1)
        if len(content) > LARGEST_BYTES:
            msg = f"{path}: over {LARGEST_BYTES} bytes; not a record of a session."
            raise RecordError(msg)
        envelope = Envelope.model_validate_json(content)
    except (OSError, EOFError, zlib.error, ValidationError) as error:
        msg = f"{path}: the stored record is damaged ({error})."
        raise RecordError(msg) from error
    if envelope.shelf != SHELF_FORMAT:
        msg = f"{path}: expected shelf format {SHELF_FORMAT}, found {envelope.shelf}."
        raise RecordError(msg)
    name = digest(envelope.text)
    if path != shelf_path(path.parent, name):
        msg = f"{path}: the stored record is not the one that its name says."
        raise RecordError(msg)
    return Shelved(envelope, parse_record(envelope.text, path), name)


def everything(folder: Path) -> list[Path]:
    """List the shelf.

    Parameters
    ----------
    folder : Path
        The shelf.

    Returns
    -------
    list of Path
        Its files, sorted by name.
    """
    return sorted(folder.glob(f"*{_SUFFIX}"))
