"""How do a take sheet's captures get into a manifest? All else stays as it is."""

from collections.abc import Mapping, Sequence

import tomlkit
from pydantic import JsonValue
from tomlkit.items import AoT

from pipeline.day.mentions import parse
from pipeline.files.manifest import json_like
from pipeline.models.manifest import Capture

KEYS = tuple(field.alias or name for name, field in Capture.model_fields.items())


def captures_of(text: str) -> list[dict[str, JsonValue]]:
    """Take the captures out of a manifest.

    Parameters
    ----------
    text : str
        TOML.

    Returns
    -------
    list of dict
        Its `[[capture]]` tables; dates and times as text, as a sheet holds them.
    """
    listed = parse(text).get("capture")
    if not isinstance(listed, list):
        return []
    entries = (json_like(entry) for entry in listed)
    return [entry for entry in entries if isinstance(entry, dict)]


def with_captures(text: str, captures: Sequence[Mapping[str, JsonValue]]) -> str:
    """Put a sheet's captures in the place of a manifest's.

    Parameters
    ----------
    text : str
        The manifest; all that is no capture keeps its bytes and comments.
    captures : sequence of mapping
        The sheet's rows. A capture that is already there, key for key, keeps its own
        text; one of the same id is changed in place, its comments kept.

    Returns
    -------
    str
        The new text.
    """
    if captures_of(text) == [dict(capture) for capture in captures]:
        return text
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    doc = tomlkit.parse(text.removeprefix("\ufeff"))
    old = doc.get("capture")
    tables = list(old) if isinstance(old, AoT) else []
    if [_key(table) for table in tables] == [_key(capture) for capture in captures]:
        for table, capture in zip(tables, captures, strict=True):
            _set(table, capture)
        return mark + tomlkit.dumps(doc)
    entries = tomlkit.aot()
    for capture in captures:
        same = [t for t in tables if _key(t) == _key(capture)]
        table = same[0] if len(same) == 1 else tomlkit.table()
        _set(table, capture)
        entries.append(table)
    doc["capture"] = entries
    return mark + tomlkit.dumps(doc)


def _key(capture: Mapping[str, JsonValue]) -> tuple[object, ...]:
    if "id" in capture:
        return ("id", str(capture["id"]))
    return ("file", str(capture.get("file")), capture.get("channel"))


def _set(table: tomlkit.items.Table, capture: Mapping[str, JsonValue]) -> None:
    for gone in [key for key in table if key not in capture]:
        table.remove(gone)
    for key in (*KEYS, *capture):
        same = key in table and json_like(table[key]) == capture.get(key)
        if key in capture and not same:
            table[key] = capture[key]
