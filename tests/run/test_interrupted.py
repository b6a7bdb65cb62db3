"""Killed, interrupted, run again: the bytes of an undisturbed run (its own authority).

Random instants by the hundred: `python -m tests.benchmarks.kill_bench` and
`python -m tests.benchmarks.interrupt_bench`.
"""

import os
import signal
import subprocess
import sys
import time

import pytest

from pipeline.interruption import MESSAGE
from tests.benchmarks.interrupt_bench import WAYS, members
from tests.run.nights import ROOT, content, process, start, write_night

POSIX = pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night"), captures=3, seconds=3.0)


@pytest.fixture(scope="module")
def undisturbed(night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("undisturbed")
    assert process(night, folder).status == 0
    return content(folder)


def wait_for(running, folder, pattern):
    """Wait until a run has come so far; False when it ended before."""
    while running.poll() is None:
        if folder.exists() and any(folder.glob(pattern)):
            return True
        time.sleep(0.005)
    return False


INSTANTS = (".reamps-lock", ".kept/describe-*", ".kept/measure-*", "listen/*", "*.csv")


def test_a_run_that_was_killed_again_and_again_ends_like_any_other(
    night, undisturbed, tmp_path
):
    folder = tmp_path / "out"
    for instant in INSTANTS:
        with start("run", night, "--out", folder, "-q", "-j", 1) as running:
            assert wait_for(running, folder, instant)
            running.kill()
    assert process(night, folder).status == 0
    assert content(folder) == undisturbed
    assert not list(folder.rglob(".reamps-*"))
    assert not list(folder.glob(".aligned-*"))


@POSIX
@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.name)
def test_an_interrupted_run_says_how_to_go_on(night, undisturbed, tmp_path, jobs, way):
    folder = tmp_path / "out"
    run = ("run", night, "--out", folder, "-q", "-j", jobs)
    with start(*run, start_new_session=True) as running:
        assert wait_for(running, folder, ".kept/locate-*")
        way(running.pid)
        _, said = running.communicate(timeout=20)
    assert (running.returncode, said) == (130, f"{MESSAGE}\n")
    assert list(folder.glob(".kept/locate-*"))
    assert what_is_left(running.pid, folder) == []
    assert process(night, folder).status == 0
    assert content(folder) == undisturbed


@POSIX
@pytest.mark.parametrize("jobs", [1, 2])
def test_interrupted_again_and_again_a_run_ends_like_any_other(
    night, undisturbed, tmp_path, jobs
):
    folder = tmp_path / "out"
    for instant in (*INSTANTS[:2], ".aligned-*/*", *INSTANTS[2:], "record.json"):
        run = ("run", night, "--out", folder, "-q", "-j", jobs)
        with start(*run, start_new_session=True) as running:
            wait_for(running, folder, instant)
            os.killpg(running.pid, signal.SIGINT)
            _, said = running.communicate(timeout=20)
        # The last instants may fall behind the end.
        ends = {(130, f"{MESSAGE}\n"), (0, "")}
        assert (running.returncode, said) in ends
        assert what_is_left(running.pid, folder) == []
        # What lies there is whole.
        found = content(folder)
        assert {name: undisturbed[name] for name in found} == found
    assert process(night, folder).status == 0
    assert content(folder) == undisturbed


def what_is_left(session, folder):
    """Processes of a session that do not end, and temporary files."""
    end = time.monotonic() + 10.0
    while (left := members(session)) and time.monotonic() < end:
        time.sleep(0.01)
    names = [path.name for path in folder.rglob(".*")]
    return left + [n for n in names if n.startswith((".reamps-", ".aligned-"))]


MARK = "from pathlib import Path; Path(MARKER).touch(); import time; "
IMPORTED = {
    "waits": f"{MARK}time.sleep(60)",
    # As when a dataclass is made; CPython takes that for uncaught.
    "in a text": f'exec("""{MARK}time.sleep(60)""")',
    # As importing itself has them, for its locks.
    "in a finaliser": (
        f"class Lock:\n    def __del__(self):\n        {MARK}time.sleep(60)\n"
        "Lock()\nimport time\ntime.sleep(60)"
    ),
    "turns it into something else": (
        f"{MARK}\ntry:\n    time.sleep(60)\n"
        "except BaseException:\n    raise ImportError('no array library')"
    ),
    "never ends": (
        f"{MARK}\nwhile True:\n    try:\n        time.sleep(60)\n"
        "    except BaseException:\n        pass"
    ),
}


@POSIX
@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("what", IMPORTED)
def test_while_it_imports_an_interruption_is_heard(tmp_path, monkeypatch, what, times):
    # A library in the place of the first one that takes long to import.
    marker = tmp_path / "marker"
    code = IMPORTED[what].replace("MARKER", f"'{marker}'")
    (tmp_path / "typer.py").write_text(code, encoding="utf-8")
    paths = os.pathsep.join([str(tmp_path), str(ROOT)])
    monkeypatch.setenv("PYTHONPATH", paths)
    with start("run", "x.toml", start_new_session=True, cwd=tmp_path) as running:
        assert wait_for(running, tmp_path, "marker")
        began = time.monotonic()
        for _ in range(times):
            os.killpg(running.pid, signal.SIGINT)
            time.sleep(0.02)
        _, said = running.communicate(timeout=20)
    assert (running.returncode, said) == (130, f"{MESSAGE}\n")
    assert time.monotonic() - began < 2.0


@POSIX
def test_who_is_told_to_ignore_a_signal_ignores_it(night, undisturbed, tmp_path):
    # As nohup does for SIGHUP, and a shell for SIGINT of what runs behind it.
    folder = tmp_path / "out"
    ignored = (signal.SIGINT, signal.SIGHUP)

    def ignore():
        for number in ignored:
            signal.signal(number, signal.SIG_IGN)

    run = ("run", night, "--out", folder, "-q", "-j", 1)
    with start(*run, start_new_session=True, preexec_fn=ignore) as running:
        assert wait_for(running, folder, ".kept/describe-*")
        for number in ignored:
            os.killpg(running.pid, number)
        _, said = running.communicate(timeout=300)
    assert (running.returncode, said) == (0, "")
    assert content(folder) == undisturbed


@POSIX
def test_watching_ends_by_an_interruption(night):
    audio = night.parent / "audio"
    with start("watch", audio, "--di", audio / "di.wav") as running:
        assert "Ctrl-C ends" in running.stderr.readline()
        running.send_signal(signal.SIGINT)
        _, said = running.communicate(timeout=20)
    assert running.returncode == 0
    assert "Interrupted" not in said


HELD = """
import os, signal, time
from pipeline import interruption
interruption.begin()
steps = []
with interruption.expected(), interruption.let_through():
    for _ in range(2):
        try:
            with interruption.held():
                os.kill(os.getpid(), signal.SIGINT)
                time.sleep(0.1)
                steps.append("whole")
            steps.append("not reached")
        except KeyboardInterrupt:
            steps.append("then raised")
print(*steps, interruption.end(7), sep=", ")
"""


@POSIX
def test_what_must_not_stop_half_way_does_not():
    done = subprocess.run(
        [sys.executable, "-c", HELD],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "whole, then raised, whole, then raised, 7\n"
