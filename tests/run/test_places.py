"""Where results cannot go, and what must stay as it was: truth by construction."""

import errno
import hashlib
import json
import os
import pickle
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import AudioError, OutputError, ReampsError
from pipeline.files.hold import hold_folder
from pipeline.run.service import Options, explain, run_manifests
from pipeline.stages.di import load_di
from tests.run.nights import content, finish, process, start, write_night

QUIET = Options(jobs=1, quiet=True)


@pytest.fixture(autouse=True)
def _fixed_time(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night"), captures=3, seconds=3.0)


@pytest.fixture(scope="module")
def undisturbed(night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("undisturbed")
    assert process(night, folder).status == 0
    return content(folder)


def tree(folder):
    """Names, contents and times of change of everything in a folder."""
    return {
        path.relative_to(folder).as_posix(): (
            path.lstat().st_mtime_ns,
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None,
        )
        for path in [folder, *folder.rglob("*")]
    }


class Disk:
    """A disk with so many bytes of room for files that are written aside."""

    def __init__(self, monkeypatch, room, reason=errno.ENOSPC):
        self.room, self._reason = room, reason
        usual = Path.open

        def opened(path, mode="r", *args, **options):
            if not {"x", "w"} & set(mode):
                return usual(path, mode, *args, **options)
            if self._reason == errno.EROFS:
                raise OSError(self._reason, os.strerror(self._reason))
            file = usual(path, mode, *args, **options)
            return _Filling(file, self)

        monkeypatch.setattr(Path, "open", opened)

    def take(self, size):
        if size > self.room:
            raise OSError(self._reason, os.strerror(self._reason))
        self.room -= size


class _Filling:
    def __init__(self, file, disk):
        self._file, self._disk = file, disk

    def write(self, block):
        size = len(block) if isinstance(block, str) else memoryview(block).nbytes
        self._disk.take(size)
        return self._file.write(block)

    def __getattr__(self, name):
        return getattr(self._file, name)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._file.close()


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9])
def test_a_full_disk_loses_nothing(night, undisturbed, tmp_path, monkeypatch, share):
    whole = sum(map(len, undisturbed.values()))
    with monkeypatch.context() as patch:
        Disk(patch, int(share * whole))
        with pytest.raises(
            OutputError, match=r"the disk is full: make room.*run again"
        ):
            run_manifests([night], tmp_path / "out", QUIET)
    assert not list((tmp_path / "out").rglob(".reamps-*"))
    assert not list((tmp_path / "out").glob(".aligned-*"))
    run_manifests([night], tmp_path / "out", QUIET)
    assert content(tmp_path / "out") == undisturbed


