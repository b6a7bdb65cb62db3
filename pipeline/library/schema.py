"""The catalogue's file: its tables, their number, and who may write when.

SQLite with a write-ahead log: readers never wait, writers take turns. Every change
is one transaction, so a process that is killed leaves what was there before.

Formats are numbered in ``PRAGMA user_version``. History: 1, the first.
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.library.fields import (
    CAPTURE_FIELDS,
    SESSION_FIELDS,
    Field,
)
from pipeline.library.refusals import CatalogueError

APPLICATION = 0x7265616D
"""Marks the file as a catalogue ("ream")."""
WAIT_S = 60.0
PATIENCE, PAUSE_S = 100, 0.05


def _columns(fields: tuple[Field, ...]) -> str:
    kinds = {"text": "TEXT", "day": "TEXT", "number": "REAL", "flag": "REAL"}
    return ", ".join(f'"{field.column}" {kinds[field.kind]}' for field in fields)


_FIRST = f"""
CREATE TABLE state (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE scope (id INTEGER PRIMARY KEY, words TEXT NOT NULL);
CREATE TABLE session (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    record_sha256 TEXT NOT NULL UNIQUE,
    copied INTEGER NOT NULL,
    {_columns(SESSION_FIELDS)}
);
CREATE UNIQUE INDEX session_folder ON session (folder);
CREATE TABLE capture (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    session_number INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
    {_columns(CAPTURE_FIELDS)},
    UNIQUE (session_number, id)
);
CREATE TABLE tone (
    capture_number INTEGER PRIMARY KEY REFERENCES capture ON DELETE CASCADE,
    vector BLOB NOT NULL
);
CREATE TABLE capture_scope (
    scope_id INTEGER NOT NULL REFERENCES scope ON DELETE CASCADE,
    capture_number INTEGER NOT NULL REFERENCES capture ON DELETE CASCADE,
    PRIMARY KEY (scope_id, capture_number)
) WITHOUT ROWID;
CREATE INDEX capture_scope_capture ON capture_scope (capture_number);
CREATE TABLE key (
    id INTEGER PRIMARY KEY, path TEXT NOT NULL UNIQUE, leaf TEXT NOT NULL
);
CREATE INDEX key_leaf ON key (leaf);
CREATE TABLE fact (
    scope_id INTEGER NOT NULL REFERENCES scope ON DELETE CASCADE,
    key_id INTEGER NOT NULL REFERENCES key,
    number REAL,
    text TEXT NOT NULL
);
CREATE INDEX fact_key ON fact (key_id, number);
CREATE INDEX fact_scope ON fact (scope_id);
"""

MIGRATIONS: tuple[str, ...] = (_FIRST,)
"""Script k turns format k into k + 1. A script that was released is never changed."""

_WORDS = """
CREATE VIRTUAL TABLE scope_words USING fts5 (
    words, content='scope', content_rowid='id',
    tokenize='unicode61 remove_diacritics 2', prefix='2 3'
)
"""


@contextmanager
def refusing(path: Path) -> Iterator[None]:
    """Turn what SQLite says into words that say what to do.

    Parameters
    ----------
    path : Path
        The catalogue's file.

    Yields
    ------
    None
        To the guarded lines.

    Raises
    ------
    CatalogueError
        When the file is damaged, busy for a minute, or the disk refuses.
    DatabaseError
        When a statement of this program is wrong: a bug.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            msg = (
                f"{path}: another program has been writing to the catalogue for "
                f"{WAIT_S:.0f} s. Nothing was changed; try again when it is done."
            )
        else:
            msg = f"{path}: the catalogue cannot be used: {error}. Nothing was changed."
        raise CatalogueError(msg) from error
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
            raise
        msg = (
            f"{path}: the catalogue is damaged ({error}). Its records are kept beside "
            "it: `reamps library check --repair` builds it anew from them."
        )
        raise CatalogueError(msg) from error


def connect(path: Path) -> sqlite3.Connection:
    """Open a catalogue, make it or bring it to this program's format.

    One on a medium that cannot be written to can be read all the same.

    Parameters
    ----------
    path : Path
        The file; its folder exists.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode, foreign keys on, write-ahead log on; changes go through
        `changing`. A `CatalogueError` is raised when the file is newer than this
        program, damaged, busy or something else.
    """
    with refusing(path):
        db = _open(path)
        try:
            _prepare(db, path)
        except BaseException:
            db.close()
            raise
        return db


def _writable(path: Path) -> bool:
    """Whether catalogue and folder may be written to, or are still to be made."""
    return not path.exists() or (
        os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    )


def _open(path: Path) -> sqlite3.Connection:
    if _writable(path):
        return sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
    # A log beside it holds the last changes, and somebody may be writing it: then
    # SQLite reads both, or refuses. Without one all is in the file, and it stands.
    logged = path.with_name(f"{path.name}-wal").exists()
    name = f"{path.absolute().as_uri()}?mode=ro{'' if logged else '&immutable=1'}"
    return sqlite3.connect(name, timeout=WAIT_S, isolation_level=None, uri=True)


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    _refuse_strangers(db, path)
    db.execute("PRAGMA foreign_keys = ON")
    if _writable(path):
        _write_ahead(db)
    # FULL: a commit that was acknowledged survives a power cut, not only a kill.
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA cache_size = -65536")
    db.execute("PRAGMA mmap_size = 1073741824")
    if _number(db) < len(MIGRATIONS):
        with changing(db):
            _migrate(db)
    _settle_words(db)


def _write_ahead(db: sqlite3.Connection) -> None:
    """Turn the write-ahead log on, which SQLite does not wait for by itself."""
    for _ in range(PATIENCE - 1):
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError:
            # Another program makes the catalogue at this moment.
            time.sleep(PAUSE_S)
        else:
            return
    db.execute("PRAGMA journal_mode = WAL")


def _number(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _refuse_strangers(db: sqlite3.Connection, path: Path) -> None:
    number = _number(db)
    if number > len(MIGRATIONS):
        msg = (
            f"{path}: this catalogue has format {number}, and this version of reamps "
            f"knows formats up to {len(MIGRATIONS)}. Nothing was changed; use the "
            "newer version that wrote it."
        )
        raise CatalogueError(msg)
    # The tables first: they come with the mark, perhaps between these two lines.
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    if mark != APPLICATION and tables:
        msg = f"{path}: expected a catalogue of reamps, found another program's file."
        raise CatalogueError(msg)


def _migrate(db: sqlite3.Connection) -> None:
    """Run inside the writer's lock, so two programs cannot both migrate."""
    for number in range(_number(db), len(MIGRATIONS)):
        for statement in MIGRATIONS[number].split(";"):
            if statement.strip():
                db.execute(statement)
        db.execute(f"PRAGMA user_version = {number + 1}")
    db.execute(f"PRAGMA application_id = {APPLICATION}")


def has_words(db: sqlite3.Connection) -> bool:
    """Tell whether this SQLite has the full-text index (FTS5).

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.

    Returns
    -------
    bool
        Without it words are searched one scope after the other: slower, same answers
        but for word boundaries.
    """
    found = db.execute("SELECT 1 FROM pragma_module_list WHERE name = 'fts5'")
    return found.fetchone() is not None


def _settle_words(db: sqlite3.Connection) -> None:
    """Make the full-text index, or make up for a writer that had none."""
    if not has_words(db):
        return
    made = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'scope_words'")
    stale = get_state(db, "words") == "stale"
    if made.fetchone() is not None and not stale:
        return
    with changing(db):
        exists = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'scope_words'")
        if exists.fetchone() is None:
            db.execute(_WORDS)
        db.execute("INSERT INTO scope_words (scope_words) VALUES ('rebuild')")
        set_state(db, "words", "kept")


@contextmanager
def changing(db: sqlite3.Connection) -> Iterator[None]:
    """Make everything inside one transaction; the lock is taken at its start.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.

    Yields
    ------
    None
        Committed at the end, undone on any error.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        db.rollback()
        raise
    db.execute("COMMIT")


def get_state(db: sqlite3.Connection, key: str) -> str:
    """Read one entry of the catalogue's own notes.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    key : str
        Name of the entry.

    Returns
    -------
    str
        Empty where there is none.
    """
    found = db.execute("SELECT value FROM state WHERE key = ?", (key,)).fetchone()
    return str(found[0]) if found else ""


def set_state(db: sqlite3.Connection, key: str, value: str) -> None:
    """Write one entry of the catalogue's own notes.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue, inside `changing`.
    key, value : str
        The entry.
    """
    db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (key, value))


def faults(db: sqlite3.Connection) -> list[str]:
    """Check the whole file.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.

    Returns
    -------
    list of str
        What SQLite finds wrong with pages, indexes, foreign keys or the full-text
        index; empty when all is well.
    """
    found = [str(row[0]) for row in db.execute("PRAGMA integrity_check")]
    found = [] if found == ["ok"] else found
    strays = db.execute("PRAGMA foreign_key_check").fetchall()
    found += [f"table {row[0]}: row {row[1]} points nowhere" for row in strays]
    if has_words(db):
        try:
            db.execute(
                "INSERT INTO scope_words (scope_words) VALUES ('integrity-check')"
            )
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_READONLY:
                return _faults_of_copy(db)
            found.append(f"full-text index: {error}")
    return found


def _faults_of_copy(db: sqlite3.Connection) -> list[str]:
    """Check a copy: the full-text index is only checked where it may be written to."""
    with TemporaryDirectory() as folder:
        copy = Path(folder, "copy.sqlite")
        copy_to(db, copy)
        with closing(sqlite3.connect(copy, isolation_level=None)) as writable:
            return faults(writable)


def copy_to(db: sqlite3.Connection, target: Path) -> None:
    """Copy a living catalogue, whole, while others may write.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    target : Path
        A new file.
    """
    with closing(sqlite3.connect(target)) as copy:
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
