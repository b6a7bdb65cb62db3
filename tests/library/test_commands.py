"""Authority: the commands as a person types them; stdout carries only the result."""

import csv
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipeline.errors import OutputError, ReampsError
from pipeline.library.commands import make_app
from pipeline.library.heard import Heard
from pipeline.library.judgement import BUILT_IN
from tests.library import invented, runs


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("commands")
    for seed in (1, 2):
        run = runs.write(folder / f"run {seed}", runs.small(seed))
        done = call(folder, "add", str(run))
        assert done.stdout == f"{seed}\n"
    return folder


def measure(path: Path) -> Heard:  # noqa: ARG001 any file sounds the same
    return Heard(tuple(invented.BANDS), tuple(-30.0 for _ in invented.BANDS))


def call(folder: Path, *words: str) -> Result:
    """Run a command; refusals come out as they are."""
    app = make_app(measure)
    done = CliRunner().invoke(app, [*words, "--library", str(folder / "library")])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done


def test_find_as_table_json_and_csv(root: Path) -> None:
    asked = ("find", "ribbon", "-w", "distance_mm < 500")
    assert "rib one" in call(root, *asked).stdout
    found = json.loads(call(root, *asked, "--as", "json").stdout)
    rows = list(csv.DictReader(io.StringIO(call(root, *asked, "--as", "csv").stdout)))
    assert [row["id"] for row in rows] == [row["id"] for row in found] == ["t002"] * 2
    assert float(rows[0]["brightness_hz"]) == found[0]["brightness_hz"]


def test_messages_go_to_standard_error(root: Path) -> None:
    done = call(root, "find", "nothing at all", "--as", "json")
    assert json.loads(done.stdout) == []
    assert "0 of 0" in done.stderr


def test_list_show_and_judge(root: Path) -> None:
    listed = json.loads(call(root, "list", "--as", "json").stdout)
    assert [row["tones"] for row in listed] == [3, 3]
    facts = json.loads(call(root, "show", "2", "--as", "json").stdout)
    assert {"field": "mic.type", "value": "ribbon"} in facts
    done = call(root, "find", "--judge", "thick", "--as", "json")
    values = [row["value"] for row in json.loads(done.stdout)]
    assert values == sorted(values, reverse=True)
    assert "80 to 200 Hz" in done.stderr
    told = call(root, "judgements").stdout
    assert "quiet floor" in told
    for judgement in BUILT_IN:
        assert judgement.formula.text in told
        assert judgement.why in told
    done = call(root, "find", "--judge", "thick", "--show", "id,gain", "--as", "json")
    assert list(json.loads(done.stdout)[0])[-2:] == ["id", "gain"]
    with pytest.raises(ReampsError, match="--sort"):
        call(root, "find", "--judge", "thick", "--sort", "id")


def test_similar_to_capture_and_to_file(root: Path) -> None:
    found = json.loads(call(root, "similar", "1", "--as", "json").stdout)
    assert len(found) == 5
    recording = root / "reference.wav"
    recording.touch()
    done = call(root, "similar", "--to", str(recording), "--as", "json")
    assert len(json.loads(done.stdout)) == 6
    assert "finished mix" in done.stderr
    with pytest.raises(ReampsError, match="either"):
        call(root, "similar")


def test_compare_map_pack_backup_and_check(root: Path) -> None:
    assert "no floor known" in call(root, "compare", "1", "2").stdout
    page = Path(call(root, "map").stdout.strip())
    assert "<canvas" in page.read_text("utf-8")
    out = root / "tones.zip"
    assert call(root, "pack", "ribbon", "-o", str(out)).stdout == f"{out}\n"
    assert out.stat().st_size > 10_000
    call(root, "backup", str(root / "copy"))
    assert "2 sessions, 6 tones: whole" in call(root, "check").stdout
    assert "built anew: 2 sessions" in call(root, "check", "--repair").stderr


def test_nothing_foreign_is_replaced(root: Path) -> None:
    """A page of the user's, a recording, a folder that is in use, a dangling link."""
    page, take = root / "mine.html", root / "take.wav"
    page.write_text("<p>mine", encoding="utf-8")
    take.write_bytes(b"RIFF")
    link = root / "astray.zip"
    link.symlink_to(root / "gone")
    for words, told in (
        (("map", "-o", str(page)), "is not a map of a library"),
        (("map", "-o", str(take)), r"expected a name that ends in \.html"),
        (("pack", "ribbon", "-o", str(take)), "exists already"),
        (("pack", "ribbon", "-o", str(link)), "exists already"),
        (("backup", str(take)), "is not an empty folder"),
        (("backup", str(root / "run 1")), "is not an empty folder"),
        (("backup", str(link)), "is not an empty folder"),
    ):
        with pytest.raises(OutputError, match=told):
            call(root, *words)
    assert (page.read_text("utf-8"), take.read_bytes()) == ("<p>mine", b"RIFF")
    assert link.is_symlink()
    page.unlink()
    first = Path(call(root, "map", "-o", str(page)).stdout.strip()).read_bytes()
    call(root, "map", "-o", str(page))
    assert page.read_bytes() == first


