"""What a command may replace: what it wrote itself, and nothing else."""

from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.files.manifest import MANIFEST_KIND
from pipeline.files.replacing import Kind, page_kind, refuse_foreign
from pipeline.files.takes import SHEET_KIND, captures_to_csv

PAGE = page_kind("a map", "reamps map")
OURS = '<!doctype html>\n<meta name="generator" content="reamps map">\n'


def test_a_file_of_the_same_kind_may_be_replaced(tmp_path: Path) -> None:
    page = tmp_path / "map.HTML"
    refuse_foreign(page, PAGE)
    page.touch()
    refuse_foreign(page, PAGE)
    page.write_text(OURS, encoding="utf-8")
    refuse_foreign(page, PAGE)


@pytest.mark.parametrize(
    "text", ["<!doctype html>\n<p>mine", OURS.replace(" map", " recall")]
)
def test_another_page_is_left_alone(tmp_path: Path, text: str) -> None:
    page = tmp_path / "map.html"
    page.write_text(text, encoding="utf-8")
    with pytest.raises(OutputError, match=r"map\.html: is there already .*not a map"):
        refuse_foreign(page, PAGE)


def test_what_is_no_file_or_cannot_be_read_is_left_alone(tmp_path: Path) -> None:
    folder, astray, odd = (tmp_path / name for name in ("a.html", "b.html", "c.html"))
    folder.mkdir()
    astray.symlink_to(tmp_path / "gone")
    odd.write_bytes(b"\xff")

    def cannot_tell(path: Path) -> bool:
        return bool(path.read_text(encoding="utf-8"))

    for path in (folder, astray, odd):
        with pytest.raises(OutputError, match="was left as it is"):
            refuse_foreign(path, Kind("a text", (".html",), cannot_tell))


@pytest.mark.parametrize("name", ["x.wav", "x", "x.html.bak"])
def test_a_misleading_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(OutputError, match=r"ends in \.html for a map"):
        refuse_foreign(tmp_path / name, PAGE)


@pytest.mark.parametrize("comma", [True, False])
def test_a_take_sheet_is_known_by_its_first_row(tmp_path: Path, *, comma: bool) -> None:
    sheet = tmp_path / "night.csv"
    text = captures_to_csv(
        [{"file": "a.wav", "distance_mm": 25, "private": {"fee": 1}}], comma=comma
    )
    sheet.write_text(text, encoding="utf-8-sig")
    refuse_foreign(sheet, SHEET_KIND)
    for other in ("as,fee\n", "name;price\n", "file\n", "\n"):
        sheet.write_text(other, encoding="utf-8")
        with pytest.raises(OutputError, match="not a take sheet"):
            refuse_foreign(sheet, SHEET_KIND)


def test_a_manifest_is_known_by_its_tables(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text("[di]\nfile = 'di.wav'\n", encoding="utf-8")
    refuse_foreign(path, MANIFEST_KIND)
    for other in ("[project]\nname = 'x'\n", "# notes\n", "di = \n"):
        path.write_text(other, encoding="utf-8")
        with pytest.raises(OutputError, match="not a manifest"):
            refuse_foreign(path, MANIFEST_KIND)
