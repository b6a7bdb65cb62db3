"""The same session through a real scheduler with workers of its own on loopback.

Truth: the bytes of a run in one process.
"""

import os
import subprocess
import sys
import time

import pytest

from pipeline.errors import ReampsError
from pipeline.run.cluster import Sight, look, open_cluster, work
from pipeline.run.service import Options, run_manifests
from tests.run.nights import ONE_THREAD, ROOT, content, process, start, write_night

pytest.importorskip("distributed")

WORKER = "from distributed.cli.dask_worker import main; main()"
BLIND = f"import pipeline.run.cluster as c; c.size_of = lambda path: None; {WORKER}"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night"), captures=6)


@pytest.fixture(scope="module")
def alone(night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("alone")
    assert process(night, folder).status == 0
    return content(folder)


class Engine:
    """A scheduler and its workers, ended with the test."""

    def __init__(self, folder):
        self._folder = folder
        self._file = folder / "scheduler.json"
        self._started = []
        code = "from distributed.cli.dask_scheduler import main; main()"
        self._start(code, "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        end = time.monotonic() + 60.0
        while not self._file.exists() or not self._file.stat().st_size:
            assert time.monotonic() < end
            time.sleep(0.05)

    @property
    def address(self):
        import json

        return json.loads(self._file.read_text("utf-8"))["address"]

    def worker(self, code=WORKER):
        options = ("--nthreads", "1", "--no-nanny", "--no-dashboard")
        place = ("--local-directory", self._folder, "--host", "127.0.0.1")
        return self._start(code, *options, *place)

    def _start(self, code, *options):
        command = [sys.executable, "-c", code, *map(str, options)]
        process = subprocess.Popen(
            [*command, "--scheduler-file", self._file],
            cwd=ROOT,
            env={**os.environ, **ONE_THREAD},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._started.append(process)
        return process

    def stop(self):
        for begun in reversed(self._started):
            begun.kill()
            begun.wait()


@pytest.fixture
def engine(tmp_path):
    engine = Engine(tmp_path)
    yield engine
    engine.stop()


def test_a_night_on_two_workers_of_which_one_is_killed(night, alone, engine, tmp_path):
    victim, _ = engine.worker(), engine.worker()
    folder = tmp_path / "out"
    run = ("run", night, "--out", folder, "-q", "--cluster", engine.address)
    with start(*run) as running:
        # The first capture is found: others are at work on both.
        while running.poll() is None and not list(folder.glob(".kept/locate-*")):
            time.sleep(0.01)
        victim.kill()
        in_the_middle = running.poll() is None
        _, said = running.communicate(timeout=300)
    assert in_the_middle
    assert running.returncode == 0, said
    assert content(folder) == alone


def test_a_worker_without_the_files_is_named_before_any_work(night, engine, tmp_path):
    engine.worker(BLIND)
    folder = tmp_path / "out"
    options = Options(jobs=1, quiet=True, cluster=engine.address)
    with pytest.raises(ReampsError, match=r"tcp://127\.0\.0\.1.*di\.wav"):
        run_manifests([night], folder, options)
    assert not list(folder.glob("**/*.wav"))
    assert not list(folder.glob("**/.reamps-*"))


def test_a_scheduler_without_workers_is_refused(engine, monkeypatch):
    monkeypatch.setattr("pipeline.run.cluster._PATIENCE_S", 2.0)
    with (
        pytest.raises(ReampsError, match="no workers"),
        open_cluster(engine.address),
    ):
        pass


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "", "a b"])
def test_an_address_where_nobody_answers_is_refused(monkeypatch, address):
    monkeypatch.setattr("pipeline.run.cluster._PATIENCE_S", 0.5)
    with (
        pytest.raises(ReampsError, match="No scheduler answers"),
        open_cluster(address),
    ):
        pass


def test_without_the_extra_the_message_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(ReampsError, match=r"reamps\[cluster\]"),
        open_cluster("tcp://127.0.0.1:9"),
    ):
        pass


def test_what_a_worker_should_see(tmp_path):
    token, source = tmp_path / "token", tmp_path / "p.wav"
    token.touch()
    source.write_bytes(b"12345")
    from pipeline import __version__

    gone = tmp_path / "gone.wav"
    fine = Sight(__version__, ((source, 5), (gone, None)), token)
    assert look(fine) is None
    assert "p.wav" in look(Sight(__version__, ((source, 6),), token))
    assert "gone.wav" in look(Sight(__version__, ((gone, 6),), token))
    assert "version" in look(Sight("0", (), token))
    assert str(tmp_path) in look(Sight(__version__, (), gone))


def test_no_work_begins_for_a_run_that_has_ended(tmp_path):
    (tmp_path / "token").touch()
    assert work(abs, -3, tmp_path / "token") == 3
    with pytest.raises(ReampsError, match="does not see"):
        work(abs, -3, tmp_path / "gone")
