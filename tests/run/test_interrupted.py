"""Killed, interrupted, run again: the bytes of an undisturbed run (its own authority).

Fifty random instants and more: `python -m tests.benchmarks.kill_bench`.
"""

import os
import signal
import time

import pytest

from tests.run.nights import content, process, start, write_night

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
def test_an_interrupted_run_says_how_to_go_on(night, undisturbed, tmp_path, jobs):
    folder = tmp_path / "out"
    run = ("run", night, "--out", folder, "-q", "-j", jobs)
    with start(*run, start_new_session=True) as running:
        assert wait_for(running, folder, ".kept/locate-*")
        os.killpg(running.pid, signal.SIGINT)
        _, said = running.communicate(timeout=20)
    assert running.returncode == 130
    assert said == (
        "Interrupted. What was finished is kept; run the same command to go on.\n"
    )
    assert list(folder.glob(".kept/locate-*"))
    assert not list(folder.rglob(".reamps-*"))
    assert not list(folder.glob(".aligned-*"))
    assert process(night, folder).status == 0
    assert content(folder) == undisturbed
