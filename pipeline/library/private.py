"""Does anything private leave the house?

Private is what stands in a table called ``private``, at any depth of the record. A
pack is searched for those texts before it is handed over, also where a file name, a
page or an ASCII field of a WAV spells them otherwise.
"""

import html
import unicodedata
from collections.abc import Iterator, Mapping, Sequence

from pydantic import JsonValue

from pipeline.files.names import SPELT_OUT
from pipeline.models.record import Record

PRIVATE = "private"
_LEAST = 4
"""Shorter private texts ("yes", "12") would be found in anything."""


def public(value: JsonValue) -> JsonValue:
    """Leave out what is private, at any depth.

    Parameters
    ----------
    value : JSON value
        A table, a list or a single value.

    Returns
    -------
    JSON value
        Without any entry called ``private``.
    """
    if isinstance(value, dict):
        return {k: public(v) for k, v in value.items() if k.lower() != PRIVATE}
    if isinstance(value, list):
        return [public(inner) for inner in value]
    return value


def _texts(value: JsonValue) -> Iterator[str]:
    if isinstance(value, Mapping):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for inner in value:
            yield from _texts(inner)
    elif isinstance(value, str):
        yield value


def _private(value: JsonValue) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key.lower() == PRIVATE:
                yield from _texts(inner)
            else:
                yield from _private(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _private(inner)


def _folded(text: str) -> str:
    """Letters and digits alone, without accents and capitals, words apart."""
    spelt = html.unescape(text).translate(SPELT_OUT)
    split = unicodedata.normalize("NFKD", spelt).casefold()
    letters = (c for c in split if not unicodedata.combining(c))
    return " ".join("".join(c if c.isalnum() else " " for c in letters).split())


def _stands_in(secret: str, text: str, folded: str) -> bool:
    bare = _folded(secret)
    return secret in text or (len(bare) >= _LEAST and bare in folded)


def secrets_of(record: Record) -> frozenset[str]:
    """List the private texts of a record.

    Parameters
    ----------
    record : Record
        One session.

    Returns
    -------
    frozenset of str
        Texts of four characters and more that do not also stand somewhere public.
    """
    dumped: JsonValue = record.model_dump(mode="json", by_alias=True)
    known = "\n".join(_texts(public(dumped)))
    folded = _folded(known)
    found = (text.strip() for text in _private(dumped))
    return frozenset(
        text
        for text in found
        if len(text) >= _LEAST and not _stands_in(text, known, folded)
    )


def leaked(content: bytes, secrets: frozenset[str]) -> str | None:
    """Look for private texts in what would be handed over.

    Parameters
    ----------
    content : bytes
        A text file, or the metadata of an audio file.
    secrets : frozenset of str
        From `secrets_of`.

    Returns
    -------
    str or None
        The first one that is in it, whatever became of its accents, capitals, spaces
        and signs.
    """
    text = content.decode("utf-8", "replace")
    folded = _folded(text)
    for secret in sorted(secrets):
        if _stands_in(secret, text, folded):
            return secret
    return None
