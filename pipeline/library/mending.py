"""How is a damaged catalogue built anew from what lies beside it?"""

import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError, RecordError
from pipeline.library import audio, records
from pipeline.library.catalogue import (
    AUDIO,
    CACHE,
    FILE_NAME,
    RECORDS,
    Catalogue,
    forget,
)
from pipeline.library.leaving import announced, withdraw
from pipeline.library.refusals import CatalogueError
from pipeline.library.schema import connect

_DRAFT = "catalogue.draft.sqlite"
_SIDE_FILES = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What building anew did.

    Parameters
    ----------
    sessions : int
        Sessions in the new catalogue.
    damaged : tuple of str
        Records that could not be used.
    kept_as : Path or None
        The old catalogue, set aside.
    """

    sessions: int
    damaged: tuple[str, ...]
    kept_as: Path | None


def rebuild(root: Path) -> Rebuilt:
    """Build the catalogue anew from the records on the shelf.

    Parameters
    ----------
    root : Path
        The library's folder; nobody else should be using it.

    Returns
    -------
    Rebuilt
        What was done; the old file is set aside, never deleted. A `CatalogueError` is
        raised for a catalogue of a newer format: that is no damage.
    """
    _refuse_newer(root / FILE_NAME)
    # Records the shelf lost or holds damaged still lie in the runs' folders.
    known = _listed(root / FILE_NAME)
    _finish_leaving(root, set(known.values()))
    audio.sweep_arriving(root / AUDIO)
    usable, damaged = _usable(root / RECORDS)
    draft = root / _DRAFT
    _drop(draft)
    with _Draft(root) as catalogue:
        for path in usable:
            catalogue.put_back(path)
        held = _folders_of(catalogue.db)
        for folder in sorted(set(known) - held):
            with suppress(RecordError, CatalogueError, OutputError):
                catalogue.add(Path(folder))
        _keep_counting(catalogue.db, _counters(root / FILE_NAME))
        count = int(catalogue.db.execute("SELECT count(*) FROM session").fetchone()[0])
        catalogue.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        catalogue.db.execute("PRAGMA journal_mode = DELETE")
    kept_as = _set_aside(root)
    draft.replace(root / FILE_NAME)
    shutil.rmtree(root / CACHE, ignore_errors=True)
    return Rebuilt(count, tuple(damaged), kept_as)


class _Draft(Catalogue):
    """A catalogue under another name, until it is whole."""

    @property
    def path(self) -> Path:
        return self.root / _DRAFT


def _refuse_newer(path: Path) -> None:
    if not path.exists():
        return
    try:
        connect(path).close()
    except CatalogueError as error:
        if "format" in str(error):
            raise


def _folders_of(db: sqlite3.Connection) -> set[str]:
    return {str(row[0]) for row in db.execute("SELECT folder FROM session")}


def _told(path: Path, query: str) -> list[tuple[str, str]]:
    """Pairs that a perhaps damaged catalogue still tells of."""
    found: list[tuple[str, str]] = []
    if path.exists():
        with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(path)) as db:
            for first, second in db.execute(query):
                found.append((str(first), str(second)))
    return found


def _listed(path: Path) -> dict[str, str]:
    """Hash of the record by folder of the run."""
    return dict(_told(path, "SELECT folder, record_sha256 FROM session"))


def _counters(path: Path) -> dict[str, int]:
    """Highest number that was ever given, by table."""
    found = _told(path, "SELECT name, seq FROM sqlite_sequence")
    return {name: int(number) for name, number in found if number.isdecimal()}


def _keep_counting(db: sqlite3.Connection, counters: dict[str, int]) -> None:
    """Go on from the highest number ever given, so that none is given twice."""
    for table in sorted(counters.keys() & {"session", "capture"}):
        query = "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?"
        now = int(db.execute(query, (table,)).fetchone()[0])
        db.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
        highest = max(now, counters[table])
        db.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (table, highest))


def _finish_leaving(root: Path, listed: set[str]) -> None:
    """Let go of what was being taken out, unless the catalogue still lists it."""
    for sha256 in announced(root):
        if sha256 not in listed:
            forget(root, sha256)
        withdraw(root, sha256)


def _usable(shelf: Path) -> tuple[list[Path], list[str]]:
    """Readable records, the latest of each folder."""
    latest: dict[str, tuple[str, Path]] = {}
    damaged: list[str] = []
    for path in records.everything(shelf):
        try:
            shelved = records.take(path)
        except RecordError as error:
            damaged.append(str(error))
            continue
        entry = (shelved.record.created, path)
        folder = shelved.envelope.folder
        latest[folder] = max(latest.get(folder, entry), entry)
    numbers = {
        path: records.take(path).envelope.numbers.session for _, path in latest.values()
    }
    return sorted(numbers, key=lambda path: (numbers[path], path.name)), damaged


def _drop(path: Path) -> None:
    for suffix in _SIDE_FILES:
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _set_aside(root: Path) -> Path | None:
    path = root / FILE_NAME
    if not path.exists():
        return None
    number = 1
    while (aside := root / f"catalogue.set-aside-{number}.sqlite").exists():
        number += 1
    path.replace(aside)
    for suffix in _SIDE_FILES[1:]:
        side = path.with_name(path.name + suffix)
        if side.exists():
            side.replace(aside.with_name(aside.name + suffix))
    return aside
