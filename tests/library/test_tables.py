"""Authority: the csv and json modules read back what was written."""

import csv
import io
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.library.tables import laid_out, plain

ROWS = [("=1+1", 2.5), ("plain", None), ('say "hi", you\r\n', -3.0)]


@pytest.mark.parametrize(
    "start", ["=", "+", "-", "@", "\t=", "\r", " =", "\uff1d", "\u00a0+"]
)
def test_text_like_a_formula_gets_an_apostrophe(start: str) -> None:
    """Spreadsheets take = + - @, tab and return at the start for a formula.

    List from the OWASP page on CSV injection, from memory.
    """
    text = f"{start}cmd|' /C calc'!A0"
    written = laid_out((text,), [(text,)], "csv")
    found = list(csv.reader(io.StringIO(written, newline="")))
    assert found == [[f"'{text}"], [f"'{text}"]]


def test_numbers_stay_numbers() -> None:
    assert laid_out(("value",), [(-3.5,)], "csv").splitlines() == ["value", "-3.5"]


def test_csv_reads_back() -> None:
    text = laid_out(("name", "value"), ROWS, "csv")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows[1:] == [["'=1+1", "2.5"], ["plain", ""], ['say "hi", you\r\n', "-3.0"]]


def test_json_reads_back() -> None:
    text = laid_out(("name", "value"), ROWS, "json")
    assert json.loads(text) == [{"name": a, "value": b} for a, b in ROWS]


@settings(max_examples=60, deadline=None)
@given(st.text())
def test_a_table_has_one_line_a_row_whatever_the_text(text: str) -> None:
    """No control characters or direction marks reach the terminal."""
    table = laid_out(("a", "b"), [(text, 1.0), ("x", 2.0)], "table")
    assert len(table.split("\n")) == 4
    assert all(c.isprintable() or c == "\n" for c in table)


def test_terminal_sequences_are_taken_apart() -> None:
    assert plain("\x1b[2Jgone\u202e") == "[2Jgone"
