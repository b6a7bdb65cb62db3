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
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.files.atomic import make_folder
from pipeline.library import audio, records
from pipeline.library.adding import Added, Found, Known
from pipeline.library.entries import Night, night
from pipeline.library.leaving import announce, announced, withdraw
from pipeline.library.records import Envelope, Numbers
from pipeline.library.refusals import CatalogueError, QueryError, refuse_torn
from pipeline.library.schema import changing, connect, refusing
from pipeline.library.tables import counted
from pipeline.library.writing import Writer
from pipeline.models.record import Record

FILE_NAME = "catalogue.sqlite"
RECORDS = "records"
AUDIO = "audio"
CACHE = "cache"
JUDGEMENTS = "judgements.toml"


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
            Copy its audio into the library. Audio that was copied in once is copied
            again when the session was run again.

        Returns
        -------
        Added
            What was done. A `RecordError`, `CatalogueError`, `QueryError` or
            `OutputError` says why nothing was.
        """
        source = folder.resolve()
        refuse_torn(str(source))
        text = records.read_text(source / "record.json")
        record = records.parse_record(text, source / "record.json")
        found = Found(source, text, record)
        if not copy and not self._copied_before(found):
            return self._file(found, None)
        with audio.arriving(record, source, self.root / AUDIO) as waiting:
            return self._file(found, waiting)

    def _copied_before(self, found: Found) -> bool:
        with refusing(self.path):
            known = self._known(found.sha256, found.folder)
        return known is not None and known.copied and known.sha256 != found.sha256

    def _file(self, found: Found, waiting: Path | None) -> Added:
        """Write a session down; copies arrive while nobody can take it out."""
        count = len(found.laid_out.entries)
        with refusing(self.path), changing(self.db):
            known = self._known(found.sha256, found.folder)
            if waiting is not None:
                audio.arrive(waiting, self.root / AUDIO / found.sha256[:16])
            outcome = found.outcome(known, copy=waiting is not None)
            if known is not None and outcome == "unchanged":
                return Added(outcome, known.number, count)
            parcel = found.parcel(known, copied=waiting is not None)
            envelope = self._write(found.laid_out, known, parcel)
            if known and known.sha256 != found.sha256:
                announce(self.root, known.sha256)
        self._settle()
        return Added(outcome, envelope.numbers.session, count)

    def _known(self, sha256: str, folder: str) -> Known | None:
        query = (
            "SELECT number, record_sha256, folder, copied FROM session "
            "WHERE record_sha256 = ? OR folder = ? ORDER BY record_sha256 = ? DESC"
        )
        rows = self.db.execute(query, (sha256, folder, sha256)).fetchall()
        if not rows:
            return None
        found = Known(int(rows[0][0]), rows[0][1], rows[0][2], bool(rows[0][3]))
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
        self, laid_out: Night, known: Known | None, parcel: Envelope
    ) -> Envelope:
        """Write shelf first, rows second: a kill in between loses nothing."""
        writer = Writer(self.db)
        wanted = None
        if known is not None:
            wanted = self._numbers(known.number)
            writer.remove(known.number)
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


def existing(root: Path, *, repair: bool = False) -> Path:
    """Tell a library from a folder that is none, so that a slip makes no empty one.

    Parameters
    ----------
    root : Path
        What was named.
    repair : bool
        Whether the records alone will do.

    Returns
    -------
    Path
        The same.

    Raises
    ------
    CatalogueError
        If no catalogue lies there, or nobody can look; the message says what to do.
    """
    try:
        kept = len(records.everything(root / RECORDS))
        there = (root / FILE_NAME).is_file()
    except OSError as error:
        msg = f"{root}: cannot be looked at ({error.strerror}). Name another library."
        raise CatalogueError(msg) from error
    if there or (repair and kept):
        return root
    if kept:
        msg = (
            f"{root}: the catalogue is gone, but {counted(kept, 'record')} remained: "
            f"`reamps library check --repair --library {root}` builds it anew."
        )
    else:
        msg = (
            f"{root}: no library here. Name yours with --library DIR or in "
            "REAMPS_LIBRARY; `reamps library add DIR` makes a new one, where DIR is a "
            "folder that `reamps run` wrote."
        )
    raise CatalogueError(msg)


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
