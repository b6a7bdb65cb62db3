"""A take sheet that a spreadsheet can write: CSV to captures and back, without loss.

One row a capture, one column a key; `private.NAME` for private keys. A row may say in
the column `as` which row above it is like ("previous", or an id): its empty cells then
repeat that row, and a cell with a single hyphen stays empty. Commas or semicolons,
points or (between semicolons) decimal commas, with or without a byte order mark.
"""

import csv
import io
import json
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from pydantic import JsonValue

from pipeline.errors import ManifestError
from pipeline.files.cells import looks_like_formula
from pipeline.files.replacing import Kind
from pipeline.models.manifest import Capture
from pipeline.models.mistakes import nearest

LIKE, PREVIOUS, NOTHING = "as", "previous", "-"
OWN = ("id", "file", "channel")
"""Never repeated from the row above."""
BLANKS = " \t\N{NO-BREAK SPACE}"
"""What a cell may hold and still look empty."""
PRIVATE = "private."
KEYS = tuple(
    field.alias or name
    for name, field in Capture.model_fields.items()
    if name != "private"
)
NUMBERS = tuple(key for key in KEYS if key.endswith(("_mm", "_deg")))
Row = dict[str, JsonValue]
_LARGEST_BYTES = 16 * 1024 * 1024
_LONGEST_HEAD = 65_536

_COMMA_NUMBER = re.compile(r"-?\d+,\d+")
_YES, _NO = ("yes", "true", "1", "x"), ("no", "false", "0")


def captures_to_csv(captures: Sequence[Mapping[str, JsonValue]], *, comma: bool) -> str:
    """Write captures as a take sheet.

    Parameters
    ----------
    captures : sequence of mapping
        The `[[capture]]` tables, as parsed.
    comma : bool
        False writes semicolons and decimal commas, as spreadsheets in many
        countries expect.

    Returns
    -------
    str
        CSV with line ends of RFC 4180.
    """
    private = sorted({key for c in captures for key in _private(c)})
    used = [key for key in KEYS if any(key in c for c in captures)]
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter="," if comma else ";", lineterminator="\r\n")
    writer.writerow([LIKE, *used, *(f"{PRIVATE}{key}" for key in private)])
    for capture in captures:
        cells = [_cell(key, capture.get(key), comma=comma) for key in used]
        own = _private(capture)
        cells += [
            _free_cell(own[key], comma=comma) if key in own else "" for key in private
        ]
        writer.writerow(["", *cells])
    return buffer.getvalue()


def _private(capture: Mapping[str, JsonValue]) -> dict[str, JsonValue]:
    private = capture.get("private")
    return private if isinstance(private, dict) else {}


def _number(value: float, *, comma: bool) -> str:
    text = repr(value)
    return text if comma else text.replace(".", ",")


def _guard(text: str) -> str:
    """Mark texts that are empty, a lone hyphen, or look like a formula or marked."""
    marked = not text or text.startswith("'") or looks_like_formula(text)
    return f"'{text}" if marked else text


def _cell(key: str, value: JsonValue, *, comma: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(value, comma=comma)
    if key == "tags" and isinstance(value, list):
        texts = [str(item) for item in value]
        plain = texts and all(t == t.strip() and t and "|" not in t for t in texts)
        joined = " | ".join(texts)
        safe = plain and not joined.startswith("[") and _guard(joined) == joined
        return joined if safe else json.dumps(texts, ensure_ascii=False)
    return _guard(str(value))


def _free_cell(value: JsonValue, *, comma: bool) -> str:
    if isinstance(value, str):
        if _reads_as_text(value):
            return _guard(value)
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, float) and not comma:
        return _number(value, comma=False)
    return json.dumps(value, ensure_ascii=False)


def _reads_as_text(text: str) -> bool:
    if _COMMA_NUMBER.fullmatch(text):
        return False
    try:
        json.loads(text)
    except ValueError:
        return True
    return False


def read_takes(sheet: Path) -> list[tuple[int, Row]]:
    """Read a take sheet from the disk.

    Parameters
    ----------
    sheet : Path
        A CSV file.

    Returns
    -------
    list of (int, dict)
        As from `numbered_captures`.

    Raises
    ------
    ManifestError
        If it is not there, or cannot be read; with the row and column of every
        mistake.
    """
    try:
        if sheet.stat().st_size > _LARGEST_BYTES:
            message = f"{sheet}: larger than 16 MiB; this is no take sheet"
            raise ManifestError(message)
        data = sheet.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        message = (
            f"{sheet}: the take sheet cannot be read ({why}). Give the path of a CSV "
            "file"
        )
        raise ManifestError(message) from error
    try:
        return numbered_captures(data)
    except ManifestError as error:
        message = f"{sheet}: {error}"
        raise ManifestError(message) from error


