"""Results as a table for eyes, as JSON and as CSV; hostile text stays text."""

import csv
import io
import json
import unicodedata
from collections.abc import Sequence
from typing import Literal

from pipeline.files.cells import guarded

Value = str | float | None
Layout = Literal["table", "json", "csv"]

WIDEST = 40
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str) -> str:
    """Make text safe for a terminal.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        In one line, without control characters and direction marks.
    """
    seen = (" " if unicodedata.category(c) in _UNSEEN else c for c in text)
    return " ".join("".join(seen).split())


def counted(number: int, noun: str) -> str:
    """Say how many there are.

    Parameters
    ----------
    number : int
        Of them.
    noun : str
        For one; more get an s.

    Returns
    -------
    str
        Such as "1 tone" or "28 tones".
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _shown(value: Value, widest: int) -> str:
    if value is None:
        return "-"
    if isinstance(value, str):
        text = plain(value)
        return text if len(text) <= widest else text[: widest - 3] + "..."
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"


def _table(columns: Sequence[str], rows: Sequence[Sequence[Value]], most: int) -> str:
    cells = [[_shown(value, most) for value in row] for row in rows]
    widths = [
        max([len(name), *(len(row[k]) for row in cells)])
        for k, name in enumerate(columns)
    ]
    right = [
        bool(rows) and all(not isinstance(row[k], str) for row in rows)
        for k in range(len(columns))
    ]

    def line(texts: Sequence[str]) -> str:
        parts = (
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(texts, widths, right, strict=True)
        )
        return "  ".join(parts).rstrip()

    rule = ["-" * width for width in widths]
    return "\n".join(line(row) for row in ([*columns], rule, *cells))


def _cell(value: Value) -> Value:
    return guarded(value) if isinstance(value, str) else value


def _csv(columns: Sequence[str], rows: Sequence[Sequence[Value]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([guarded(name) for name in columns])
    writer.writerows([_cell(value) for value in row] for row in rows)
    return buffer.getvalue().rstrip("\r\n")


def laid_out(
    columns: Sequence[str],
    rows: Sequence[Sequence[Value]],
    layout: Layout,
    *,
    widest: int = WIDEST,
) -> str:
    """Lay a result out.

    Parameters
    ----------
    columns : sequence of str
        Names.
    rows : sequence of sequence
        Texts, numbers and absent values.
    layout : {"table", "json", "csv"}
        A table shortens long texts; JSON is a list of objects; CSV has points as
        decimal marks and empty cells for absent values.
    widest : int
        Characters of a text in a table.

    Returns
    -------
    str
        Without a line end.
    """
    if layout == "json":
        objects = [dict(zip(columns, row, strict=True)) for row in rows]
        return json.dumps(objects, ensure_ascii=False, allow_nan=False, indent=1)
    return _csv(columns, rows) if layout == "csv" else _table(columns, rows, widest)
