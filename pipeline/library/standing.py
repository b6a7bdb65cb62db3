"""Where do the words of a question stand in what was found?

A word is looked for in every text, so "ribbon" also finds a note that names a ribbon
beside a dynamic microphone. Whoever asked is told in which fields it stood.
"""

import re
import sqlite3
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from pipeline.library.entries import spoken
from pipeline.library.fields import SESSION_FIELDS, TEXTS
from pipeline.library.find import find
from pipeline.library.question import split_words

MOST = 500
"""Captures that are looked at; more are told apart by conditions anyway."""
_MOST_PLACES = 5
_NAMES = frozenset({"id", "file"})
"""A capture is often called as its file: that is one place."""
_MEANT_FIRST = ("mic.type", "mic", "position", "setup")
"""Where a word that stands in several fields is most likely meant."""
_OF_CAPTURE = tuple(field for field in TEXTS if spoken(field.place))
_OF_SESSION = tuple(field for field in SESSION_FIELDS if spoken(field.place))


def _folded(text: str) -> str:
    split = unicodedata.normalize("NFKD", text).casefold()
    return "".join(c for c in split if not unicodedata.combining(c))


def _pattern(word: str) -> re.Pattern[str]:
    """Match a phrase from the start of a word on, whatever signs are between."""
    parts = re.findall(r"[^\W_]+", _folded(word))
    return re.compile(r"(?<![^\W_])" + r"[\W_]+".join(parts))


def _columns(
    db: sqlite3.Connection, marks: str, numbers: Sequence[int]
) -> Iterator[tuple[int, str, str]]:
    names = [f'capture."{field.column}"' for field in _OF_CAPTURE]
    names += [f'session."{field.column}"' for field in _OF_SESSION]
    query = (
        f"SELECT capture.number, {', '.join(names)} FROM capture JOIN session "  # noqa: S608 own names
        "ON session.number = capture.session_number "
        f"WHERE capture.number IN ({marks})"
    )
    for number, *values in db.execute(query, tuple(numbers)):
        for field, value in zip((*_OF_CAPTURE, *_OF_SESSION), values, strict=True):
            if isinstance(value, str):
                yield int(number), field.column, value


def _facts(
    db: sqlite3.Connection, marks: str, numbers: Sequence[int]
) -> Iterator[tuple[int, str, str]]:
    query = (
        "SELECT capture_scope.capture_number, key.path, fact.text FROM capture_scope "  # noqa: S608 marks
        "JOIN fact ON fact.scope_id = capture_scope.scope_id "
        "JOIN key ON key.id = fact.key_id "
        f"WHERE capture_scope.capture_number IN ({marks})"
    )
    for number, path, text in db.execute(query, tuple(numbers)):
        if spoken(path):
            yield int(number), str(path), str(text)


def standing(
    db: sqlite3.Connection, words: str, conditions: tuple[str, ...] = ()
) -> dict[str, dict[str, int]]:
    """Count the captures in which each word stands, by field.

    Parameters
    ----------
    db : sqlite3.Connection
        An open catalogue.
    words : str
        As they were searched.
    conditions : tuple of str
        That held, too; of what answers, the first `MOST` captures are looked at.

    Returns
    -------
    dict of str to dict of str to int
        By word, then by field, the commonest first.
    """
    found_rows = find(db, words, conditions, columns=("number",), limit=MOST).rows
    numbers = [int(float(row[0] or 0)) for row in found_rows]
    marks = ", ".join("?" * len(numbers))
    patterns = {word: _pattern(word) for word in split_words(words)}
    found: dict[str, dict[str, set[int]]] = {w: defaultdict(set) for w in patterns}
    for rows in (_columns(db, marks, numbers), _facts(db, marks, numbers)):
        for number, place, text in rows:
            folded = _folded(text)
            for word, pattern in patterns.items():
                if pattern.search(folded):
                    found[word][place].add(number)
    return {
        word: dict(Counter({p: len(who) for p, who in places.items()}).most_common())
        for word, places in found.items()
    }


def told(found: dict[str, dict[str, int]]) -> tuple[str, ...]:
    """Say where words stand that stand in more than one field.

    Parameters
    ----------
    found : dict
        From `standing`.

    Returns
    -------
    tuple of str
        One line a word; none for a word that stands in one field only.
    """
    lines: list[str] = []
    for word, places in found.items():
        if not set(places) <= _NAMES and len(places) > 1:
            shown = [f"{place} of {n}" for place, n in places.items()][:_MOST_PLACES]
            more = ", ..." if len(places) > _MOST_PLACES else ""
            field = next((p for p in _MEANT_FIRST if p in places), next(iter(places)))
            lines.append(
                f"{word!r} stands in {', '.join(shown)}{more}; to ask one field only: "
                f'--where "{field} ~ {word}"'
            )
    return tuple(lines)
