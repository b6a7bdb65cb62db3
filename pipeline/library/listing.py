"""Rows for the eye: sessions, all that is known of a capture, changes of nights."""

import sqlite3
from collections import Counter

from pipeline.library.catalogue import Catalogue
from pipeline.library.fields import CAPTURE_FIELDS, SESSION_FIELDS
from pipeline.library.nights import Reunion
from pipeline.library.refusals import QueryError
from pipeline.library.tables import Value

SESSION_COLUMNS = (
    "number",
    "session",
    "date",
    "captures",
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
    columns = ", ".join(f'{table}."{field.column}"' for table, field in fields)
    query = (
        f"SELECT {columns} FROM capture JOIN session "  # noqa: S608 own names
        "ON session.number = capture.session_number WHERE capture.number = ?"
    )
    row = catalogue.db.execute(query, (number,)).fetchone()
    if row is None:
        msg = f"no capture has the number {number}; `reamps library find` shows all."
        raise QueryError(msg)
    known: list[tuple[Value, ...]] = [
        (field.column, value)
        for (_, field), value in zip(fields, row, strict=True)
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
        if every or change.verdict != "within the floor"
    ]


def set_otherwise(found: Reunion, most: int = 20) -> list[str]:
    """List what the recall data says was set otherwise on the second night.

    Parameters
    ----------
    found : Reunion
        From `compare_nights`.
    most : int
        At most so many lines, the commonest first.

    Returns
    -------
    list of str
        Each once, with how many set-ups it concerns.
    """
    lines = Counter(line for again in found.again for line in again.differs)
    return [f"{line} ({count} times)" for line, count in lines.most_common(most)]
