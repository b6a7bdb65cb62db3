"""A library on disk: one SQLite file, the shelf of records, copied audio.

    catalogue.sqlite    what is searched
    records/            the records it was built from
    audio/              audio of sessions that were copied in
    judgements.toml     named weightings, if any were written
    leaving/            notes of sessions that are being taken out; mostly absent
    cache/              tones of the whole library; may be deleted at any time

The runs' own folders are only read.
"""

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from pipeline.files.atomic import make_folder
from pipeline.library import audio, records
from pipeline.library.entries import Night, night
from pipeline.library.leaving import announce, announced, withdraw
from pipeline.library.records import SHELF_FORMAT, Envelope, Numbers
from pipeline.library.refusals import CatalogueError, QueryError
from pipeline.library.schema import changing, connect, refusing
from pipeline.library.writing import Writer
from pipeline.models.record import Record

FILE_NAME = "catalogue.sqlite"
RECORDS = "records"
AUDIO = "audio"
CACHE = "cache"
JUDGEMENTS = "judgements.toml"


@dataclass(frozen=True, slots=True)
class Added:
    """What adding a folder did.

    Parameters
    ----------
    outcome : {"added", "updated", "moved", "unchanged"}
        "updated": the folder was there with an older record; "moved": the record was
        there under a folder that is gone.
    number : int
        Of the session.
    captures : int
        Captures and blends in it.
    """

    outcome: Literal["added", "updated", "moved", "unchanged"]
    number: int
    captures: int


@dataclass(frozen=True, slots=True)
class _Known:
    """A session that is there already."""

    number: int
    sha256: str
    folder: str
    copied: bool

    def holds(self, sha256: str, folder: str, *, copy: bool) -> bool:
        same = (self.sha256, self.folder) == (sha256, folder)
        return same and (self.copied or not copy)