def test_a_full_disk_keeps_the_older_result(night, undisturbed, tmp_path, monkeypatch):
    run_manifests([night], tmp_path / "out", QUIET)
    other = night.with_name("other.toml")
    text = night.read_text(encoding="utf-8")
    other.write_text(f"{text}[loudness]\ntarget_lufs = -30.0\n", encoding="utf-8")
    with monkeypatch.context() as patch:
        Disk(patch, 1000)
        with pytest.raises(OutputError, match="the disk is full"):
            run_manifests([other], tmp_path / "out", QUIET)
    other.unlink()
    assert content(tmp_path / "out") == undisturbed


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 1.5 MB, where the system lets us have one."""
    if shutil.which("mount") is None:
        pytest.skip("no way to mount")
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1500k", "none", folder]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("not allowed to mount")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_disk_that_is_really_full(night, undisturbed, tmp_path, small_disk, jobs):
    out = small_disk / "out"
    status, _, said = finish("run", night, "--out", out, "-q", "-j", jobs)
    assert (status, "the disk is full: make room" in said) == (1, True), said
    assert not list(out.rglob(".reamps-*"))
    moved = tmp_path / "moved"
    shutil.copytree(out, moved)
    run_manifests([night], moved, QUIET)
    assert content(moved) == undisturbed


def test_a_read_only_place_is_refused(night, tmp_path, monkeypatch):
    (tmp_path / "out").mkdir()
    Disk(monkeypatch, 0, errno.EROFS)
    with pytest.raises(OutputError, match="read-only: choose another folder"):
        run_manifests([night], tmp_path / "out", QUIET)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="Linux")
def test_a_place_that_takes_no_folders_is_refused(night):
    status, _, said = finish("run", night, "--out", "/proc/here", "-q", "-j", 1)
    assert status == 1, said
    assert "could not be written" in said


def test_a_file_in_the_way_is_refused(night, tmp_path):
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    for folder in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(OutputError, match="in the way"):
            run_manifests([night], folder, QUIET)
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("name", ["audio", "dry", "listen", "blends", ".kept", "."])
def test_results_never_go_among_sources(tmp_path, name):
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    text = manifest.read_text(encoding="utf-8").replace('"audio/', f'"{name}/')
    shutil.copytree(tmp_path / "night" / "audio", tmp_path / name, dirs_exist_ok=True)
    moved = tmp_path / "session.toml"
    moved.write_text(text, encoding="utf-8")
    before = tree(tmp_path)
    with pytest.raises(OutputError, match=r"where the source di\.wav lies"):
        run_manifests([moved], tmp_path, QUIET)
    assert tree(tmp_path) == before


def test_a_link_to_the_sources_is_seen_through(night, tmp_path):
    (tmp_path / "out").mkdir()
    try:
        (tmp_path / "out" / "audio").symlink_to(night.parent / "audio")
    except OSError:
        pytest.skip("no links here")
    before = tree(night.parent)
    with pytest.raises(OutputError, match="where the source"):
        run_manifests([night], tmp_path / "out", QUIET)
    assert tree(night.parent) == before


def test_sources_that_are_links_to_results_are_seen_through(tmp_path):
    # `out/audio` may hold an older result: not as the source of the next one.
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    (tmp_path / "out").mkdir()
    (tmp_path / "night" / "audio").rename(tmp_path / "out" / "audio")
    (tmp_path / "night" / "audio").mkdir()
    for path in (tmp_path / "out" / "audio").iterdir():
        try:
            (tmp_path / "night" / "audio" / path.name).symlink_to(path)
        except OSError:
            pytest.skip("no links here")
    (tmp_path / "out" / "record.json").write_text("{}", encoding="utf-8")
    before = tree(tmp_path)
    with pytest.raises(OutputError, match=r"where the source di\.wav lies"):
        run_manifests([manifest], tmp_path / "out", QUIET)
    assert tree(tmp_path) == before


def test_another_nights_results_are_not_replaced(night, undisturbed, tmp_path):
    # Under one name in one call, and one after the other into one folder.
    other = write_night(tmp_path / "later", captures=2, seconds=4.0)
    out = tmp_path / "out"
    first, second = run_manifests([night, other], out, QUIET)
    assert (first.status, second.status) == (0, 1)
    with pytest.raises(OutputError, match="holds the results of another session"):
        run_manifests([other], out / "boat-house", QUIET)
    with pytest.raises(OutputError, match="holds the results of another session"):
        explain(other, out / "boat-house", QUIET)
    assert content(out / "boat-house") == undisturbed


def test_a_night_that_moved_and_one_that_was_recorded_again_stay(tmp_path):
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    run_manifests([manifest], tmp_path / "out", QUIET)
    (tmp_path / "night").rename(tmp_path / "moved")
    moved = tmp_path / "moved" / "session.toml"
    assert run_manifests([moved], tmp_path / "out", QUIET)[0].status == 0
    write_night(tmp_path / "moved", captures=2, seconds=4.0)
    assert run_manifests([moved], tmp_path / "out", QUIET)[0].status == 0


def test_other_capitals_are_another_file_only_where_the_disk_says_so(tmp_path):
    # A disk without capitals shows one file under both names, as a second link does.
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    out = tmp_path / "out"
    run_manifests([manifest], out, QUIET)
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace('id = "p001"', 'id = "P001"'), encoding="utf-8")
    (out / "audio" / "P001.wav").hardlink_to(out / "audio" / "p001.wav")
    run_manifests([manifest], out, QUIET)
    names = {path.name for path in (out / "audio").iterdir()}
    assert names == {"p000.wav", "P001.wav", "p001-b.wav"}


def test_a_stale_file_that_is_the_new_one_stays(tmp_path, monkeypatch):
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    out = tmp_path / "out"
    run_manifests([manifest], out, QUIET)
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace('id = "p001"', 'id = "P001"'), encoding="utf-8")
    monkeypatch.setattr(
        Path,
        "samefile",
        lambda one, other: str(one).casefold() == str(other).casefold(),
    )
    run_manifests([manifest], out, QUIET)
    assert {"p001.wav", "P001.wav"} <= {path.name for path in (out / "audio").iterdir()}


def test_files_of_somebody_else_are_not_replaced(night, tmp_path):
    (tmp_path / "out" / "audio").mkdir(parents=True)
    mine = tmp_path / "out" / "audio" / "p000.wav"
    mine.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="no run has written into"):
        run_manifests([night], tmp_path / "out", QUIET)
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_manifest_is_not_replaced(night, tmp_path):
    text = night.read_text(encoding="utf-8")
    audio = json.dumps(f"{night.parent.as_posix()}/audio/")[1:-1]
    manifest = tmp_path / "record.json"
    manifest.write_text(text.replace('"audio/', f'"{audio}'), encoding="utf-8")
    before = manifest.read_bytes()
    with pytest.raises(OutputError, match="would replace the manifest"):
        run_manifests([manifest], tmp_path, QUIET)
    assert manifest.read_bytes() == before


def test_two_runs_at_once_do_not_mix(night, undisturbed, tmp_path):
    folder = tmp_path / "out"
    with start("run", night, "--out", folder, "-q", "-j", 1) as first:
        while not (folder / ".reamps-holder").exists() and first.poll() is None:
            time.sleep(0.01)
        with pytest.raises(OutputError, match="another run is writing there"):
            run_manifests([night], folder, QUIET)
        first.communicate(timeout=300)
    assert first.returncode == 0
    assert content(folder) == undisturbed


def test_the_page_is_not_written_under_a_run(night, tmp_path, monkeypatch):
    run_manifests([night], tmp_path / "out", QUIET)
    monkeypatch.chdir(tmp_path)
    with hold_folder(tmp_path / "out", "reamps run"):
        invoke("report", "out", status=1)
    invoke("report", "out")


COMMANDS = (
    "check night/session.toml -q -j 1",
    "explain night/session.toml --out out",
    "run night/session.toml --out out -q -j 2",
    "run night/session.toml --out out -q -j 1",
    "report out",
    "schema",
    "playout night/audio/di.wav -o made/again.wav",
    "readback night/played.wav --playout night/played.playout.json",
    "watch night/audio --di night/audio/di.wav --all --passes 1",
    "draft night/audio --di night/audio/di.wav -o made/drafted.toml -j 1",
    "sheet night/session.toml -o made/sheet.csv",
    "recall night/session.toml -o made/recall.html",
    "responses out p000 --di night/audio/di.wav -o made/responses",
    "handover out -o made/handed",
    "shortlist out p000 p001 p001-b -o made/client.html",
    "picks out made/no-picks.json",
    "demo made/demo -q -j 2",
    "library add out --library made/library",
    "library list --library made/library",
    "library find low --library made/library",
    "library show 1 --library made/library",
    "library similar 1 --library made/library",
    "library similar --to night/audio/p000.wav --library made/library",
    "library judgements --library made/library",
    "library compare 1 1 --library made/library",
    "library map --library made/library",
    "library pack --out made/pack --library made/library",
    "library backup made/backup --library made/library",
    "library check --library made/library",
    "library remove 1 --yes --library made/library",
)
REFUSED = {"picks", "library compare"}
"""They are given what they refuse: no client has answered, there is one night only."""


def test_no_command_touches_a_source(tmp_path, monkeypatch):
    # Names, contents and times of change of the whole tree, before and after each.
    monkeypatch.chdir(tmp_path)
    write_night(tmp_path / "night", captures=2, seconds=3.0)
    (tmp_path / "made").mkdir()
    invoke("playout", "night/audio/di.wav", "-o", "night/played.wav")
    before = tree(tmp_path / "night")
    tried = set()
    for line in COMMANDS:
        words = line.split()
        name = " ".join(words[: 2 if words[0] == "library" else 1])
        tried.add(name)
        invoke(*words, status=1 if name in REFUSED else 0)
        assert tree(tmp_path / "night") == before, line
    assert tried == set(names_of(get_command(app)))


def names_of(command, *above):
    """Every command below a group of them, by its words."""
    for name, found in command.commands.items():
        if hasattr(found, "commands"):
            yield from names_of(found, *above, name)
        else:
            yield " ".join((*above, name))


def invoke(*words, status=0):
    """Run a command in this process, and hold that it ends as it should."""
    result = CliRunner().invoke(app, words)
    refused = isinstance(result.exception, ReampsError)
    ended = 1 if refused else result.exit_code
    known = refused or isinstance(result.exception, (SystemExit, type(None)))
    assert (ended, known) == (status, True), (words, result.output, result.exception)


def change(path):
    """Write to a file what another recording would hold."""
    content = bytearray(path.read_bytes())
    content[-60_000:] = bytes(60_000)
    path.write_bytes(content + bytes(6))


@pytest.mark.parametrize("name", ["di.wav", "p000.wav"])
@pytest.mark.parametrize("stage", ["locating.locate_early", "writing.write_early"])
def test_a_source_that_changes_is_not_mixed(tmp_path, monkeypatch, name, stage):
    # Changed after its content was hashed: before it is searched, or before it is
    # written, when nothing is left on the bench to write from.
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    source = tmp_path / "night" / "audio" / name
    before = source.read_bytes(), source.stat()
    module, _, function = f"pipeline.run.{stage}".rpartition(".")
    usual = getattr(sys.modules[module], function)
    when = []

    def changing(task):
        if not when:
            when.append(True)
            change(source)
            load_di.cache_clear()
            for left in (tmp_path / "out").glob(".aligned-*/*"):
                left.unlink()
        return usual(task)

    with monkeypatch.context() as patch:
        patch.setattr(f"{module}.{function}", changing)
        with pytest.raises(ReampsError, match=f"{name}: changed since"):
            run_manifests([manifest], tmp_path / "out", QUIET)
    # What was kept of the run that failed belongs to the content that was there.
    changed = source.read_bytes()
    run_manifests([manifest], tmp_path / "out", QUIET)
    run_manifests([manifest], tmp_path / "fresh", QUIET)
    assert content(tmp_path / "out") == content(tmp_path / "fresh")
    assert source.read_bytes() == changed
    source.write_bytes(before[0])
    run_manifests([manifest], tmp_path / "out", QUIET)
    run_manifests([manifest], tmp_path / "first", QUIET)
    assert content(tmp_path / "out") == content(tmp_path / "first")


def test_a_refusal_travels_between_processes():
    error = pickle.loads(pickle.dumps(AudioError("missing", "p.wav: gone")))  # noqa: S301 (our own bytes)
    assert (error.code, str(error)) == ("missing", "p.wav: gone")
