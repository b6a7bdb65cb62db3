"""From a record to what the catalogue stores: columns, facts, words, tones.

What belongs to a whole night, a set-up, a cabinet or a microphone is stored once and
shared by its captures (a scope); only what is a capture's own is stored with it.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from pydantic import JsonValue

from pipeline.library.fields import CAPTURE_FIELDS, SESSION_FIELDS
from pipeline.library.tone import tone
from pipeline.models.base import Strict
from pipeline.models.record import Blend, Capture, Curves, Record

MOST_TEXT = 20_000
"""Characters of one fact that are kept for searching; the record keeps all."""
_SERIES = frozenset(
    {"curves", "envelope", "third_octave_db", "track", "axes", "curve_db", "comparison"}
)
_APART = frozenset(
    {"captures", "blends", "pairs", "reflections", "recall", "shortlist"}
)

_SPOKEN = frozenset(
    {"session", "setup", "cabinet", "mic", "place", "private", "tags", "notes"}
    | {"id", "file", "pass"}
)
"""Tables and fields that a person wrote. The program's own sentences and the names of
other captures are asked for by their field: every capture's advice talks of others."""
_CODES = "findings.code"

Value = str | float | None


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that is known: where it stands, as a number and as text.

    Parameters
    ----------
    path : str
        Such as ``setup.amp``, in lower case.
    number : float or None
        Where it is one.
    text : str
        As it is shown.
    written : bool
        Whether it was written as text: only that is searched by words.
    """

    path: str
    number: float | None
    text: str
    written: bool

    @property
    def leaf(self) -> str:
        """Last part of the path."""
        return self.path.rpartition(".")[2]


@dataclass(slots=True)
class Scope:
    """What several captures share, or one capture's own.

    Parameters
    ----------
    facts : list of Fact
        What is known beyond the columns.
    words : str
        All texts that a person wrote, for the search by words.
    """

    facts: list[Fact] = field(default_factory=list)
    words: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One capture or blend as the catalogue stores it.

    Parameters
    ----------
    columns : dict of str to str, float or None
        By the columns of `CAPTURE_FIELDS`.
    own : Scope
        What is the capture's own beyond its columns.
    shared : tuple of str
        Names of the scopes it shares.
    vector : bytes or None
        Its tone, little-endian float32.
    """

    columns: dict[str, Value]
    own: Scope
    shared: tuple[str, ...]
    vector: bytes | None


@dataclass(frozen=True, slots=True)
class Night:
    """One record as the catalogue stores it.

    Parameters
    ----------
    columns : dict of str to str, float or None
        By the columns of `SESSION_FIELDS`, without the folder.
    scopes : dict of str to Scope
        What captures share, by name.
    entries : tuple of Entry
        Captures, then blends.
    """

    columns: dict[str, Value]
    scopes: dict[str, Scope]
    entries: tuple[Entry, ...]


