"""Properties: one holder at a time, and none after its death."""

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.files.hold import hold_folder

ROOT = Path(__file__).parents[2]
HOLDER = """
import sys, time
from pathlib import Path
from pipeline.files.hold import hold_folder
with hold_folder(Path(sys.argv[1]), "the other run"):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def other_run(tmp_path):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)], stdout=subprocess.PIPE, cwd=ROOT
    )
    assert holder.stdout.readline().startswith(b"held")
    yield holder
    holder.kill()
    holder.wait()
    holder.stdout.close()


def test_leaves_nothing_behind(tmp_path):
    for _ in range(2):
        with hold_folder(tmp_path, "process 1"):
            assert any(tmp_path.iterdir())
        assert not any(tmp_path.iterdir())


def test_two_holds_in_one_process(tmp_path):
    with (
        hold_folder(tmp_path, "process 1 since noon"),
        pytest.raises(OutputError, match=r"another run is writing there .process 1"),
        hold_folder(tmp_path, "process 2"),
    ):
        pass
    with hold_folder(tmp_path, "process 3"):
        pass


@pytest.mark.usefixtures("other_run")
def test_a_second_run_is_refused(tmp_path):
    with (
        pytest.raises(OutputError, match=r"the other run.*Wait until it ends"),
        hold_folder(tmp_path, "me"),
    ):
        pass


def test_a_killed_holder_lets_go(tmp_path, other_run):
    other_run.kill()
    other_run.wait()
    assert (tmp_path / ".reamps-lock").exists()
    with hold_folder(tmp_path, "me"):
        pass
    assert not any(tmp_path.iterdir())


def test_two_folders_are_strangers(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with hold_folder(tmp_path / "a", "me"), hold_folder(tmp_path / "b", "me"):
        pass


def test_no_folder(tmp_path):
    with (
        pytest.raises(OutputError, match="could not be written"),
        hold_folder(tmp_path / "no", "me"),
    ):
        pass


def test_a_foreign_file_in_its_place(tmp_path):
    (tmp_path / ".reamps-lock").write_bytes(b"not a lock" * 100)
    with (
        pytest.raises(OutputError, match=r"is not a lock of this program.*Remove it"),
        hold_folder(tmp_path, "me"),
    ):
        pass


class PlannedError(Exception):
    pass


def test_an_error_lets_go(tmp_path):
    with pytest.raises(PlannedError), hold_folder(tmp_path, "me"):
        raise PlannedError
    with hold_folder(tmp_path, "me"):
        pass


def test_a_disk_that_fails_is_not_called_another_run(tmp_path, monkeypatch):
    class Failing:
        def execute(self, _):
            msg = "disk I/O error"
            raise sqlite3.OperationalError(msg)

        def close(self):
            pass

    monkeypatch.setattr(sqlite3, "connect", lambda *_, **__: Failing())
    with (
        pytest.raises(OutputError, match=r"cannot be held \(disk I/O error\)"),
        hold_folder(tmp_path, "process 1"),
    ):
        pass
