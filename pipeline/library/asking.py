"""How does a question become SQL?

SQL holds only names of our own; what a person wrote is handed over as parameters. A
value that a field cannot have is refused: a number compared with a word would be
answered by an order of the database's own, which nobody means.
"""

import difflib
import re
import sqlite3
from dataclasses import dataclass, replace
from typing import NoReturn

from pipeline.library.fields import Field, known_places
from pipeline.library.question import (
    Comparison,
    Condition,
    Join,
    Not,
    parse_condition,
    split_words,
)
from pipeline.library.refusals import QueryError, refuse_torn
from pipeline.library.schema import has_words

PLACES = known_places()
_COLUMNS = tuple(dict.fromkeys(field.column for _, field in PLACES.values()))
_MOST_TERMS = 60
_DAY = re.compile(r"\d{4}(-\d{2}(-\d{2}([T ].*)?)?)?")
_WHOLE_DAY = len("2025-03-09")
_YES = frozenset({"yes", "true", "1"})
_NO = frozenset({"no", "false", "0"})


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


def recalled_keys(db: sqlite3.Connection, name: str) -> list[int]:
    """Find the keys that a name means: "bass", "knobs.bass", "setup.knobs.bass".

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    name : str
        In lower case.

    Returns
    -------
    list of int
        Their numbers; empty where nothing is called so. A `QueryError` is raised for a
        name that is no text.
    """
    refuse_torn(name)
    query = "SELECT id FROM key WHERE path = ? OR substr('.' || path, ?) = ?"
    ending = f".{name}"
    rows = db.execute(query, (name, -len(ending), ending))
    return [int(row[0]) for row in rows]


def refuse_unknown(db: sqlite3.Connection, name: str) -> NoReturn:
    """Say that no field is called so, and what is.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    name : str
        As it was asked for.

    Raises
    ------
    QueryError
        Always; with up to three like names, each once.
    """
    leaves = (str(row[0]) for row in db.execute("SELECT DISTINCT leaf FROM key"))
    known = list(dict.fromkeys((*_COLUMNS, *leaves)))
    near = difflib.get_close_matches(name.rpartition(".")[2], known, n=3, cutoff=0.5)
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    msg = (
        f"no tone has a field {name!r}.{hint} `reamps library show NUMBER` lists "
        "all that is known of one."
    )
    raise QueryError(msg)


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
            Searched in all texts that a person wrote; may be empty.
        conditions : tuple of str
            All must hold; see `question`.

        Returns
        -------
        Where
            On the tables capture and session.

        Raises
        ------
        QueryError
            If a condition cannot be read, a field is not known, a value does not fit
            its field, or it is too much.
        """
        for text in (words, *conditions):
            refuse_torn(text)
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
        if condition.key in PLACES:
            table, field = PLACES[condition.key]
            return _column(f'{table}."{field.column}"', _fitting(condition, field))
        return self._fact(condition)

    def _fact(self, test: Comparison) -> Where:
        keys = recalled_keys(self._db, test.key)
        if not keys:
            refuse_unknown(self._db, test.key)
        marks = ", ".join("?" * len(keys))
        value = _value(self._fitting_fact(test, keys))
        matching = Where(
            f"SELECT scope_id FROM fact WHERE key_id IN ({marks}) AND {value.sql}",  # noqa: S608 marks and own words
            (*keys, *value.values),
        )
        return _of_scopes(matching)

    def _fitting_fact(self, test: Comparison, keys: list[int]) -> Comparison:
        """Refuse a word where a key only ever holds numbers."""
        if test.relation in {"known", "~"} or test.number is not None:
            return test
        marks = ", ".join("?" * len(keys))
        query = f"SELECT 1 FROM fact WHERE key_id IN ({marks}) AND number IS NULL"  # noqa: S608 marks
        if self._db.execute(f"{query} LIMIT 1", keys).fetchone() is not None:
            return test
        word = _yes_or_no(test.text)
        if test.relation not in {"=", "!="} or not (word or test.quoted):
            _refuse_word(test)
        return replace(test, text=word or test.text)


def _yes_or_no(text: str) -> str | None:
    lowered = text.lower()
    return "yes" if lowered in _YES else "no" if lowered in _NO else None


def _refuse_word(test: Comparison) -> NoReturn:
    msg = (
        f"{test.key} is a number; found {test.text!r}. Compare it with a number alone, "
        f"without a unit or quotes: {test.key} < 50."
    )
    raise QueryError(msg)


def _fitting(test: Comparison, field: Field) -> Comparison:
    """Refuse a value that a column cannot have."""
    if test.relation == "known":
        return test
    if field.kind == "text":
        return replace(test, number=None)
    if field.kind == "number":
        if test.relation == "~" or test.number is None:
            _refuse_word(test)
        return test
    return _flag(test) if field.kind == "flag" else _day(test)


def _flag(test: Comparison) -> Comparison:
    word = _yes_or_no(test.text)
    if test.relation not in {"=", "!="} or word is None:
        msg = f"{test.key} is yes or no; ask for {test.key} = yes."
        raise QueryError(msg)
    return replace(test, number=float(word == "yes"))


def _day(test: Comparison) -> Comparison:
    if test.relation == "~":
        return test
    exact = test.relation in {"=", "!="}
    if not _DAY.fullmatch(test.text) or (exact and len(test.text) < _WHOLE_DAY):
        msg = (
            f"{test.key} is a day such as 2025-03-09; found {test.text!r}. For a month "
            f"ask for {test.key} ~ 2025-03, for a span {test.key} >= 2025-03."
        )
        raise QueryError(msg)
    return replace(test, number=None)


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
        opposite = _column(name, replace(test, relation="="))
        return Where(f"NOT coalesce({opposite.sql}, 0)", opposite.values)
    if test.number is not None:
        return Where(f"{name} {test.relation} ?", (test.number,))
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
