"""What is made before it is asked for is what would have been made, or is not used."""

import pytest

from pipeline.errors import OutputError
from pipeline.models.plan import DI_NAME
from pipeline.run import judging, writing
from pipeline.run.service import Options, run_manifests
from pipeline.run.tasks import ahead, measure
from tests.run.nights import content
from tests.run.sessions import write_session

QUIET = Options(jobs=1, quiet=True)
ALONE = {"loud", "early"}
TOGETHER = {"close", "dark"}


@pytest.fixture(autouse=True)
def at_one_time(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")


@pytest.fixture
def calls(monkeypatch):
    """Who was cut, and who was written, only when it was asked for."""
    seen = {"cut": [], "written": []}

    def cut(one):
        seen["cut"].append(one.source.path.name)
        return usual_cut(one)

    def write(task):
        seen["written"].append(task.file.path.stem)
        return usual_write(task)

    usual_cut, usual_write = measure.cut_capture, ahead.write_capture
    monkeypatch.setattr(measure, "cut_capture", cut)
    monkeypatch.setattr(ahead, "write_capture", write)
    return seen


def run(manifest, folder):
    (outcome,) = run_manifests([manifest], folder, QUIET)
    return outcome.record


def run_step_by_step(manifest, folder, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(judging, "plan_ahead", lambda *_: {})
        return run(manifest, folder)


def test_a_capture_is_cut_once(tmp_path, calls):
    session = write_session(tmp_path)
    record = run(session.manifest, tmp_path / "out")
    # Two microphones of one pass wait for each other; their samples lie on the bench.
    assert calls["cut"] == ["p01.wav", "p01.wav"]
    blends = {blend.id for blend in record.blends}
    assert len(calls["written"]) == len(blends)
    assert not {*calls["written"]} & (ALONE | TOGETHER | {DI_NAME})


WITH_TRIMS = '{"close": -1.5, "loud": 0.75}'
ONE_PASS_MORE = """
[[capture]]
id = "again"
file = "audio/p03.wav"
setup = "low"
"""


@pytest.mark.parametrize(
    ("extra", "swap", "trims"),
    [
        ("", ("", ""), None),
        ("", ("[di]", "[loudness]\ntarget_lufs = -6.0\n[di]"), None),
        ("", ("[di]", '[align]\nmode = "mic"\n[di]'), None),
        ("", ("", ""), WITH_TRIMS),
        (ONE_PASS_MORE, ("", ""), None),
    ],
    ids=["as wanted", "lowered", "each mic", "trimmed", "one more"],
)
def test_a_run_ends_as_step_by_step(tmp_path, monkeypatch, extra, swap, trims):
    session = write_session(tmp_path, extra=extra)
    text = session.manifest.read_text(encoding="utf-8")
    session.manifest.write_text(text.replace(*swap, 1), encoding="utf-8")
    for name in ("out", "slow"):
        (tmp_path / name).mkdir()
        if trims:
            (tmp_path / name / "trims.json").write_text(trims, encoding="utf-8")
    run(session.manifest, tmp_path / "out")
    run_step_by_step(session.manifest, tmp_path / "slow", monkeypatch)
    assert content(tmp_path / "out") == content(tmp_path / "slow")


def test_another_level_is_written_anew(tmp_path, calls):
    session = write_session(tmp_path)
    text = session.manifest.read_text(encoding="utf-8")
    loud = text.replace("[di]", "[loudness]\ntarget_lufs = -6.0\n[di]", 1)
    session.manifest.write_text(loud, encoding="utf-8")
    record = run(session.manifest, tmp_path / "out")
    assert record.loudness.lowered_for is not None
    # But the DI, which its own peaks hold back at either level.
    assert {*calls["written"]} >= ALONE | TOGETHER
    assert DI_NAME not in calls["written"]


def test_nothing_made_ahead_is_left(tmp_path):
    # Once more at a level that is lowered: what was written for the wanted one goes.
    session = write_session(tmp_path)
    before = session.manifest.read_text(encoding="utf-8")
    loud = before.replace("[di]", "[loudness]\ntarget_lufs = -6.0\n[di]", 1)
    session.manifest.write_text(loud, encoding="utf-8")
    record = run(session.manifest, tmp_path / "out")
    assert not list((tmp_path / "out").glob(".aligned-*"))
    written = {path.name for path in (tmp_path / "out/audio").iterdir()}
    assert written == {f"{capture.id}.wav" for capture in record.captures}


def test_a_disk_that_is_full_for_a_while_costs_only_time(tmp_path, monkeypatch):
    session = write_session(tmp_path)
    run(session.manifest, tmp_path / "slow")

    def full(task, samples, path, listen):
        if path.parent.name.startswith(".aligned"):
            message = f"{path}: the disk is full"
            raise OutputError(message)
        return usual(task, samples, path, listen)

    usual = ahead.write_samples
    monkeypatch.setattr(ahead, "write_samples", full)
    run(session.manifest, tmp_path / "out")
    assert content(tmp_path / "out") == content(tmp_path / "slow")


@pytest.mark.parametrize("suffix", [".wav", ".js", ".json"])
def test_what_is_gone_from_the_bench_is_made_again(tmp_path, monkeypatch, suffix):
    # As where a worker died after it had put one of two files in its place.
    session = write_session(tmp_path)
    run(session.manifest, tmp_path / "slow")
    usual = writing.write_early

    def losing(early):
        for left in (tmp_path / "out").glob(f".aligned-*/*{suffix}"):
            left.unlink()
        return usual(early)

    monkeypatch.setattr(writing, "write_early", losing)
    run(session.manifest, tmp_path / "out")
    assert content(tmp_path / "out") == content(tmp_path / "slow")
