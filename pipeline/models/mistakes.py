"""How a mistake in a manifest is said: where it is, and which name is nearest."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import JsonValue

_NAME_ITSELF = "[key]"
"""What the models add to the place of a table whose very name is wrong."""
Raw = Mapping[str, JsonValue]
"""What the TOML parser gave, JSON-like."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: where, what was found, what is expected.

    Parameters
    ----------
    where : str
        Table and key, with the capture's id.
    text : str
        What was found and what is expected.
    """

    where: str
    text: str

    def __str__(self) -> str:
        """Return one line for a message."""
        return f"{self.where}: {self.text}"


def nearest(word: str, known: list[str], *, cutoff: float = 0.5) -> str | None:
    """Find the known name that a wrong one was probably meant to be.

    Parameters
    ----------
    word : str
        The name found.
    known : list of str
        The names known.
    cutoff : float
        How alike they must be, 0 to 1.

    Returns
    -------
    str or None
        The nearest, or None when nothing is near.
    """
    near = difflib.get_close_matches(word, known, n=1, cutoff=cutoff)
    return near[0] if near else None


def place_of(raw: Raw, loc: tuple[int | str, ...]) -> str:
    """Name a place as the file shows it: `[[capture]] 3 (p01), distance_mm`.

    Parameters
    ----------
    raw : mapping
        The parsed manifest.
    loc : tuple of int or str
        Keys and indices from the top.

    Returns
    -------
    str
        Table, entry with its id, and key.
    """
    if not loc:
        return "manifest"
    if len(loc) == 1:
        return str(loc[0])
    table, rest = str(loc[0]), loc[1:]
    if isinstance(rest[0], int):
        label = _entry_label(raw, table, rest[0])
        head = f"[[{table}]] {rest[0] + 1}{label}"
    elif table in {"setup", "cabinet", "mic"}:
        name = rest[0] or '""'
        head = f"[{table}.{name}]"
    else:
        head, rest = f"[{table}]", loc
    keys = ".".join(
        str(part + 1) if isinstance(part, int) else part
        for part in rest[1:]
        if part != _NAME_ITSELF
    )
    return f"{head}, {keys}" if keys else head


def _entry_label(raw: Raw, table: str, index: int) -> str:
    entries = raw.get(table)
    if not isinstance(entries, list) or index >= len(entries):
        return ""
    entry = entries[index]
    if not isinstance(entry, dict):
        return ""
    label = entry.get("id") or entry.get("file")
    return f" ({label})" if label and isinstance(label, str) else ""


def unknown(where: str, found: str, kind: str, known: list[str]) -> Mistake:
    """Say that a name refers to nothing.

    Parameters
    ----------
    where : str
        Place of the name.
    found : str
        The name.
    kind : str
        What it should name.
    known : list of str
        The names that exist.

    Returns
    -------
    Mistake
        With the nearest name.
    """
    near = nearest(found, known)
    hint = f"; the nearest is {near!r}" if near else ""
    return Mistake(where, f"found {found!r}, but no {kind} has that name{hint}")