class Catalogue:
    """An open library; a context manager.

    Parameters
    ----------
    root : Path
        Its folder; made if it is not there.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        make_folder(root)
        make_folder(root / RECORDS)
        self.db: sqlite3.Connection = connect(self.path)
        self._settle()

    @property
    def path(self) -> Path:
        """The SQLite file."""
        return self.root / FILE_NAME

    @property
    def shelf(self) -> Path:
        """Folder of the records."""
        return self.root / RECORDS

    def __enter__(self) -> Self:
        """Use the catalogue in a with statement."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self.db.close()

    def add(self, folder: Path, *, copy: bool = False) -> Added:
        """Add a run's folder, or bring it up to date.

        Parameters
        ----------
        folder : Path
            Where ``record.json`` lies.
        copy : bool
            Copy its audio into the library.

        Returns
        -------
        Added
            What was done. A `RecordError`, `CatalogueError` or `OutputError` says why
            nothing was.
        """
        source = folder.resolve()
        text = records.read_text(source / "record.json")
        record = records.parse_record(text, source / "record.json")
        laid_out = night(record)
        sha256 = records.digest(text)
        if copy:
            audio.copy_in(record, source, self.root / AUDIO / sha256[:16])
        with refusing(self.path), changing(self.db):
            known = self._known(sha256, str(source))
            if known is not None and known.holds(sha256, str(source), copy=copy):
                return Added("unchanged", known.number, len(laid_out.entries))
            envelope = self._write(laid_out, known, _parcel(text, source, copied=copy))
            if known and known.sha256 != sha256:
                announce(self.root, known.sha256)
        self._settle()
        return Added(
            _outcome(known, sha256), envelope.numbers.session, len(laid_out.entries)
        )

    def _known(self, sha256: str, folder: str) -> _Known | None:
        query = (
            "SELECT number, record_sha256, folder, copied FROM session "
            "WHERE record_sha256 = ? OR folder = ? ORDER BY record_sha256 = ? DESC"
        )
        rows = self.db.execute(query, (sha256, folder, sha256)).fetchall()
        if not rows:
            return None
        found = _Known(int(rows[0][0]), rows[0][1], rows[0][2], bool(rows[0][3]))
        if len(rows) > 1:
            msg = (
                f"{folder}: its record is in the catalogue twice over, as sessions "
                f"{rows[0][0]} and {rows[1][0]}; remove one of them first."
            )
            raise CatalogueError(msg)
        elsewhere = found.sha256 == sha256 and found.folder != folder
        if elsewhere and Path(found.folder, "record.json").exists():
            msg = (
                f"{folder}: this session is in the catalogue already, from "
                f"{found.folder}. Nothing was changed."
            )
            raise CatalogueError(msg)
        return found

    def _write(
        self, laid_out: Night, known: _Known | None, parcel: Envelope
    ) -> Envelope:
        """Write shelf first, rows second: a kill in between loses nothing."""
        writer = Writer(self.db)
        wanted = None
        if known is not None:
            wanted = self._numbers(known.number)
            writer.remove(known.number)
            parcel = parcel.model_copy(
                update={
                    "copied": parcel.copied or (known.copied and _same(known, parcel))
                }
            )
        elif parcel.numbers.session:
            wanted = parcel.numbers
        numbers = writer.numbers(laid_out, wanted)
        parcel = parcel.model_copy(update={"numbers": numbers})
        records.put(self.shelf, parcel)
        writer.insert(
            laid_out,
            numbers,
            parcel.folder,
            sha256=records.digest(parcel.text),
            copied=parcel.copied,
        )
        return parcel

    def _numbers(self, session: int) -> Numbers:
        query = "SELECT id, number FROM capture WHERE session_number = ?"
        rows = self.db.execute(query, (session,)).fetchall()
        return Numbers(session=session, captures={str(k): int(n) for k, n in rows})

    def put_back(self, path: Path) -> int:
        """Add a session from the shelf, with the numbers it had.

        Parameters
        ----------
        path : Path
            A file of the shelf.

        Returns
        -------
        int
            Number of the session. A `RecordError` is raised if the file is damaged.
        """
        shelved = records.take(path)
        with refusing(self.path), changing(self.db):
            query = "SELECT number FROM session WHERE record_sha256 = ? OR folder = ?"
            key = (shelved.sha256, shelved.envelope.folder)
            found = self.db.execute(query, key).fetchone()
            if found is not None:
                return int(found[0])
            laid_out = night(shelved.record)
            return self._write(laid_out, None, shelved.envelope).numbers.session

    def remove(self, session: int) -> None:
        """Take a session out of the library. The run's folder is not touched.

        Parameters
        ----------
        session : int
            Its number; a `QueryError` is raised if there is none.
        """
        with refusing(self.path), changing(self.db):
            announce(self.root, self.session_digest(session))
            Writer(self.db).remove(session)
        self._settle()

    def _settle(self) -> None:
        """Finish what was taken out, also by a program that was killed meanwhile."""
        if not announced(self.root):
            return
        with refusing(self.path), changing(self.db):
            query = "SELECT 1 FROM session WHERE record_sha256 = ?"
            for sha256 in announced(self.root):
                # Still there: the taking out was cut short before it counted.
                if self.db.execute(query, (sha256,)).fetchone() is None:
                    forget(self.root, sha256)
                withdraw(self.root, sha256)

    def session_digest(self, session: int) -> str:
        """Hash of a session's record.

        Parameters
        ----------
        session : int
            Its number.

        Returns
        -------
        str
            64 hexadecimal digits.

        Raises
        ------
        QueryError
            If there is no such session.
        """
        query = "SELECT record_sha256 FROM session WHERE number = ?"
        found = self.db.execute(query, (session,)).fetchone()
        if found is None:
            msg = (
                f"no session has the number {session}; `reamps library list` shows all."
            )
            raise QueryError(msg)
        return str(found[0])

    def record(self, session: int) -> Record:
        """Read a session's record from the shelf.

        Parameters
        ----------
        session : int
            Its number.

        Returns
        -------
        Record
            As the run wrote it. A `RecordError` is raised if the shelf's file is
            damaged or missing.
        """
        path = records.shelf_path(self.shelf, self.session_digest(session))
        return records.take(path).record


def forget(root: Path, sha256: str) -> None:
    """Remove what lies on the disk of a session that the catalogue does not know.

    Parameters
    ----------
    root : Path
        The library's folder.
    sha256 : str
        Of its record.
    """
    with suppress(OSError):
        records.shelf_path(root / RECORDS, sha256).unlink(missing_ok=True)
    audio.remove_copies(root / AUDIO / sha256[:16])


def _parcel(text: str, folder: Path, *, copied: bool) -> Envelope:
    return Envelope(
        shelf=SHELF_FORMAT,
        folder=str(folder),
        copied=copied,
        numbers=Numbers(session=0, captures={}),
        text=text,
    )


def _same(known: _Known, parcel: Envelope) -> bool:
    return known.sha256 == records.digest(parcel.text)


def _outcome(
    known: _Known | None, sha256: str
) -> Literal["added", "updated", "moved", "unchanged"]:
    if known is None:
        return "added"
    return "moved" if known.sha256 == sha256 else "updated"
