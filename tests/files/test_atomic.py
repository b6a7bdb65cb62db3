"""Properties: a file is there whole or not at all, whatever happens."""

import errno
import hashlib
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.files.atomic import make_folder, replace_with, sweep, write_aside

ROOT = Path(__file__).parents[2]
SLOW_WRITER = """
import sys, time
from pathlib import Path
from pipeline.files.atomic import write_aside
with write_aside(Path(sys.argv[1])) as written:
    written.write(b"half")
    print("writing", flush=True)
    time.sleep(60)
"""


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_writes_and_replaces(tmp_path):
    path = tmp_path / "record.json"
    replace_with(path, b"one")
    assert path.read_bytes() == b"one"
    replace_with(path, b"two")
    assert path.read_bytes() == b"two"
    assert names(tmp_path) == ["record.json"]


def test_until_the_end_the_older_file_stays(tmp_path):
    path = tmp_path / "record.json"
    path.write_bytes(b"older")
    with write_aside(path) as written:
        written.write(b"new")
        assert written.sha256 == hashlib.sha256(b"new").hexdigest()
        assert path.read_bytes() == b"older"
        assert (written.size_bytes, len(names(tmp_path))) == (3, 2)
    assert path.read_bytes() == b"new"


class PlannedError(Exception):
    pass


def test_an_error_in_between_leaves_the_older_file(tmp_path):
    path = tmp_path / "record.json"
    path.write_bytes(b"older")

    def fail_in_between():
        with write_aside(path) as written:
            written.write(b"new")
            raise PlannedError

    with pytest.raises(PlannedError):
        fail_in_between()
    assert path.read_bytes() == b"older"
    assert names(tmp_path) == ["record.json"]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "no permission"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
@pytest.mark.parametrize("call", ["os.fsync", "pathlib.Path.replace"])
def test_a_disk_that_refuses(tmp_path, monkeypatch, code, words, call):
    """The system's codes for a full or read-only disk (POSIX errno)."""
    path = tmp_path / "record.json"
    path.write_bytes(b"older")

    def refuse(*_):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(call, refuse)
    with pytest.raises(OutputError, match=words) as caught:
        replace_with(path, b"new")
    assert "record.json" in str(caught.value)
    assert path.read_bytes() == b"older"
    assert names(tmp_path) == ["record.json"]


def in_blocks(path, content):
    with write_aside(path) as written:
        for letter in content:
            written.write(bytes([letter]))


@pytest.mark.parametrize("spoilt", [b"mew", b"ne", b"newer"])
@pytest.mark.parametrize("write", [replace_with, in_blocks])
def test_a_disk_that_lies(tmp_path, monkeypatch, write, spoilt):
    """What was forced to the disk is read back, and compared."""
    path = tmp_path / "record.json"
    path.write_bytes(b"older")
    plain = os.fsync

    def spoil(handle):
        plain(handle)
        for part in tmp_path.glob(".reamps-*"):
            part.write_bytes(spoilt)

    monkeypatch.setattr("os.fsync", spoil)
    with pytest.raises(OutputError, match="differs from what was written"):
        write(path, b"new")
    assert path.read_bytes() == b"older"
    assert names(tmp_path) == ["record.json"]


def test_a_full_disk_for_real(tmp_path):
    """A limit on the size of files stands in for a full disk, where there is one."""
    resource = pytest.importorskip("resource")
    script = (
        "import resource, sys; from pathlib import Path\n"
        "from pipeline.errors import OutputError\n"
        "from pipeline.files.atomic import replace_with\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        "try:\n"
        "    replace_with(Path(sys.argv[1]), bytes(100_000))\n"
        "except OutputError as error:\n"
        "    print('refused:', error)\n"
    )
    assert resource.RLIMIT_FSIZE is not None
    path = tmp_path / "record.json"
    path.write_bytes(b"older")
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    assert done.stdout.startswith("refused:")
    assert "could not be written" in done.stdout
    assert path.read_bytes() == b"older"
    assert names(tmp_path) == ["record.json"]


def test_a_killed_run_leaves_only_what_sweep_knows(tmp_path):
    path = tmp_path / "record.json"
    path.write_bytes(b"older")
    writer = subprocess.Popen(
        [sys.executable, "-c", SLOW_WRITER, str(path)],
        stdout=subprocess.PIPE,
        cwd=ROOT,
    )
    assert writer.stdout.readline().startswith(b"writing")
    writer.kill()
    writer.communicate()
    assert path.read_bytes() == b"older"
    assert len(names(tmp_path)) == 2
    assert len(sweep(tmp_path)) == 1
    assert names(tmp_path) == ["record.json"]


def test_sweep_takes_nothing_else(tmp_path):
    kept = [".reamps-lock", ".reamps-x.part", "a.part", "reamps-0123456789abcdef.part"]
    for name in kept:
        (tmp_path / name).write_bytes(b"")
    (tmp_path / ".reamps-0123456789abcdef.part").mkdir()
    leftover = tmp_path / ".reamps-0123456789abcdee.part"
    leftover.write_bytes(b"")
    assert sweep(tmp_path) == (leftover,)
    assert len(names(tmp_path)) == len(kept) + 1
    assert sweep(tmp_path / "nowhere") == ()


def test_make_folder(tmp_path):
    make_folder(tmp_path / "a" / "b")
    make_folder(tmp_path / "a" / "b")
    (tmp_path / "file").write_bytes(b"")
    for below in ("file", "file/sub"):
        with pytest.raises(OutputError, match="in the way"):
            make_folder(tmp_path / below)


def test_a_folder_in_the_way(tmp_path):
    (tmp_path / "record.json").mkdir()
    with pytest.raises(OutputError, match=r"record\.json"):
        replace_with(tmp_path / "record.json", b"new")
    assert names(tmp_path) == ["record.json"]


def test_older_files_are_never_half(tmp_path):
    """Killed at many instants, the file is one of the two versions, whole."""
    script = (
        "import sys; from pathlib import Path\n"
        "from pipeline.files.atomic import replace_with\n"
        "print('go', flush=True)\n"
        "while True:\n"
        "    for letter in (b'a', b'b'):\n"
        "        replace_with(Path(sys.argv[1]), letter * 200_000)\n"
    )
    path = tmp_path / "record.json"
    path.write_bytes(b"a" * 200_000)
    for pause_s in (0.0, 0.005, 0.011, 0.017, 0.023):
        writer = subprocess.Popen(
            [sys.executable, "-c", script, str(path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
        )
        writer.stdout.readline()
        time.sleep(pause_s)
        writer.kill()
        writer.communicate()
        assert path.read_bytes() in (b"a" * 200_000, b"b" * 200_000)
    sweep(tmp_path)
    assert names(tmp_path) == ["record.json"]
