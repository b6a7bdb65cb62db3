"""Rows of one session: written and removed inside a transaction of the caller."""

import sqlite3
from collections.abc import Sequence

from pipeline.library.entries import Entry, Night, Scope
from pipeline.library.fields import CAPTURE_FIELDS, SESSION_FIELDS
from pipeline.library.records import Numbers
from pipeline.library.schema import get_state, has_words, set_state

_OWN_SCOPES = """
SELECT DISTINCT scope_id FROM capture_scope WHERE capture_number IN
(SELECT number FROM capture WHERE session_number = ?)
"""


class Writer:
    """Writes sessions into a catalogue.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue, inside a transaction.
    """

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._words = has_words(db)
        self._keys: dict[str, int] = {}

    def numbers(self, night: Night, wanted: Numbers | None) -> Numbers:
        """Decide the numbers of a session and its captures.

        Parameters
        ----------
        night : Night
            The session.
        wanted : Numbers or None
            Numbers it had before; each is kept unless it is taken.

        Returns
        -------
        Numbers
            For the session and every capture.
        """
        kept = wanted or Numbers(session=0, captures={})
        session = self._free("session", kept.session) or self._next("session")
        following = self._next("capture")
        following = max([following, *(n + 1 for n in kept.captures.values())])
        captures: dict[str, int] = {}
        for entry in night.entries:
            name = str(entry.columns["id"])
            number = self._free("capture", kept.captures.get(name, 0))
            if not number:
                number, following = following, following + 1
            captures[name] = number
        return Numbers(session=session, captures=captures)

    def _free(self, table: str, number: int) -> int:
        if number <= 0:
            return 0
        query = f"SELECT 1 FROM {table} WHERE number = ?"  # noqa: S608 own name
        taken = self._db.execute(query, (number,)).fetchone()
        return 0 if taken else number

    def _next(self, table: str) -> int:
        query = "SELECT seq FROM sqlite_sequence WHERE name = ?"
        found = self._db.execute(query, (table,)).fetchone()
        return (int(found[0]) if found else 0) + 1

    def insert(
        self, night: Night, numbers: Numbers, folder: str, *, sha256: str, copied: bool
    ) -> None:
        """Write one session.

        Parameters
        ----------
        night : Night
            What is written.
        numbers : Numbers
            From `numbers`.
        folder : str
            Folder of the run.
        sha256 : str
            Of the record's text.
        copied : bool
            Whether the audio was copied in.
        """
        columns = {**night.columns, "folder": folder}
        names = [field.column for field in SESSION_FIELDS]
        row = [numbers.session, sha256, int(copied), *(columns[name] for name in names)]
        self._insert("session", ["number", "record_sha256", "copied", *names], [row])
        scopes = {name: self._scope(scope) for name, scope in night.scopes.items()}
        names = [field.column for field in CAPTURE_FIELDS]
        rows, links, vectors = [], [], []
        for entry in night.entries:
            number = numbers.captures[str(entry.columns["id"])]
            values = [entry.columns[name] for name in names]
            rows.append([number, numbers.session, *values])
            links += self._links(entry, number, scopes)
            if entry.vector is not None:
                vectors.append([number, entry.vector])
        self._insert("capture", ["number", "session_number", *names], rows)
        self._insert("capture_scope", ["scope_id", "capture_number"], links)
        self._insert("tone", ["capture_number", "vector"], vectors)
        self._stamp(sha256)

    def _links(
        self, entry: Entry, number: int, scopes: dict[str, int]
    ) -> list[list[int]]:
        shared = [scopes[name] for name in entry.shared]
        return [[scope, number] for scope in (*shared, self._scope(entry.own))]

    def _insert(
        self,
        table: str,
        columns: list[str],
        rows: Sequence[Sequence[object]],
    ) -> None:
        names = ", ".join(f'"{column}"' for column in columns)
        marks = ", ".join("?" * len(columns))
        query = f"INSERT INTO {table} ({names}) VALUES ({marks})"  # noqa: S608 own names
        self._db.executemany(query, rows)

    def _scope(self, scope: Scope) -> int:
        made = self._db.execute("INSERT INTO scope (words) VALUES (?)", (scope.words,))
        number = int(made.lastrowid or 0)
        if self._words:
            query = "INSERT INTO scope_words (rowid, words) VALUES (?, ?)"
            self._db.execute(query, (number, scope.words))
        self._db.executemany(
            "INSERT INTO fact VALUES (?, ?, ?, ?)",
            [
                (number, self._key(f.path, f.leaf), f.number, f.text)
                for f in scope.facts
            ],
        )
        return number

    def _key(self, path: str, leaf: str) -> int:
        if path not in self._keys:
            query = "INSERT OR IGNORE INTO key (path, leaf) VALUES (?, ?)"
            self._db.execute(query, (path, leaf))
            found = self._db.execute("SELECT id FROM key WHERE path = ?", (path,))
            self._keys[path] = int(found.fetchone()[0])
        return self._keys[path]

    def remove(self, session: int) -> None:
        """Take one session out.

        Parameters
        ----------
        session : int
            Its number.
        """
        scopes = self._db.execute(_OWN_SCOPES, (session,)).fetchall()
        if self._words:
            self._db.executemany(
                "INSERT INTO scope_words (scope_words, rowid, words) "
                "SELECT 'delete', id, words FROM scope WHERE id = ?",
                scopes,
            )
        self._db.execute("DELETE FROM session WHERE number = ?", (session,))
        self._db.executemany("DELETE FROM scope WHERE id = ?", scopes)
        self._stamp(f"removed {session}")

    def _stamp(self, change: str) -> None:
        """Note that tones changed, and whether the full-text index could follow."""
        count = int(get_state(self._db, "changes") or 0) + 1
        set_state(self._db, "changes", str(count))
        set_state(self._db, "change", f"{count} {change}")
        if not self._words:
            set_state(self._db, "words", "stale")
