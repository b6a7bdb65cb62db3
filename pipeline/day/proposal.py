"""How is a proposal written without touching what a user wrote?

New tables are appended as text, so that every byte before them stays. Only where that
is no valid TOML (captures in one line) is the document itself added to, with its
comments kept.
"""

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit.items import AoT, Table

from pipeline.day.mentions import parse

_HEAD = """\
# Proposed by `reamps draft`. Correct it freely: run again, it only adds files that
# this text does not mention. Then:  reamps run {name}
format = 1

"""
_KEY_ORDER = (
    "id",
    "file",
    "channel",
    "pass",
    "setup",
    "mic",
    "speaker",
    "position",
    "offset_mm",
    "x_mm",
    "y_mm",
    "distance_mm",
    "height_mm",
    "angle_deg",
    "treatment",
    "notes",
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One `[[capture]]` to be written.

    Parameters
    ----------
    keys : mapping of str to str, int or float
        By the manifest's keys.
    mic_type : str or None
        Type of its microphone, for a new `[mic.NAME]`.
    why : str
        Why it is in its pass; empty when it stands alone.
    """

    keys: Mapping[str, str | int | float]
    mic_type: str | None
    why: str


def relative(path: Path, folder: Path) -> str:
    """Name a file as a manifest does.

    Parameters
    ----------
    path : Path
        The file.
    folder : Path
        The manifest's folder.

    Returns
    -------
    str
        Relative, with slashes; absolute on another drive.
    """
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def opening(manifest: Path, di: Path, loopback: Path | None, name: str) -> str:
    """Write the beginning of a new manifest.

    Parameters
    ----------
    manifest : Path
        Where it will lie.
    di, loopback : Path
        The recordings; no loopback is None.
    name : str
        Name of the session.

    Returns
    -------
    str
        TOML.
    """
    doc = tomlkit.document()
    tables = {
        "session": {"name": name},
        "di": {"file": relative(di, manifest.parent)},
    }
    if loopback:
        tables["loopback"] = {"file": relative(loopback, manifest.parent)}
    for key, values in tables.items():
        table = tomlkit.table()
        table.update(values)
        doc[key] = table
    return _HEAD.format(name=manifest.name) + tomlkit.dumps(doc)


def add_to(before: str, entries: Sequence[Entry], left_out: Sequence[str]) -> str:
    """Add captures to a manifest's text.

    Parameters
    ----------
    before : str
        What is there: kept byte for byte, or, with its captures in one line, with all
        its comments.
    entries : sequence of Entry
        What to add.
    left_out : sequence of str
        Files that are no captures, and why: written as comments.

    Returns
    -------
    str
        The whole text.
    """
    raw = parse(before)
    text = _tables(entries, raw) + "".join(_capture_text(entry) for entry in entries)
    if left_out:
        lines = "".join(f"#   {_printable(line)}\n" for line in left_out)
        text += f"\n# Left out:\n{lines}"
    if not text:
        return before
    if "\r\n" in before:
        text = text.replace("\n", "\r\n")
    joint = "" if not before or before.endswith("\n") else "\n"
    whole = before + joint + text
    try:
        parse(whole)
    except tomllib.TOMLDecodeError:
        return _woven(before, entries)
    return whole


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _tables(entries: Sequence[Entry], raw: Mapping[str, object]) -> str:
    """Name the set-ups and microphones that captures refer to."""
    text = ""
    for table in ("setup", "mic"):
        old = raw.get(table)
        known = set(old) if isinstance(old, dict) else set()
        for entry in entries:
            name = entry.keys.get(table)
            if not name or name in known:
                continue
            known.add(name)
            body = tomlkit.table()
            if table == "mic" and entry.mic_type:
                body["type"] = entry.mic_type
            doc = tomlkit.document()
            outer = tomlkit.table(is_super_table=True)
            outer[str(name)] = body
            doc[table] = outer
            text += "\n" + tomlkit.dumps(doc)
    return text


def _capture_table(entry: Entry) -> Table:
    table = tomlkit.table()
    for key in _KEY_ORDER:
        if key in entry.keys:
            table[key] = entry.keys[key]
    if entry.why:
        table["pass"].comment(entry.why)
    return table


def _capture_text(entry: Entry) -> str:
    doc = tomlkit.document()
    entries = tomlkit.aot()
    entries.append(_capture_table(entry))
    doc["capture"] = entries
    return "\n" + tomlkit.dumps(doc)


def _woven(before: str, entries: Sequence[Entry]) -> str:
    """Add to a manifest that holds its captures or tables in line."""
    mark = "\ufeff" if before.startswith("\ufeff") else ""
    doc = tomlkit.parse(before.removeprefix("\ufeff"))
    for entry in entries:
        if "capture" not in doc:
            doc["capture"] = tomlkit.aot()
        inline = tomlkit.inline_table()
        inline.update(_capture_table(entry))
        is_list = not isinstance(doc["capture"], AoT)
        doc["capture"].append(inline if is_list else _capture_table(entry))
        for table in ("setup", "mic"):
            name = entry.keys.get(table)
            if name and name not in doc.setdefault(table, tomlkit.table()):
                body = tomlkit.inline_table()
                if table == "mic" and entry.mic_type:
                    body["type"] = entry.mic_type
                doc[table][str(name)] = body
    return mark + tomlkit.dumps(doc)
