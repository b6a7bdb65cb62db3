"""A manifest whose captures stand in a take sheet."""

from pathlib import Path

import pytest

from pipeline.errors import ManifestError, OutputError
from pipeline.files.manifest import read_plan, read_written
from pipeline.run.places import refuse_sources

HEAD = """\
format = 1
takes = "night.csv"
[session]
name = "Coal hole"
[di]
file = "di.wav"
[setup.low]
[mic.rib]
type = "ribbon"
"""
SHEET = """\
as;id;file;setup;mic;distance_mm;private.fee
;a;a.wav;low;rib;12,5;80,5
previous;b;b.wav;;;25;
"""


def write(folder: Path, sheet: str, more: str = "") -> Path:
    path = folder / "session.toml"
    path.write_text(HEAD + more, encoding="utf-8")
    (folder / "night.csv").write_bytes(sheet.replace("\n", "\r\n").encode("utf-8-sig"))
    return path


def test_rows_are_captures(tmp_path: Path) -> None:
    plan = read_plan(write(tmp_path, SHEET))
    first, second = plan.captures
    assert (first.id, first.path) == ("a", tmp_path / "a.wav")
    assert first.written.distance_mm == 12.5
    assert first.written.private == {"fee": 80.5}
    # The second row is as the first, except for what is written in it.
    assert (second.written.mic, second.written.distance_mm) == ("rib", 25.0)


def test_rows_come_after_the_tables(tmp_path: Path) -> None:
    more = '[[capture]]\nid = "first"\nfile = "f.wav"\n'
    plan = read_plan(write(tmp_path, SHEET, more))
    assert [capture.id for capture in plan.captures] == ["first", "a", "b"]


@pytest.mark.parametrize(
    ("sheet", "told"),
    [
        (
            SHEET.replace(";low;", ";lo;"),
            "night.csv, row 2 (a), setup: found 'lo', but no setup has that name; the "
            "nearest is 'low'",
        ),
        (SHEET.replace(";b;b", ";a;b"), "night.csv, row 3 (a), id: 'a' is already"),
        (SHEET.replace("12,5", "far"), "row 2, distance_mm: found 'far', expected"),
        (SHEET.replace("distance_mm", "distence_mm"), "did you mean 'distance_mm'?"),
        (SHEET.splitlines()[0] + "\n", "night.csv: no capture is in it"),
        (SHEET.replace("a.wav", ""), "row 2, file: is empty"),
        (SHEET.replace("25", "-1"), "night.csv, row 3 (b), distance_mm: found -1"),
    ],
)
def test_a_mistake_names_file_and_row(tmp_path: Path, sheet: str, told: str) -> None:
    path = write(tmp_path, sheet)
    with pytest.raises(ManifestError) as refused:
        read_plan(path)
    assert told in str(refused.value)
    assert "night.csv" in str(refused.value)


def test_an_id_of_the_table_and_the_sheet(tmp_path: Path) -> None:
    more = '[[capture]]\nid = "b"\nfile = "f.wav"\n'
    with pytest.raises(ManifestError, match=r"row 3 \(b\), id: .* \[\[capture\]\] 1"):
        read_plan(write(tmp_path, SHEET, more))


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    path = write(tmp_path, SHEET)
    (tmp_path / "night.csv").unlink()
    told = r"night\.csv: the take sheet cannot be read \(No such file"
    with pytest.raises(ManifestError, match=told) as refused:
        read_plan(path)
    assert "Errno" not in str(refused.value)
    assert "mistake" not in str(refused.value)


@pytest.mark.parametrize("sheet", [None, SHEET.replace("12,5", "far")])
def test_a_sheet_hides_no_mistake_of_the_manifest(
    tmp_path: Path, sheet: str | None
) -> None:
    more = """\
[compare]
reference = "a"
[[blend]]
id = "mixed"
parts = [{ capture = "a" }, { capture = "b" }, { capture = "b" }]
[[blend]]
id = "wanted"
parts = [{ capture = "a" }, { capture = "b" }]
nearest = { capture = "b" }
"""
    path = write(tmp_path, sheet or SHEET, more)
    path.write_text(path.read_text().replace("ribbon", "ribon"))
    if sheet is None:
        (tmp_path / "night.csv").unlink()
    with pytest.raises(ManifestError) as refused:
        read_plan(path)
    first, *rest = str(refused.value).split(f"{path}: ")
    assert first.startswith(f"{tmp_path / 'night.csv'}: the take sheet cannot be")
    # Names that may stand in the sheet are no mistakes.
    (own,) = rest
    assert own.splitlines()[0] == "2 mistakes in this manifest"
    assert '[mic.rib], type: found "ribon"' in own
    assert "[[blend]] 1 (mixed), parts.3.capture: 'b' is in this blend already" in own


def test_a_manifest_without_any_capture(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(HEAD.replace('takes = "night.csv"\n', ""))
    with pytest.raises(ManifestError, match="capture: no capture is in it"):
        read_plan(path)


def test_the_sheet_is_never_replaced_by_a_result(tmp_path: Path) -> None:
    path = write(tmp_path, SHEET)
    (tmp_path / "out").mkdir()
    (tmp_path / "night.csv").rename(tmp_path / "out" / "metrics.csv")
    path.write_text(path.read_text().replace("night.csv", "out/metrics.csv"))
    with pytest.raises(OutputError, match=r"replace the take sheet .*metrics\.csv"):
        refuse_sources(read_plan(path), tmp_path / "out")


def test_dates_are_text_in_both(tmp_path: Path) -> None:
    more = '[[capture]]\nfile = "f.wav"\nprivate = { when = 2031-05-06 }\n'
    tables = read_written(write(tmp_path, SHEET, more)).tables
    assert isinstance(tables["capture"], list)
    assert tables["capture"][0] == {"file": "f.wav", "private": {"when": "2031-05-06"}}


@pytest.mark.parametrize("cell", ["NaN", "-Infinity", "1e999", "[" * 20_000])
def test_what_json_cannot_hold_stays_text(tmp_path: Path, cell: str) -> None:
    # RFC 8259: numbers that are not finite are no JSON.
    sheet = f"id,file,private.gain\na,a.wav,{cell}\n"
    (capture,) = read_plan(write(tmp_path, sheet)).captures
    assert capture.written.private == {"gain": cell}
