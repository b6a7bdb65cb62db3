"""Who works, who dies, who is told: truth by construction, with real processes."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.errors import ReampsError
from pipeline.run.executor import open_workers
from tests.run.nights import ROOT
from tests.run.slow_tasks import die_always, die_once, double, refuse

POSIX = pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")


def start_sleepers(folder: Path, jobs: int, *more: str) -> subprocess.Popen:
    """Start a process whose tasks last a minute; return once they are at work."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.run.slow_tasks", folder, str(jobs), *more],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    end = time.monotonic() + 60.0
    while len(list(folder.iterdir())) < jobs:
        assert time.monotonic() < end
        assert process.poll() is None
        time.sleep(0.02)
    return process


def alive(pid: int) -> bool:
    """Whether a process is there; one that has ended and waits to be reaped is not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not (
        state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z"
    )


def all_end(folder: Path) -> bool:
    """Whether every process that said it was at work ends within 5 seconds."""
    end = time.monotonic() + 5.0
    pids = [int(path.name) for path in folder.iterdir()]
    while any(alive(pid) for pid in pids):
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


@POSIX
@pytest.mark.parametrize("jobs", [1, 2])
def test_an_interruption_does_not_wait_for_tasks(tmp_path, jobs):
    # Tasks of a minute: whoever waited for one would pass the limit.
    process = start_sleepers(tmp_path, jobs)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=20.0)
    assert said.count("Traceback") == 1
    assert said.rstrip().endswith("KeyboardInterrupt")
    assert all_end(tmp_path)


@POSIX
def test_an_interruption_does_not_wait_for_half_a_result(tmp_path):
    # Whoever read it would wait for the other half for ever.
    process = start_sleepers(tmp_path, 2, "half")
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=20.0)
    assert said.rstrip().endswith("KeyboardInterrupt")
    assert "leaked" not in said
    assert all_end(tmp_path)


@POSIX
def test_workers_end_with_a_killed_parent(tmp_path):
    process = start_sleepers(tmp_path, 2)
    process.kill()
    process.communicate(timeout=20.0)
    assert all_end(tmp_path)


@pytest.mark.parametrize("jobs", [1, 2])
def test_every_result_comes_once_with_its_index(jobs):
    got = []
    with open_workers(jobs) as workers:
        workers.map(
            double, range(20), lambda index, result: got.append((index, result))
        )
        workers.map(double, [], lambda *_: pytest.fail("there was nothing to do"))
    assert sorted(got) == [(index, 2 * index) for index in range(20)]


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_waits_for_a_result_is_done_after_it(jobs):
    tasks, got = [1, 2], []

    def done(index, result):
        got.append((tasks[index], result))
        if result < 100:
            # Every number is followed by its double.
            tasks.append(result)

    with open_workers(jobs) as workers:
        workers.map(double, tasks, done)
    numbers = [1, 2, 2, 4, 4, 8, 8, 16, 16, 32, 32, 64, 64]
    assert sorted(got) == [(number, 2 * number) for number in numbers]


def test_what_is_appended_outlives_a_process_that_died(tmp_path):
    tasks, got = [tmp_path / "a"], []

    def done(_index, result):
        got.append(result)
        if result == "a":
            tasks.append(tmp_path / "b")

    with open_workers(2) as workers:
        workers.map(die_once, tasks, done)
    assert got == ["a", "b"]


def test_a_task_whose_process_died_is_done_by_another(tmp_path):
    got = {}
    with open_workers(2) as workers:
        tasks = [tmp_path / "a", tmp_path / "b"]
        workers.map(die_once, tasks, got.__setitem__)
    assert got == {0: "a", 1: "b"}


def test_processes_that_keep_dying_are_no_bug_of_ours():
    with open_workers(2) as workers:
        with pytest.raises(ReampsError, match="--jobs 1"):
            workers.map(die_always, [1], lambda *_: None)
        got = {}
        workers.map(double, [4], got.__setitem__)
    assert got == {0: 8}


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_failure_comes_through_and_the_workers_live_on(jobs):
    with open_workers(jobs) as workers:
        with pytest.raises(ValueError, match="three"):
            workers.map(refuse, range(6), lambda *_: None)
        got = {}
        workers.map(refuse, [1], got.__setitem__)
    assert got == {0: 1}


@pytest.mark.skipif(sys.platform != "linux", reason="spawned elsewhere")
def test_an_interruption_while_workers_import_is_told_once():
    # The server from which workers are forked is in the terminal's group, too.
    code = (
        "import os, signal, time; from pipeline.run.begin import ready_to_begin; "
        "signal.signal(signal.SIGINT, lambda *_: None); "
        "ready_to_begin(); time.sleep(0.4); "
        "os.killpg(0, signal.SIGINT); time.sleep(0.4)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        start_new_session=True,
    )
    assert done.stderr == ""
