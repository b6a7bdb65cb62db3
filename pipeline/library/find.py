"""Which captures answer a question?

Words are searched in every text of a capture and of what it shares (session,
set-up, cabinet, microphone); all must occur. Conditions compare fields.
"""

import difflib
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.library.fields import known_places
from pipeline.library.question import (
    Comparison,
    Condition,
    Join,
    Not,
    parse_condition,
    split_words,
)
from pipeline.library.refusals import QueryError
from pipeline.library.schema import has_words

_PLACES = known_places()
_MOST_TERMS = 60


@dataclass(frozen=True, slots=True)
class Where:
    """A condition in SQL: text of our own, values of the user's as parameters.

    Parameters
    ----------
    sql : str
        With a ``?`` for every value.
    values : tuple of str or float
        In their order.
    """

    sql: str
    values: tuple[str | float, ...] = ()


class Asking:
    """Turns a question into SQL for one catalogue.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    """

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._words = has_words(db)

    def where(self, words: str, conditions: tuple[str, ...]) -> Where:
        """Make the condition of a whole question.

        Parameters
        ----------
        words : str
            Searched in all texts; may be empty.
        conditions : tuple of str
            All must hold; see `question`.

        Returns
        -------
        Where
            On the tables capture and session.

        Raises
        ------
        QueryError
            If a condition cannot be read, a field is not known, or it is too much.
        """
        parts = [self._word(word) for word in split_words(words)]
        parts += [self._condition(parse_condition(text)) for text in conditions]
        if len(parts) > _MOST_TERMS:
            msg = f"{len(parts)} words and conditions: at most {_MOST_TERMS} at once."
            raise QueryError(msg)
        return _joined("AND", parts) if parts else Where("1")

    def _word(self, word: str) -> Where:
        if self._words:
            # A phrase in quotes has no operators; * lets it go on.
            phrase = '"' + word.replace('"', '""') + '" *'
            matching = "SELECT rowid FROM scope_words WHERE scope_words MATCH ?"
            return _of_scopes(Where(matching, (phrase,)))
        matching = r"SELECT id FROM scope WHERE words LIKE ? ESCAPE '\'"
        return _of_scopes(Where(matching, (_containing(word),)))

    def _condition(self, condition: Condition) -> Where:
        if isinstance(condition, Not):
            inner = self._condition(condition.inner)
            return Where(f"NOT coalesce({inner.sql}, 0)", inner.values)
        if isinstance(condition, Join):
            parts = [self._condition(part) for part in condition.parts]
            return _joined(condition.word.upper(), parts)
        if condition.key in _PLACES:
            table, field = _PLACES[condition.key]
            return _column(f'{table}."{field.column}"', condition)
        return self._fact(condition)

    def _fact(self, test: Comparison) -> Where:
        # "bass", "knobs.bass" and "setup.knobs.bass" all name the same knob.
        query = "SELECT id FROM key WHERE path = ? OR substr('.' || path, ?) = ?"
        ending = f".{test.key}"
        rows = self._db.execute(query, (test.key, -len(ending), ending))
        keys = [int(row[0]) for row in rows]
        if not keys:
            raise QueryError(self._unknown(test.key))
        marks = ", ".join("?" * len(keys))
        value = _value(test)
        matching = Where(
            f"SELECT scope_id FROM fact WHERE key_id IN ({marks}) AND {value.sql}",  # noqa: S608 marks and own words
            (*keys, *value.values),
        )
        return _of_scopes(matching)

    def _unknown(self, key: str) -> str:
        rows = self._db.execute("SELECT DISTINCT leaf FROM key").fetchall()
        near = difflib.get_close_matches(
            key, [*_PLACES, *(str(row[0]) for row in rows)], n=3, cutoff=0.5
        )
        hint = f" Did you mean {' or '.join(near)}?" if near else ""
        return f"no capture has a field {key!r}.{hint}"


def _joined(word: str, parts: list[Where]) -> Where:
    sql = f" {word} ".join(f"({part.sql})" for part in parts)
    return Where(sql, tuple(value for part in parts for value in part.values))


def _of_scopes(matching: Where) -> Where:
    return Where(
        "capture.number IN (SELECT capture_number FROM capture_scope "  # noqa: S608 nested, with parameters
        f"WHERE scope_id IN ({matching.sql}))",
        matching.values,
    )


def _containing(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace("%", r"\%").replace("_", r"\_")
    return f"%{escaped}%"


def _column(name: str, test: Comparison) -> Where:
    if test.relation == "known":
        return Where(f"{name} IS NOT NULL")
    if test.relation == "~":
        return Where(rf"{name} LIKE ? ESCAPE '\'", (_containing(test.text),))
    if test.relation == "!=":
        opposite = _column(name, Comparison(test.key, "=", test.text, test.number))
        return Where(f"NOT coalesce({opposite.sql}, 0)", opposite.values)
    if test.number is not None:
        plain = Where(f"{name} {test.relation} ?", (test.number,))
        if test.relation != "=":
            return plain
        text = Where(f"{name} = ? COLLATE NOCASE", (test.text,))
        return _joined("OR", [plain, text])
    return Where(f"{name} {test.relation} ? COLLATE NOCASE", (test.text,))


def _value(test: Comparison) -> Where:
    """Compare a fact: as numbers where both are, else as text."""
    if test.relation == "known":
        return Where("1")
    if test.relation == "~":
        return Where(r"text LIKE ? ESCAPE '\'", (_containing(test.text),))
    if test.relation in {"=", "!="}:
        sign = test.relation
        if test.number is None:
            return Where(f"text {sign} ? COLLATE NOCASE", (test.text,))
        same = "number IS NOT ?" if sign == "!=" else "number = ?"
        return Where(same, (test.number,))
    if test.number is not None:
        return Where(f"number {test.relation} ?", (test.number,))
    return Where(f"text {test.relation} ? COLLATE NOCASE", (test.text,))


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


def columns_sql(columns: tuple[str, ...]) -> str:
    """Name columns in SQL.

    Parameters
    ----------
    columns : tuple of str
        Fields that have a column.

    Returns
    -------
    str
        A comma-separated list.

    Raises
    ------
    QueryError
        If a field has no column.
    """
    for name in columns:
        if name.lower() not in _PLACES:
            near = difflib.get_close_matches(name, _PLACES, n=3, cutoff=0.4)
            msg = f"no column {name!r}; nearest: {', '.join(near) or 'none'}."
            raise QueryError(msg)
    places = (_PLACES[name.lower()] for name in columns)
    return ", ".join(f'{table}."{field.column}"' for table, field in places)


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
        A `QueryError` is raised for a field that has no column.
    """
    wanted = columns_sql(columns)
    key = columns_sql((order.removeprefix("-"),))
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
        f"SELECT {columns_sql(columns)} FROM capture {_JOIN} "  # noqa: S608 own text
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
    columns_sql(columns)
    found = answers(db, ("number",), where, order)
    numbers = [int(str(row[0])) for row in found[:limit]]
    return Found(columns, tuple(facts(db, numbers, columns)), len(found))