def flatten(value: JsonValue, path: str) -> Iterator[Fact]:
    """List everything that is written in a table, however deep.

    Parameters
    ----------
    value : JSON value
        The table.
    path : str
        Where it stands.

    Yields
    ------
    Fact
        One for every number, truth value or text; lists repeat their path.
    """
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in _SERIES:
                yield from flatten(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for inner in value:
            yield from flatten(inner, path)
    elif value is not None:
        yield _fact(path, value)


def _fact(path: str, value: str | float) -> Fact:
    path = path.lower()[:400]
    if isinstance(value, str):
        text = value[:MOST_TEXT]
        return Fact(path, _as_number(text), text, written=True)
    if isinstance(value, bool):
        return Fact(path, float(value), "yes" if value else "no", written=False)
    return Fact(path, float(value), f"{value:.10g}", written=False)


def _as_number(text: str) -> float | None:
    """Knobs are often written as text: "7.5" is a number too."""
    try:
        number = float(text) if len(text) < 30 else math.nan
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _dump(model: Strict) -> dict[str, JsonValue]:
    dumped: dict[str, JsonValue] = model.model_dump(mode="json", by_alias=True)
    return dumped


def spoken(path: str) -> bool:
    """Tell whether the search by words looks at a text.

    Parameters
    ----------
    path : str
        Where it stands, such as ``mic.type``.

    Returns
    -------
    bool
        True for what a person wrote, and for the codes of findings.
    """
    return path == _CODES or path.partition(".")[0] in _SPOKEN


def _look_up(table: Mapping[str, JsonValue], place: str) -> JsonValue:
    found: JsonValue = dict(table)
    for part in place.split("."):
        if not isinstance(found, Mapping):
            return None
        found = found.get(part)
    return found


def _column(value: JsonValue, kind: str) -> Value:
    if value is None or isinstance(value, list | dict):
        return None
    if kind in {"text", "day"}:
        return str(value)[:MOST_TEXT]
    return float(value)


_CAPTURE_PLACES = frozenset(known.place for known in CAPTURE_FIELDS)
_SESSION_PLACES = frozenset(known.place for known in SESSION_FIELDS)


def _scope(found: list[Fact], places: frozenset[str] = frozenset()) -> Scope:
    """Facts without those that have a column, and the words of all of them."""
    words = dict.fromkeys(f.text for f in found if f.written and spoken(f.path))
    facts = [fact for fact in found if fact.path not in places]
    return Scope(list(dict.fromkeys(facts)), "\n".join(words))


class _Filing:
    """Files one record."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.scopes: dict[str, Scope] = {}

    def night(self) -> Night:
        dumped = _dump(self.record)
        whole = {key: inner for key, inner in dumped.items() if key not in _APART}
        self.scopes["session"] = _scope(list(flatten(whole, "")), _SESSION_PLACES)
        columns = {
            known.column: _column(_look_up(dumped, known.place), known.kind)
            for known in SESSION_FIELDS
            if known.column != "folder"
        }
        # A night that was not dated is filed under the day of its run.
        columns["date"] = columns["date"] or self.record.created[:10]
        captures = [self._entry(c, "capture") for c in self.record.captures]
        blends = [self._entry(blend, "blend") for blend in self.record.blends]
        return Night(columns, self.scopes, (*captures, *blends))

    def _entry(self, item: Capture | Blend, kind: str) -> Entry:
        dumped = {"kind": kind, "status": "ok", **_dump(item)}
        columns = {
            known.column: _column(_look_up(dumped, known.place), known.kind)
            for known in CAPTURE_FIELDS
        }
        found = [*flatten(dumped, ""), *self._about(item.id)]
        own = _scope(found, _CAPTURE_PLACES)
        shared = self._shared(item) if isinstance(item, Capture) else ("session",)
        return Entry(columns, own, shared, self._vector(item.curves))

    def _about(self, capture: str) -> list[Fact]:
        """Facts that the record keeps elsewhere: pairs, reflections, shortlist."""
        found: list[Fact] = []
        for pair in self.record.pairs:
            if capture in {pair.a, pair.b}:
                found += flatten(_dump(pair), "pair")
        for reflection in self.record.reflections:
            if reflection.capture == capture:
                found += flatten(_dump(reflection), "reflection")
        for choice in self.record.shortlist:
            if choice.id == capture:
                found.append(_fact("shortlist.reason", choice.reason))
        return found

    def _shared(self, capture: Capture) -> tuple[str, ...]:
        names = ["session"]
        recall = self.record.recall
        setup = recall.setup.get(capture.setup or "", {})
        cabinet = setup.get("cabinet")
        for table, known, name in (
            ("setup", recall.setup, capture.setup),
            ("mic", recall.mic, capture.mic),
            ("cabinet", recall.cabinet, cabinet),
        ):
            if isinstance(name, str) and name in known:
                self._share(f"{table} {name}", flatten(known[name], table))
                names.append(f"{table} {name}")
        return tuple(names)

    def _share(self, name: str, facts: Iterator[Fact]) -> None:
        if name not in self.scopes:
            self.scopes[name] = _scope(list(facts))

    def _vector(self, curves: Curves | None) -> bytes | None:
        if curves is None or self.record.axes is None:
            return None
        found = tone(curves, self.record.di, self.record.axes)
        return None if found is None else found.astype("<f4").tobytes()


def night(record: Record) -> Night:
    """Lay a record out for the catalogue.

    Parameters
    ----------
    record : Record
        One session.

    Returns
    -------
    Night
        Every field of the record but its plot series; free keys of any depth.
    """
    return _Filing(record).night()
