"""Which captures answer a question, and what is shown of them?

Words are searched in every text that a person wrote of a capture and of what it
shares (session, set-up, cabinet, microphone); all must occur. Conditions compare
fields. Columns and recall keys can be shown and sorted by.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.library.asking import (
    PLACES,
    Asking,
    Where,
    recalled_keys,
    refuse_unknown,
)


@dataclass(frozen=True, slots=True)
class Found:
    """What answers a question.

    Parameters
    ----------
    columns : tuple of str
        Names of the values.
    rows : tuple of tuple
        One a capture: its number, its session, its fields.
    total : int
        How many captures answer it in all.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str | float | None, ...], ...]
    total: int


SHOWN = (
    "number",
    "session",
    "date",
    "id",
    "setup",
    "mic",
    "position",
    "distance_mm",
    "status",
    "brightness_hz",
    "linear_share",
)
_JOIN = "JOIN session ON session.number = capture.session_number"


# Numbers stay numbers; several values (a list, or one name in two tables) become text.
_RECALLED = """
(SELECT CASE WHEN count(*) != 1 THEN group_concat(DISTINCT fact.text)
WHEN max(fact.text) IN ('yes', 'no') THEN max(fact.text)
ELSE coalesce(max(fact.number), max(fact.text)) END
FROM capture_scope JOIN fact ON fact.scope_id = capture_scope.scope_id
WHERE capture_scope.capture_number = capture.number AND fact.key_id IN ({keys}))
"""


def columns_sql(db: sqlite3.Connection, columns: tuple[str, ...]) -> str:
    """Name columns in SQL.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    columns : tuple of str
        Fields, or recall keys such as ``gain`` or ``setup.amp.gain``.

    Returns
    -------
    str
        A comma-separated list; a `QueryError` is raised for a name that nothing has.
    """
    return ", ".join(_expression(db, name.lower()) for name in columns)


def _expression(db: sqlite3.Connection, name: str) -> str:
    if name in PLACES:
        table, field = PLACES[name]
        place = f'{table}."{field.column}"'
        if field.kind == "flag":
            return f"CASE {place} WHEN 1 THEN 'yes' WHEN 0 THEN 'no' END"
        return place
    keys = recalled_keys(db, name)
    if not keys:
        refuse_unknown(db, name)
    return _RECALLED.format(keys=", ".join(str(key) for key in keys))


def answers(
    db: sqlite3.Connection,
    columns: tuple[str, ...],
    where: Where,
    order: str = "number",
) -> list[tuple[str | float | None, ...]]:
    """List columns of every capture that answers.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    columns : tuple of str
        What is returned.
    where : Where
        From `Asking.where`.
    order : str
        Field to sort by; a leading minus sorts downwards. Absent values come last,
        equal ones by number.

    Returns
    -------
    list of tuple
        A `QueryError` is raised for a field that nothing has.
    """
    wanted = columns_sql(db, columns)
    key = columns_sql(db, (order.removeprefix("-"),))
    direction = "DESC" if order.startswith("-") else "ASC"
    by = f"{key} IS NULL, {key} {direction}, capture.number"
    if order == "number":
        by = "capture.number"
    # The sessions are looked up only where they are asked for.
    join = _JOIN if "session." in f"{wanted} {by} {where.sql}" else ""
    # All that is put together here comes from this module; values are parameters.
    query = f"SELECT {wanted} FROM capture {join} WHERE {where.sql} ORDER BY {by}"  # noqa: S608
    return db.execute(query, where.values).fetchall()


def facts(
    db: sqlite3.Connection, numbers: Sequence[int], columns: tuple[str, ...]
) -> list[tuple[str | float | None, ...]]:
    """Look columns of some captures up.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    numbers : sequence of int
        Numbers of captures that are there.
    columns : tuple of str
        What is returned.

    Returns
    -------
    list of tuple
        In the order of `numbers`.
    """
    query = (
        f"SELECT {columns_sql(db, columns)} FROM capture {_JOIN} "  # noqa: S608 own text
        "WHERE capture.number = ?"
    )
    return [tuple(db.execute(query, (number,)).fetchone()) for number in numbers]


def find(
    db: sqlite3.Connection,
    words: str = "",
    conditions: tuple[str, ...] = (),
    *,
    columns: tuple[str, ...] = SHOWN,
    limit: int | None = None,
    order: str = "number",
) -> Found:
    """Find captures.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    words : str
        Searched in all texts.
    conditions : tuple of str
        All must hold.
    columns : tuple of str
        What is returned.
    limit : int, optional
        At most so many.
    order : str
        Field to sort by; a leading minus sorts downwards.

    Returns
    -------
    Found
        In that order, absent values last; a `QueryError` is raised for a question
        that cannot be answered.
    """
    where = Asking(db).where(words, conditions)
    if limit is None:
        rows = answers(db, columns, where, order)
        return Found(columns, tuple(rows), len(rows))
    columns_sql(db, columns)
    found = answers(db, ("number",), where, order)
    numbers = [int(str(row[0])) for row in found[:limit]]
    return Found(columns, tuple(facts(db, numbers, columns)), len(found))
