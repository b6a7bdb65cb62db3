"""Is the library whole, and how is it made whole again or kept safe?"""

import shutil
import sqlite3
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError, RecordError
from pipeline.files.atomic import make_folder
from pipeline.library import audio, records
from pipeline.library.catalogue import (
    AUDIO,
    CACHE,
    FILE_NAME,
    JUDGEMENTS,
    RECORDS,
    Catalogue,
)
from pipeline.library.refusals import CatalogueError
from pipeline.library.schema import connect, copy_to, faults, refusing

_DRAFT = "catalogue.draft.sqlite"
_SIDE_FILES = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Health:
    """What a check found.

    Parameters
    ----------
    sessions, captures : int
        In the catalogue.
    faults : tuple of str
        What is wrong with the catalogue itself; `rebuild` mends it.
    missing : tuple of str
        Records that the catalogue knows and the shelf lacks or holds damaged.
    strays : tuple of str
        Records on the shelf that the catalogue does not know: a session whose adding
        or removing was cut short. `rebuild` adds them.
    lost_audio : tuple of str
        By session: how many of its audio files lie nowhere any more.
    """

    sessions: int
    captures: int
    faults: tuple[str, ...]
    missing: tuple[str, ...]
    strays: tuple[str, ...]
    lost_audio: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether catalogue and shelf agree and are undamaged."""
        return not (self.faults or self.missing)


def check(root: Path) -> Health:
    """Check a whole library.

    Parameters
    ----------
    root : Path
        Its folder.

    Returns
    -------
    Health
        What was found. A `CatalogueError` is raised if the catalogue cannot even be
        opened.
    """
    with Catalogue(root) as catalogue, refusing(catalogue.path):
        db = catalogue.db
        known = dict(db.execute("SELECT record_sha256, folder FROM session").fetchall())
        shelf = {path.name: path for path in records.everything(catalogue.shelf)}
        expected = {
            records.shelf_path(catalogue.shelf, sha256).name: str(folder)
            for sha256, folder in known.items()
        }
        return Health(
            sessions=len(known),
            captures=int(db.execute("SELECT count(*) FROM capture").fetchone()[0]),
            faults=tuple(faults(db)),
            missing=tuple(_missing(expected, shelf)),
            strays=tuple(
                str(shelf[name]) for name in sorted(set(shelf) - set(expected))
            ),
            lost_audio=tuple(_lost_audio(catalogue)),
        )


def _missing(expected: dict[str, str], shelf: dict[str, Path]) -> list[str]:
    found = []
    for name, folder in sorted(expected.items()):
        try:
            if name not in shelf:
                found.append(f"record of {folder}: not on the shelf")
            else:
                records.take(shelf[name])
        except RecordError as error:
            found.append(str(error))
    return found


def _lost_audio(catalogue: Catalogue) -> list[str]:
    query = (
        "SELECT session.folder, session.record_sha256, capture.output_file "
        "FROM capture JOIN session ON session.number = capture.session_number "
        "WHERE capture.output_file IS NOT NULL ORDER BY capture.number"
    )
    rows = catalogue.db.execute(query)
    copies = catalogue.root / AUDIO
    lost = Counter(
        str(folder)
        for folder, sha256, file in rows
        if audio.locate(copies, folder, sha256, file) is None
    )
    return [f"{folder}: {count} files" for folder, count in lost.items()]


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
    usable, damaged = _usable(root / RECORDS)
    # Records the shelf lost or holds damaged still lie in the runs' folders.
    known = _folders(root / FILE_NAME)
    draft = root / _DRAFT
    _drop(draft)
    with _Draft(root) as catalogue:
        for path in usable:
            catalogue.put_back(path)
        held = _folders_of(catalogue.db)
        for folder in sorted(set(known) - held):
            with suppress(RecordError, CatalogueError, OutputError):
                catalogue.add(Path(folder))
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


def _folders(path: Path) -> set[str]:
    """Folders that a perhaps damaged catalogue still tells of."""
    found: set[str] = set()
    with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(path)) as db:
        for row in db.execute("SELECT folder FROM session"):
            found.add(str(row[0]))
    return found


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


def backup(root: Path, target: Path, *, with_audio: bool) -> int:
    """Copy a library, whole, while others may use it.

    Parameters
    ----------
    root : Path
        Its folder.
    target : Path
        A folder that does not exist yet, or is empty.
    with_audio : bool
        Copy the audio too that was copied in.

    Returns
    -------
    int
        Sessions in the copy, which was checked.

    Raises
    ------
    OutputError
        When the target is in use, or the copy is not whole.
    """
    if target.exists() and any(target.iterdir()):
        msg = f"{target}: not empty. Name a new folder for the copy."
        raise OutputError(msg)
    make_folder(target / RECORDS)
    with Catalogue(root) as catalogue, refusing(catalogue.path):
        copy_to(catalogue.db, target / FILE_NAME)
        for path in records.everything(catalogue.shelf):
            audio.copy_file(path, target / RECORDS / path.name)
    if (root / JUDGEMENTS).exists():
        audio.copy_file(root / JUDGEMENTS, target / JUDGEMENTS)
    if with_audio and (root / AUDIO).exists():
        shutil.copytree(root / AUDIO, target / AUDIO)
    health = check(target)
    if not health.whole:
        first = (health.faults + health.missing)[0]
        msg = f"{target}: the copy is not whole ({first}). Try again."
        raise OutputError(msg)
    return health.sessions
