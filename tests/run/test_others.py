"""A capture of the wrong take is told which DI it belongs to; truth by construction."""

from contextlib import suppress

import numpy as np
import pytest
import soundfile

from pipeline.files.manifest import read_plan
from pipeline.run.around import Sources
from pipeline.run.others import find_others
from pipeline.run.service import Options, run_manifests
from pipeline.stages.di import inspect_di
from tests.run.sessions import RATE, late, plucks, rig


def run_night(folder, seconds, captures):
    """Run captures of one DI, with another DI and a noise beside it."""
    rng = np.random.default_rng(3)
    di, other = plucks(1, seconds), plucks(8, seconds)
    files = {
        "di-verse": di,
        "di-chorus": other,
        "room tone": 1e-3 * rng.normal(size=3 * RATE),
        "good": 0.5 * late(rig(di, 3.0, 5000.0), 500),
        "wrong": 0.5 * late(rig(other, 3.0, 5000.0), 500),
        "asleep": 1e-3 * rng.normal(size=len(di)),
    }
    for name, sound in files.items():
        noisy = sound + 1e-5 * rng.normal(size=len(sound))
        soundfile.write(folder / f"{name}.wav", noisy, RATE, subtype="PCM_24")
    manifest = folder / "session.toml"
    head = 'format = 1\n[session]\nname = "Takes"\n[di]\nfile = "di-verse.wav"\n'
    listed = "".join(f'[[capture]]\nfile = "{name}.wav"\n' for name in captures)
    manifest.write_text(head + listed, encoding="utf-8")
    (outcome,) = run_manifests([manifest], folder / "out", Options(jobs=1, quiet=True))
    return {capture.id: capture for capture in outcome.record.captures}


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """One good capture, one of another take, and one of an amplifier on stand-by."""
    folder = tmp_path_factory.mktemp("takes")
    return run_night(folder, 8.0, ("good", "wrong", "asleep"))


def test_the_wrong_take_names_its_own_di(night):
    found = {finding.code: finding for finding in night["wrong"].findings}
    assert night["wrong"].status == "rejected"
    assert found["not_this_di"].severity == "reject"
    assert "'di-chorus.wav'" in found["other_di"].message
    assert "muted" not in found


def test_stand_by_is_told_from_another_take(night):
    codes = {finding.code for finding in night["asleep"].findings}
    assert codes == {"not_this_di", "muted"}


def test_a_sound_capture_is_held_against_nothing_else(night):
    assert night["good"].status == "ok"
    assert not night["good"].findings


def test_a_short_di_leaves_doubt_and_the_other_di_ends_it(tmp_path):
    # A second of playing: too little to reject the other take by itself.
    wrong = run_night(tmp_path, 3.2, ("wrong",))["wrong"]
    codes = {finding.code for finding in wrong.findings}
    assert {"low_confidence", "other_di"} <= codes


def test_three_seconds_of_playing_are_enough_to_reject_the_other_take(tmp_path):
    wrong = run_night(tmp_path, 5.0, ("wrong",))["wrong"]
    codes = {finding.code for finding in wrong.findings}
    assert wrong.status == "rejected"
    assert {"not_this_di", "other_di"} <= codes


def test_files_named_like_a_di_are_tried_first(tmp_path):
    for name in ("amp", "bridge_DI", "chorus-dry", "dinner", "di-verse"):
        sound = plucks(1, 3.0)
        soundfile.write(tmp_path / f"{name}.wav", sound, RATE, subtype="PCM_24")
    (tmp_path / "notes.txt").write_text("no sound", encoding="utf-8")
    with suppress(OSError):
        (tmp_path / "di-circle.wav").symlink_to(tmp_path / "di-circle.wav")
    manifest = tmp_path / "session.toml"
    manifest.write_text(
        'format = 1\n[session]\nname = "Takes"\n[di]\nfile = "di-verse.wav"\n'
        '[[capture]]\nfile = "amp.wav"\n',
        encoding="utf-8",
    )
    plan = read_plan(manifest)
    di = inspect_di(plan.di_path, 1)
    others = find_others(Sources(plan, di, "", {}))
    assert [other.path.name for other in others] == [
        "bridge_DI.wav",
        "chorus-dry.wav",
        "dinner.wav",
    ]
