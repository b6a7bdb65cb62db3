"""Rows for the eye: sessions, all that is known of a capture, changes of nights."""

import sqlite3
from collections import Counter

from pipeline.library.catalogue import Catalogue
from pipeline.library.fields import CAPTURE_FIELDS, SESSION_FIELDS
from pipeline.library.find import columns_sql
from pipeline.library.nights import Reunion
from pipeline.library.refusals import QueryError
from pipeline.library.tables import Value, counted, plain

SESSION_COLUMNS = (
    "number",
    "session",
    "date",
    "tones",
    "target_lufs",
    "sample_rate_hz",
    "copied",
    "folder",
)
CHANGE_COLUMNS = (
    "first",
    "second",
    "match",
    "figure",
    "on_first",
    "on_second",
    "change",
    "floor",
    "verdict",
)


def sessions(db: sqlite3.Connection) -> list[tuple[Value, ...]]:
    """List all sessions.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.

    Returns
    -------
    list of tuple
        Values of `SESSION_COLUMNS`, by number.
    """
    query = (
        "SELECT session.number, session, date, count(capture.number), target_lufs, "
        "sample_rate_hz, CASE copied WHEN 1 THEN 'yes' ELSE 'no' END, folder "
        "FROM session LEFT JOIN capture ON capture.session_number = session.number "
        "GROUP BY session.number ORDER BY session.number"
    )
    return [tuple(row) for row in db.execute(query)]


def capture_facts(catalogue: Catalogue, number: int) -> list[tuple[Value, ...]]:
    """List everything that is known of one capture.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    number : int
        Of the capture.

    Returns
    -------
    list of (field, value)
        Columns of the capture and its session, then facts, by their path.

    Raises
    ------
    QueryError
        If there is no such capture.
    """
    fields = [("session", f) for f in SESSION_FIELDS]
    fields += [("capture", f) for f in CAPTURE_FIELDS]
    columns = columns_sql(catalogue.db, tuple(field.column for _, field in fields))
    query = (
        f"SELECT session_number, {columns} FROM capture JOIN session "  # noqa: S608 own names
        "ON session.number = capture.session_number WHERE capture.number = ?"
    )
    row = catalogue.db.execute(query, (number,)).fetchone()
    if row is None:
        msg = f"no tone has the number {number}; `reamps library find` shows all."
        raise QueryError(msg)
    known: list[tuple[Value, ...]] = [("session_number", row[0]), ("number", number)]
    known += [
        (field.column, value)
        for (_, field), value in zip(fields, row[1:], strict=True)
        if value is not None
    ]
    facts = catalogue.db.execute(
        "SELECT key.path, fact.text FROM capture_scope "
        "JOIN fact ON fact.scope_id = capture_scope.scope_id "
        "JOIN key ON key.id = fact.key_id WHERE capture_scope.capture_number = ? "
        "ORDER BY key.path, fact.rowid",
        (number,),
    )
    return [*known, *(tuple(fact) for fact in facts)]


def changes(found: Reunion, *, every: bool) -> list[tuple[Value, ...]]:
    """List what changed between two nights.

    Parameters
    ----------
    found : Reunion
        From `compare_nights`.
    every : bool
        Those within the floor too.

    Returns
    -------
    list of tuple
        Values of `CHANGE_COLUMNS`.
    """
    return [
        (
            again.first,
            again.second,
            again.match,
            change.key,
            change.first,
            change.second,
            change.change,
            change.floor,
            change.verdict,
        )
        for again in found.again
        for change in again.changes
        if every or (change.verdict != "within the floor" and change.change)
    ]


def session_line(catalogue: Catalogue, number: int) -> str:
    """Name a session so that a person can be sure which one is meant.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    number : int
        Of the session; a `QueryError` is raised if there is none.

    Returns
    -------
    str
        Number, name, date, tones, and whether audio was copied in.
    """
    catalogue.session_digest(number)
    columns = dict.fromkeys(SESSION_COLUMNS)
    for row in sessions(catalogue.db):
        if row[0] == number:
            columns = dict(zip(SESSION_COLUMNS, row, strict=True))
    copied = ", with its copied audio" if columns["copied"] == "yes" else ""
    name = plain(str(columns["session"]))
    tones = counted(int(str(columns["tones"])), "tone")
    return f"session {number} ({name}, {columns['date']}, {tones}{copied})"


def reunion_lines(found: Reunion) -> list[str]:
    """Sum two nights up, beside the table of what changed.

    Parameters
    ----------
    found : Reunion
        From `compare_nights`.

    Returns
    -------
    list of str
        How many set-ups met and changed, who has no partner, how loud to play both,
        and what the recall data says was set otherwise.
    """
    moved = sum(
        any(change.verdict == "more than the floor" for change in again.changes)
        for again in found.again
    )
    lines = [
        f"{counted(len(found.again), 'set-up')} on both nights, {moved} of them "
        "changed by more than the floor",
        f"to hear them side by side at {found.target_lufs:.1f} LUFS turn the first "
        f"night by {found.gains_db[0]:+.1f} dB and the second by "
        f"{found.gains_db[1]:+.1f} dB",
    ]
    for which, alone in (("first", found.only_first), ("second", found.only_second)):
        if alone:
            lines.append(f"only on the {which} night: {_some(alone)}")
    return lines + [f"set otherwise: {line}" for line in _set_otherwise(found)]


def _some(names: tuple[str, ...], most: int = 10) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return plain(", ".join(names[:most])) + more


def _set_otherwise(found: Reunion, most: int = 20) -> list[str]:
    """Count what the recall data says was set otherwise, the commonest first."""
    lines = Counter(line for again in found.again for line in again.differs)
    return [
        f"{plain(line)} ({counted(n, 'set-up')})" for line, n in lines.most_common(most)
    ]
