"""Which session does this manifest describe? Reads TOML, names every mistake."""

import datetime
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import JsonValue

from pipeline.errors import ManifestError
from pipeline.files.replacing import Kind
from pipeline.files.takes import read_takes
from pipeline.models.check import find_mistakes
from pipeline.models.mistakes import Mistake
from pipeline.models.plan import Plan, resolve

_LARGEST_BYTES = 16 * 1024 * 1024
_CAPTURE = re.compile(r"\[\[capture\]\] (\d+)")


@dataclass(frozen=True, slots=True)
class Written:
    """A manifest as written.

    Parameters
    ----------
    tables : dict
        JSON-like, with the captures of a take sheet after its own.
    rows : dict of int to str
        Which captures, counted from 1, stand in which row of a sheet.
    """

    tables: dict[str, JsonValue]
    rows: dict[int, str]


def read_plan(path: Path) -> Plan:
    """Read a manifest and resolve it.

    Parameters
    ----------
    path : Path
        The manifest, TOML in UTF-8 (a byte order mark is allowed).

    Returns
    -------
    Plan
        What the session will do.

    Raises
    ------
    ManifestError
        If the file or its take sheet cannot be read or has mistakes; the message lists
        all of them.
    """
    tables = _parse(path, _read(path))
    unread = None
    try:
        written = _with_sheet(path, tables)
    except ManifestError as error:
        written, unread = Written(tables, {}), error
    manifest, mistakes = find_mistakes(written.tables, sheet_unread=unread is not None)
    told = [] if unread is None else [str(unread)]
    if mistakes:
        count = "1 mistake" if len(mistakes) == 1 else f"{len(mistakes)} mistakes"
        told.append(f"{path}: {count} in this manifest")
        told += [f"  {_placed(m, written)}" for m in mistakes]
    if told or manifest is None:
        raise ManifestError("\n".join(told)) from unread
    return resolve(manifest, path.absolute())


def read_written(path: Path) -> Written:
    """Read a manifest's tables, its take sheet among them.

    Parameters
    ----------
    path : Path
        The manifest.

    Returns
    -------
    Written
        Tables as parsed, and which captures a sheet gave. A `ManifestError` says why
        one of the files cannot be read.
    """
    return _with_sheet(path, _parse(path, _read(path)))


def _with_sheet(path: Path, tables: dict[str, JsonValue]) -> Written:
    takes = tables.get("takes")
    if not isinstance(takes, str) or not takes:
        return Written(tables, {})
    own = tables.get("capture")
    captures = list(own) if isinstance(own, list) else []
    rows = {}
    for number, capture in read_takes(path.parent / takes):
        captures.append(capture)
        rows[len(captures)] = f"{takes}, row {number}"
    return Written({**tables, "capture": captures}, rows)


def _placed(mistake: Mistake, written: Written) -> str:
    """Say a mistake with the row of the sheet in which it stands."""
    return _CAPTURE.sub(lambda m: written.rows.get(int(m[1]), m[0]), str(mistake))


def _nearby(path: Path) -> str:
    """Name the manifests of a folder, or how to get one."""
    if not path.is_dir():
        return ""
    found = sorted(str(one) for one in path.glob("*.toml"))[:3]
    if found:
        return f", such as {' or '.join(found)}"
    return f"; `reamps draft {path}` proposes one"


def _read(path: Path) -> str:
    try:
        if not path.is_file():
            what = "is a folder" if path.is_dir() else "does not exist"
            message = (
                f"{path}: the manifest was looked for here and {what}; "
                f"give the path of a TOML file{_nearby(path)}"
            )
            raise ManifestError(message)
        if path.stat().st_size > _LARGEST_BYTES:
            message = f"{path}: larger than 16 MiB; this is not a manifest"
            raise ManifestError(message)
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = (
            f"{path}: expected UTF-8 text, found another encoding at byte "
            f"{error.start}; save the manifest as UTF-8, or, if this is a recording, "
            "name the manifest that lists it"
        )
        raise ManifestError(message) from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        message = f"{path}: the manifest cannot be read ({why})"
        raise ManifestError(message) from error


def _parse(path: Path, text: str) -> dict[str, JsonValue]:
    try:
        return {
            key: json_like(value)
            for key, value in tomllib.loads(text.replace("\r\n", "\n")).items()
        }
    except tomllib.TOMLDecodeError as error:
        message = f"{path}: this is not valid TOML: {error}"
        raise ManifestError(message) from error
    except ValueError as error:
        message = f"{path}: a number in it is too long to be one: {error}"
        raise ManifestError(message) from error
    except RecursionError as error:
        message = f"{path}: this is not a manifest: tables nested too deeply"
        raise ManifestError(message) from error


def json_like(value: object) -> JsonValue:
    """Give TOML's dates, times and non-finite numbers as text: recall data.

    Parameters
    ----------
    value : object
        What a TOML parser gave.

    Returns
    -------
    dict, list, str, int, float or bool
        Nothing that JSON could not hold.
    """
    if isinstance(value, dict):
        return {key: json_like(item) for key, item in value.items()}
    if isinstance(value, list):
        return [json_like(item) for item in value]
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, float) and value - value != 0.0:
        return str(value)
    if isinstance(value, bool | int | float | str):
        return value
    return str(value)


def _is_manifest(path: Path) -> bool:
    """Whether a TOML file is about a session, whatever its mistakes."""
    return not {"session", "di", "capture"}.isdisjoint(_parse(path, _read(path)))


MANIFEST_KIND = Kind("a manifest", (".toml",), _is_manifest)