def test_what_cannot_be_is_refused_in_a_sentence(root: Path) -> None:
    """An answer of another kind than a refusal is a bug to whoever typed it."""
    aside, torn = root / "aside", root / "caf\udce9"
    runs.write(torn, runs.small(3))
    for words, told in (
        (("find", "caf\udce9"), "expected UTF-8"),
        (("find", "-w", "mic = caf\udce9"), "expected UTF-8"),
        (("find", "--show", "caf\udce9"), "expected UTF-8"),
        (("find", "--sort", "caf\udce9"), "expected UTF-8"),
        (("add", str(torn)), "expected UTF-8"),
        (("pack", "-o", str(aside), "--title", "caf\udce9"), "expected UTF-8"),
        (("pack", "-o", str(aside), "--lufs", "nan"), "-70 to 0 LUFS, found nan"),
        (("pack", "-o", str(aside), "--lufs", "-1000"), "found -1000"),
        (("backup", str(root / "library" / "sub")), "lies in the library"),
        (("backup", str(root / "library" / "audio" / "x"), "--with-audio"), "lies in"),
    ):
        with pytest.raises(ReampsError, match=told):
            call(root, *words)
    assert not aside.exists()
    assert not (root / "library" / "sub").exists()
    judgements = root / "library" / "judgements.toml"
    judgements.write_text("a = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(ReampsError, match="cannot be read"):
        call(root, "judgements")
    judgements.unlink()


@pytest.mark.parametrize("command", ["show", "similar", "remove", "compare"])
def test_a_number_that_no_catalogue_holds_is_wrong_usage(
    root: Path, command: str
) -> None:
    words = [command, str(2**63), *(["1"] if command == "compare" else [])]
    library = ["--library", str(root / "library")]
    done = CliRunner().invoke(make_app(), [*words, *library])
    assert done.exit_code == 2
    assert str(2**63) in done.stderr


@pytest.mark.parametrize("command", ["list", "add"])
def test_a_library_that_no_disk_takes_is_refused(root: Path, command: str) -> None:
    words = [command, *([str(root / "run 1")] if command == "add" else [])]
    library = ["--library", str(root / ("x" * 300))]
    done = CliRunner().invoke(make_app(), [*words, *library])
    assert isinstance(done.exception, ReampsError)
    assert "a new library" not in done.stderr


def test_remove_asks_first(tmp_path: Path) -> None:
    call(tmp_path, "add", str(runs.write(tmp_path / "run", runs.small(1))))
    library = ["--library", str(tmp_path / "library")]
    refused = CliRunner().invoke(make_app(), ["remove", "1", *library], input="n\n")
    assert refused.exit_code == 1
    assert "night 1, 2025-02-02, 3 tones" in refused.stderr
    unanswered = CliRunner().invoke(make_app(), ["remove", "1", *library], input="")
    assert isinstance(unanswered.exception, ReampsError)
    assert "--yes" in str(unanswered.exception)
    assert json.loads(call(tmp_path, "list", "--as", "json").stdout) != []
    call(tmp_path, "remove", "1", "--yes")
    assert json.loads(call(tmp_path, "list", "--as", "json").stdout) == []
    assert (tmp_path / "run" / "record.json").exists()


READING = {
    "list": (),
    "find": ("ribbon",),
    "show": ("1",),
    "similar": ("1",),
    "compare": ("1", "2"),
    "map": (),
    "pack": ("ribbon", "-o", "pack"),
    "remove": ("1", "--yes"),
    "check": (),
    "judgements": (),
    "backup": ("copy",),
}


@pytest.mark.parametrize("command", READING)
def test_a_mistyped_library_is_refused_and_not_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ReampsError, match="no library here") as refused:
        call(tmp_path, command, *READING[command])
    assert str(tmp_path / "library") in str(refused.value)
    assert "library add" in str(refused.value)
    assert list(tmp_path.iterdir()) == []


def test_every_command_but_add_refuses_a_mistyped_library() -> None:
    names = {command.name for command in make_app().registered_commands}
    assert names == set(READING) | {"add"}


def test_a_lost_catalogue_is_no_empty_library(tmp_path: Path) -> None:
    call(tmp_path, "add", str(runs.write(tmp_path / "run", runs.small(1))))
    for path in (tmp_path / "library").glob("catalogue.sqlite*"):
        path.unlink()
    with pytest.raises(ReampsError, match=r"1 record remained: .*--repair"):
        call(tmp_path, "find")
    assert "1 session\n" in call(tmp_path, "check", "--repair").stderr
    assert len(json.loads(call(tmp_path, "find", "--as", "json").stdout)) == 3


