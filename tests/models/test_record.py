"""Records: strict, finite, numbered."""

import ast
import csv
import io
import json
from pathlib import Path

import pytest
from pydantic import ValidationError

import pipeline
from pipeline.errors import RecordError
from pipeline.files.store import RECORD_NAME, metrics_table, read_record, record_text
from pipeline.models.record import (
    FINDING_CODES,
    Capture,
    Comparison,
    DiResult,
    Latency,
    LoudnessTarget,
    Record,
    Repeatability,
)
from pipeline.report.page import render_page
from tests.report.records import finding, night


def record(**changes):
    target = LoudnessTarget(
        target_lufs=-23.0, effective_target_lufs=-23.0, max_true_peak_dbtp=-1.0
    )
    captures = (
        Capture(id="=1+1", file="a.wav", channel=1, pass_id="p", status="ok"),
        Capture(id="b", file="b.wav", channel=1, pass_id="p", status="rejected"),
    )
    values = {
        "format": 1,
        "created": "2026-03-01T02:00:00+00:00",
        "version": "0",
        "session": {"name": "x"},
        "align_mode": "pass",
        "di": DiResult(file="di.wav", sha256="0", sample_rate_hz=48000, frames=10),
        "loudness": target,
        "captures": captures,
        "comparison": Comparison(reference=None),
    }
    return Record(**{**values, **changes})


def test_a_record_comes_back_as_it_was(tmp_path):
    (tmp_path / RECORD_NAME).write_text(record_text(record()), encoding="utf-8")
    assert read_record(tmp_path) == record()


def test_keys_of_the_contract_are_in_the_text():
    raw = json.loads(record_text(record()))
    assert raw["format"] == 1
    assert raw["captures"][0]["pass"] == "p"
    assert set(raw["di"]) >= {"file", "sha256", "sample_rate_hz", "frames"}
    assert set(raw) >= {"created", "session", "di", "loudness", "captures", "pairs"}


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_pretends(value):
    with pytest.raises(ValidationError):
        Latency(samples=value, ms=0, polarity=1, confidence=1, drift_ppm=None)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "cannot be read"),
        ("[]", "found None"),
        ('{"format": 2}', "expected a record of format 1, found 2"),
        ('{"format": 1}', "damaged at created"),
        ('{"format": "1"}', "found '1'"),
        ("[" * 100_000, "cannot be read"),
    ],
)
def test_other_records_are_refused_by_number(tmp_path, text, expected):
    (tmp_path / RECORD_NAME).write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=expected):
        read_record(tmp_path)


def test_a_folder_without_a_record_is_named(tmp_path):
    with pytest.raises(RecordError, match="no record here"):
        read_record(tmp_path)


def test_no_cell_of_the_table_is_a_formula():
    assert "\r\n'=1+1," in metrics_table(record())


def told_apart(found: Record) -> list[str]:
    rows = csv.DictReader(io.StringIO(metrics_table(found)))
    return [row["not_distinguishable_from"] for row in rows]


def test_the_table_says_what_cannot_be_told_apart_tonight():
    # Without controls nobody knows, and an empty cell would claim a difference.
    assert (
        told_apart(record())
        == ["unknown: no set-up was recorded again as a control"] * 2
    )
    floor = Repeatability(
        captures=("b", "c"), latency_samples=0.1, distance_db=0.2, metrics={}
    )
    alike = Comparison(reference=None, groups=(("b", "c", "d"),))
    assert told_apart(record(repeatability=floor, comparison=alike)) == ["", "c; d"]


@pytest.mark.parametrize("spoiled", ["level", "length", "table", "names"])
def test_what_could_not_be_drawn_is_refused(spoiled):
    data = night()
    assert Record.model_validate_json(json.dumps(data))
    if spoiled == "level":
        data["captures"][0]["curves"]["smooth_db"][3] = 1e308
    elif spoiled == "length":
        data["captures"][0]["curves"]["smooth_db"].pop()
    elif spoiled == "table":
        data["comparison"]["distance_db"][0].pop()
    else:
        data["comparison"]["ids"] = data["comparison"]["ids"][:-1]
    with pytest.raises(ValidationError):
        Record.model_validate_json(json.dumps(data))


def test_findings_are_written_with_known_codes():
    sources = Path(pipeline.__file__).parent.rglob("*.py")
    written = {
        keyword.value.value
        for source in sources
        for call in ast.walk(ast.parse(source.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and ast.unparse(call.func) == "Finding"
        for keyword in call.keywords
        if keyword.arg == "code" and isinstance(keyword.value, ast.Constant)
    }
    assert len(written) > 20
    assert written <= set(FINDING_CODES)


def test_a_code_of_a_later_version_is_read_and_shown():
    data = night()
    later = finding("moth_in_the_cone", "warn", "It flutters.", None)
    data["captures"][0]["findings"] = [later]
    page = render_page(Record.model_validate_json(json.dumps(data)))
    assert "Moth in the cone" in page