def numbered_captures(data: bytes) -> list[tuple[int, Row]]:
    """Read a take sheet, each capture with the number of its row.

    Parameters
    ----------
    data : bytes
        The file: UTF-8, with or without a byte order mark.

    Returns
    -------
    list of (int, dict)
        Row as a spreadsheet counts it, and its `[[capture]]` table; empty rows are
        passed over.

    Raises
    ------
    ManifestError
        With the row and column of every mistake.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = (
            f"the take sheet is not UTF-8 (byte {error.start}); save it as 'CSV UTF-8'"
        )
        raise ManifestError(message) from error
    delimiter = _delimiter(text)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        message = f"the take sheet is not valid CSV: {error}"
        raise ManifestError(message) from error
    if not rows:
        message = "the take sheet is empty; its first row names the columns"
        raise ManifestError(message)
    header = [name.strip() for name in rows[0]]
    mistakes = [
        f"row 1: column {name!r} is no key of a capture{_hint(name)}"
        for name in header
        if name and name not in (LIKE, *KEYS) and not name.startswith(PRIVATE)
    ]
    mistakes += [
        f"row 1: column {n!r} comes twice"
        for n in set(header)
        if n and header.count(n) > 1
    ]
    filled = [] if mistakes else _repeat(header, rows[1:], mistakes)
    captures = [
        (number, _capture(cells, number, comma=delimiter != ";", mistakes=mistakes))
        for number, cells in filled
    ]
    if mistakes:
        lines = "\n".join(f"  {mistake}" for mistake in mistakes)
        message = f"the take sheet cannot be used:\n{lines}"
        raise ManifestError(message)
    return captures


def _hint(name: str) -> str:
    near = nearest(name, [LIKE, *KEYS])
    return (
        f"; did you mean {near!r}? ({PRIVATE}NAME keeps a key of your own)"
        if near
        else ""
    )


def _delimiter(text: str) -> str:
    head = text.splitlines()[0] if text else ""
    return max(",;\t", key=head.count)


def _repeat(
    header: Sequence[str], rows: Sequence[Sequence[str]], mistakes: list[str]
) -> list[tuple[int, dict[str, str]]]:
    """Fill the empty cells of rows that are like another one."""
    filled: list[tuple[int, dict[str, str]]] = []
    by_id: dict[str, dict[str, str]] = {}
    for number, row in enumerate(rows, start=2):
        if not any(cell.strip(BLANKS) for cell in row):
            continue
        if any(cell.strip() for cell in row[len(header) :]):
            mistakes.append(f"row {number} has more cells than the first row")
            continue
        cells = {n: c for n, c in zip(header, row, strict=False) if n}
        like = cells.pop(LIKE, "").strip()
        base = _base(like, filled, by_id)
        if base is None:
            mistakes.append(f"row {number}, {LIKE}: no row above is {like!r}")
            continue
        whole = {
            name: cell if cell or name in OWN else base.get(name, "")
            for name, cell in cells.items()
        }
        filled.append((number, whole))
        by_id[whole.get("id", "").strip()] = whole
    return [
        (number, {n: "" if c == NOTHING else c for n, c in cells.items()})
        for number, cells in filled
    ]


def _base(
    like: str,
    filled: Sequence[tuple[int, dict[str, str]]],
    by_id: Mapping[str, dict[str, str]],
) -> dict[str, str] | None:
    if not like:
        return {}
    if like in by_id:
        return by_id[like]
    if like.lower() in (PREVIOUS, '"') and filled:
        return filled[-1][1]
    return None


def _capture(
    cells: Mapping[str, str], number: int, *, comma: bool, mistakes: list[str]
) -> Row:
    capture: Row = {}
    private: Row = {}
    for name, cell in cells.items():
        if cell == "":
            continue
        if name.startswith(PRIVATE):
            private[name.removeprefix(PRIVATE)] = _free_value(cell, comma=comma)
            continue
        try:
            capture[name] = _value(name, cell, comma=comma)
        except ValueError as error:
            mistakes.append(f"row {number}, {name}: found {cell!r}, {error}")
    if private:
        capture["private"] = private
    if "file" not in capture:
        mistakes.append(f"row {number}, file: is empty; every capture needs its file")
    return capture


def _value(name: str, cell: str, *, comma: bool) -> JsonValue:
    if name == "channel":
        if not cell.strip().isdecimal():
            message = "expected a whole number"
            raise ValueError(message)
        return int(cell)
    if name in NUMBERS:
        return _read_number(cell.strip() if comma else cell.strip().replace(",", "."))
    if name == "control":
        word = cell.strip().lower()
        if word not in (*_YES, *_NO):
            message = "expected yes or no"
            raise ValueError(message)
        return word in _YES
    if name == "tags":
        if cell.startswith("["):
            return [str(item) for item in json.loads(cell)]
        return [part.strip() for part in cell.split("|") if part.strip()]
    return cell.removeprefix("'")


def _read_number(text: str) -> float:
    try:
        number = float(text)
    except ValueError as error:
        message = "expected a number"
        raise ValueError(message) from error
    return int(text) if text.lstrip("-").isdecimal() else number


def _free_value(cell: str, *, comma: bool) -> JsonValue:
    if not comma and _COMMA_NUMBER.fullmatch(cell):
        return float(cell.replace(",", "."))
    try:
        value: JsonValue = json.loads(
            cell, parse_constant=str, parse_float=_finite_or_text
        )
    except (ValueError, RecursionError):
        return cell.removeprefix("'")
    return value


def _finite_or_text(text: str) -> float | str:
    """Read a number; what is too large for one stays the text that was written."""
    number = float(text)
    return number if math.isfinite(number) else text


def _is_sheet(path: Path) -> bool:
    """Whether a file's first row is one that `captures_to_csv` writes."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        head = handle.readline(_LONGEST_HEAD)
    first, *names = next(csv.reader([head], delimiter=_delimiter(head)), [""])
    return first == LIKE and all(n in KEYS or n.startswith(PRIVATE) for n in names)


SHEET_KIND = Kind("a take sheet", (".csv",), _is_sheet)
