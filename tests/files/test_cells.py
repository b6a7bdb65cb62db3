"""What people and recorders write stays text in a spreadsheet, in every table."""

import csv
import io
import json

import pytest

from pipeline.day.nudges import nudge_list
from pipeline.files.cells import guarded
from pipeline.files.store import metrics_table
from pipeline.files.takes import captures_to_csv, numbered_captures
from pipeline.models.record import Record
from tests.day.test_handover import capture

# Signs that spreadsheets take for a formula's start: the OWASP page on CSV injection,
# from memory. Blanks ahead of them are passed over.
STARTS = ["=", "+", "-", "@", "\t", "\r", "\n", *"\uff1d\uff0b\uff0d\uff20"]
STARTS += [" =", "\u00a0+", "\u200b@", "\ufeff-", "  \n"]
CALL = "cmd|' /C calc'!A0"


@pytest.mark.parametrize("start", STARTS)
def test_a_formula_gets_an_apostrophe(start: str) -> None:
    assert guarded(start + CALL) == f"'{start}{CALL}"


@pytest.mark.parametrize("text", ["", "a-b", "p01", "'quoted", "1.5", " blank"])
def test_other_text_stays(text: str) -> None:
    assert guarded(text) == text


def record(id_: str) -> Record:
    raw = {
        "format": 1,
        "created": "2030-01-01T00:00:00+00:00",
        "version": "0",
        "session": {"name": "x"},
        "align_mode": "pass",
        "di": {"file": "d", "sha256": "0", "sample_rate_hz": 48_000, "frames": 48_000},
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -23.0,
            "max_true_peak_dbtp": -1.0,
        },
        "captures": [capture(id_, "0", file=id_)],
    }
    return Record.model_validate_json(json.dumps(raw))


@pytest.mark.parametrize("start", STARTS)
def test_no_table_holds_a_formula(start: str) -> None:
    text = start + CALL
    for table in (nudge_list(record(text)), metrics_table(record(text))):
        row = next(csv.DictReader(io.StringIO(table, newline="")))
        assert (row["id"], row["file"]) == (f"'{text}", f"'{text}")


@pytest.mark.parametrize("start", STARTS)
def test_a_take_sheet_holds_none_and_reads_back(start: str) -> None:
    text = start + CALL
    written = {
        "id": text,
        "file": text,
        "notes": text,
        "tags": [text.strip()],
        "private": {"said": text},
    }
    sheet = captures_to_csv([written], comma=True)
    cells = next(csv.DictReader(io.StringIO(sheet, newline="")))
    for key in ("id", "file", "notes", "private.said"):
        assert cells[key] == f"'{text}"
    ((_, read),) = numbered_captures(sheet.encode("utf-8-sig"))
    assert read == written