def test_lost_audio_is_told_with_its_remedy(tmp_path: Path) -> None:
    """A folder that was renamed: nothing is called whole, and adding again mends it."""
    run = runs.write(tmp_path / "run", runs.small(1))
    call(tmp_path, "add", str(run))
    moved = run.rename(tmp_path / "renamed")
    library = ["--library", str(tmp_path / "library")]
    for words in (["check"], ["check", "--repair"]):
        done = CliRunner().invoke(make_app(), [*words, *library])
        assert f"lost audio: {run}: 3 files" in done.stderr
        assert "whole" not in done.stdout
        assert isinstance(done.exception, ReampsError)
        assert "library add DIR" in str(done.exception)
        assert "--repair" not in str(done.exception)
    with pytest.raises(ReampsError, match=r"nowhere any more.*library add DIR"):
        call(tmp_path, "pack", "-o", str(tmp_path / "pack"))
    told = call(tmp_path, "map").stderr
    assert "3 of them without audio" in told
    assert "library add DIR" in told
    call(tmp_path, "backup", str(tmp_path / "copy"))
    call(tmp_path, "add", str(moved))
    assert "whole" in call(tmp_path, "check").stdout
    assert "without audio" not in call(tmp_path, "map").stderr


def test_only_add_makes_a_library_and_says_so(tmp_path: Path) -> None:
    run = runs.write(tmp_path / "night" / "report", runs.small(1))
    with pytest.raises(ReampsError, match=r"Did you mean .*report"):
        call(tmp_path, "add", str(run.parent))
    assert not (tmp_path / "library").exists()
    assert "a new library" in call(tmp_path, "add", str(run)).stderr
    assert "a new library" not in call(tmp_path, "add", str(run)).stderr


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Path]:
    """A library that nobody may write to."""
    call(tmp_path, "add", "--copy", str(runs.write(tmp_path / "run", runs.small(1))))
    library = tmp_path / "library"
    places = [library, *library.rglob("*")]
    modes = [place.stat().st_mode for place in places]
    try:
        for place, mode in zip(places, modes, strict=True):
            place.chmod(mode & ~0o222)
        if os.access(library, os.W_OK):
            pytest.skip("this user may write to everything")
        yield tmp_path
    finally:
        for place, mode in zip(places, modes, strict=True):
            place.chmod(mode)


def test_a_library_that_cannot_be_written_to_is_read(locked: Path) -> None:
    assert [
        row["tones"] for row in json.loads(call(locked, "list", "--as", "json").stdout)
    ] == [3]
    assert "1 of 1 tone" in call(locked, "find", "ribbon").stderr
    assert "ribbon" in call(locked, "show", "2").stdout
    assert len(json.loads(call(locked, "similar", "1", "--as", "json").stdout)) == 2
    assert "3 tones" in call(locked, "map", "-o", str(locked / "map.html")).stderr
    assert "3 tones" in call(locked, "pack", "-o", str(locked / "pack")).stderr
    assert "1 session, 3 tones: whole" in call(locked, "check").stdout
    call(locked, "backup", str(locked / "copy"))
    other = runs.write(locked / "other", runs.small(2))
    for words in (("add", str(other)), ("remove", "1", "--yes"), ("map",)):
        with pytest.raises(OutputError, match="library"):
            call(locked, *words)


def test_a_log_beside_a_locked_catalogue_is_not_left_out(locked: Path) -> None:
    """The last changes may be in it alone; without them nothing is answered."""
    library = locked / "library"
    library.chmod(0o755)
    (library / "catalogue.sqlite-wal").touch(mode=0o444)
    library.chmod(0o555)
    with pytest.raises(ReampsError, match="cannot be used"):
        call(locked, "list", "--as", "json")


def test_one_is_no_plural(tmp_path: Path) -> None:
    run = runs.write(tmp_path / "run", invented.night(1, 1))
    pack = tmp_path / "pack"
    for words, told in (
        (("add", str(run)), "added, 1 tone\n"),
        (("check",), "1 session, 1 tone: whole\n"),
        (("find",), "1 of 1 tone\n"),
        (("map",), "1 tone\n"),
        (("pack", "-o", str(pack)), "1 tone (dyn one 1)"),
        (("backup", str(tmp_path / "copy")), "1 session copied"),
    ):
        assert told in call(tmp_path, *words).output
    for name in ("README.txt", "sheet.html"):
        assert "1 tone, all at" in (pack / name).read_text("utf-8")


def test_a_word_found_elsewhere_is_told(tmp_path: Path) -> None:
    night = runs.small(1)
    night["captures"][0]["notes"] = "the ribbon was borrowed"
    call(tmp_path, "add", str(runs.write(tmp_path / "run", night)))
    done = call(tmp_path, "find", "ribbon")
    assert "mic.type of 1" in done.stderr
    assert "notes of 1" in done.stderr
    done = call(tmp_path, "pack", "ribbon", "-o", str(tmp_path / "pack"))
    assert "2 tones (dyn one 1, rib one 1)" in done.stderr
    assert '--where "mic.type ~ ribbon"' in done.stderr


def test_several_words_need_no_quotes(root: Path) -> None:
    assert len(json.loads(call(root, "find", "ribbon", "cap", "--as", "json").stdout))


def test_every_command_has_help() -> None:
    app = make_app()
    for command in app.registered_commands:
        done = CliRunner().invoke(app, [str(command.name), "--help"])
        assert done.exit_code == 0
        assert len(done.stdout) > 200
