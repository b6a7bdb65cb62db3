"""What is asked for: words, and conditions such as ``distance_mm < 50``.

The grammar of a condition, from loose to tight::

    condition = both { "or" both }
    both      = single { "and" single }
    single    = "not" single | "(" condition ")" | key [ relation value ]
    relation  = "=" | "!=" | "<" | "<=" | ">" | ">=" | "~"
    value     = number | word | "quoted text" | 'quoted text'

A key alone asks whether it is known. ``~`` asks for text that contains the value.
Text is compared without capitals. Nothing of it ever becomes part of an SQL text:
it is parsed here and handed over as parameters.
"""

import re
from dataclasses import dataclass
from typing import Literal

from pipeline.library.refusals import QueryError

MOST_CHARACTERS = 2_000
MOST_DEPTH = 40

Relation = Literal["=", "!=", "<", "<=", ">", ">=", "~", "known"]

_TOKEN = re.compile(
    r"""\s*(?:
        (?P<relation><=|>=|!=|==|=|<|>|~)
      | (?P<bracket>[()])
      | "(?P<double>[^"]*)"
      | '(?P<single>[^']*)'
      | (?P<word>[^\s<>=!~()"']+)
    )""",
    re.VERBOSE,
)
_JOINING = {"and", "or", "not"}


@dataclass(frozen=True, slots=True)
class Comparison:
    """One comparison.

    Parameters
    ----------
    key : str
        Field, in lower case.
    relation : Relation
        How it is compared.
    text : str
        With what.
    number : float or None
        The value as a number, unless it was quoted or is none.
    quoted : bool
        Whether it stood in quotes.
    """

    key: str
    relation: Relation
    text: str = ""
    number: float | None = None
    quoted: bool = False


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite of a condition."""

    inner: "Condition"


@dataclass(frozen=True, slots=True)
class Join:
    """Conditions that must all hold, or of which one must."""

    word: Literal["and", "or"]
    parts: tuple["Condition", ...]


Condition = Comparison | Not | Join


@dataclass(frozen=True, slots=True)
class _Token:
    kind: Literal["relation", "bracket", "quoted", "word"]
    text: str

    def is_word(self, word: str) -> bool:
        return self.kind == "word" and self.text.lower() == word


def _tokens(text: str) -> list[_Token]:
    found: list[_Token] = []
    at = 0
    end = len(text.rstrip())
    while at < end:
        match = _TOKEN.match(text, at)
        if match is None:
            msg = f"{text!r}: cannot be read from {text[at:].strip()!r} on."
            raise QueryError(msg)
        at = match.end()
        kind = match.lastgroup or "word"
        value = match.group(kind)
        if kind in {"double", "single"}:
            found.append(_Token("quoted", value))
        elif kind == "relation":
            found.append(_Token("relation", "=" if value == "==" else value))
        elif kind == "bracket":
            found.append(_Token("bracket", value))
        else:
            found.append(_Token("word", value))
    return found


class _Reader:
    """Reads one condition by recursive descent."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._tokens = _tokens(text)
        self._at = 0
        self._depth = 0

    def whole(self) -> Condition:
        found = self._joined("or")
        if self._next() is not None:
            self._fail("expected 'and' or 'or'")
        return found

    def _next(self) -> _Token | None:
        return self._tokens[self._at] if self._at < len(self._tokens) else None

    def _fail(self, expected: str) -> None:
        token = self._next()
        found = repr(token.text) if token else "the end"
        msg = (
            f"{self._text!r}: {expected}, found {found}. Conditions look like "
            'distance_mm < 50, or mic ~ "ribbon" and brightness_hz > 1500.'
        )
        raise QueryError(msg)

    def _take(self, word: str) -> bool:
        token = self._next()
        if token is None or not token.is_word(word):
            return False
        self._at += 1
        return True

    def _joined(self, word: Literal["and", "or"]) -> Condition:
        read = self._single if word == "and" else lambda: self._joined("and")
        parts = [read()]
        while self._take(word):
            parts.append(read())
        return parts[0] if len(parts) == 1 else Join(word, tuple(parts))

    def _single(self) -> Condition:
        self._depth += 1
        if self._depth > MOST_DEPTH:
            self._fail(f"expected at most {MOST_DEPTH} brackets and comparisons")
        if self._take("not"):
            return Not(self._single())
        token = self._next()
        if token == _Token("bracket", "("):
            self._at += 1
            found = self._joined("or")
            if self._next() != _Token("bracket", ")"):
                self._fail("expected ')'")
            self._at += 1
            return found
        return self._test()

    def _test(self) -> Comparison:
        token = self._next()
        if token is None or token.kind not in {"word", "quoted"} or _joins(token):
            self._fail("expected the name of a field")
        key = (token.text if token else "").lower()
        self._at += 1
        relation = self._next()
        if relation is None or relation.kind != "relation":
            return Comparison(key, "known")
        self._at += 1
        value = self._next()
        if value is None or value.kind not in {"word", "quoted"}:
            self._fail("expected a number or a text")
        return self._compared(key, relation.text)

    def _compared(self, key: str, relation: str) -> Comparison:
        """Several plain words in a row are one text: ``position = cap edge``."""
        first = self._tokens[self._at]
        self._at += 1
        if first.kind == "quoted":
            return Comparison(key, _relation(relation), first.text, quoted=True)
        words = [first.text]
        while (token := self._next()) and token.kind == "word" and not _joins(token):
            words.append(token.text)
            self._at += 1
        text = " ".join(words)
        return Comparison(key, _relation(relation), text, _number(text))


def _joins(token: _Token) -> bool:
    return token.kind == "word" and token.text.lower() in _JOINING


def _relation(text: str) -> Relation:
    known: dict[str, Relation] = {
        "=": "=", "!=": "!=", "<": "<", "<=": "<=", ">": ">", ">=": ">=", "~": "~",
    }  # fmt: skip
    return known[text]


def _number(text: str) -> float | None:
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?", text):
        return None
    return float(text)


def parse_condition(text: str) -> Condition:
    """Read a condition.

    Parameters
    ----------
    text : str
        Such as ``distance_mm < 50 and (mic ~ ribbon or not tags = "dark")``.

    Returns
    -------
    Condition
        What must hold.

    Raises
    ------
    QueryError
        If it cannot be read; the message shows where and how conditions look.
    """
    if len(text) > MOST_CHARACTERS:
        msg = f"a condition of {len(text)} characters; at most {MOST_CHARACTERS}."
        raise QueryError(msg)
    return _Reader(text).whole()


def split_words(text: str) -> tuple[str, ...]:
    """Split a search into words and quoted phrases.

    Parameters
    ----------
    text : str
        Such as ``ribbon "cap edge"``.

    Returns
    -------
    tuple of str
        All of them must be found, each at the start of a word.
    """
    text = text[:MOST_CHARACTERS].replace("\0", " ")
    found = re.findall(r'"([^"]*)"|([^\s"]+)', text)
    words = (phrase.strip() or word for phrase, word in found)
    return tuple(word for word in words if re.search(r"\w", word))
