"""The whole job on real recordings, driven from outside as a user would."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from tests.real import session

ROOT = Path(__file__).parents[2]
REASON = session.reason_to_skip()
if REASON is None and not (ROOT / "pipeline" / "__main__.py").is_file():
    REASON = "the command line is not there yet"
pytestmark = pytest.mark.skipif(REASON is not None, reason=str(REASON))

SOME_REJECTED = 4
"""Exit status: processed, but some captures were rejected."""


MOST = 2
"""So many recordings are run whole, the longest first."""

LONGEST = session.recording_names()[:MOST]


@pytest.fixture(scope="module", params=LONGEST or ["none"])
def night(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    manifest, facts = session.write_real_session(folder / "night", request.param)
    out = folder / "report"
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "run", str(manifest), "--out", str(out)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == SOME_REJECTED, done.stderr
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    truth = json.loads(facts.read_text(encoding="utf-8"))
    return out, record, truth


def test_latency_is_within_two_samples(night):
    # Truth by construction: inserted lags. About one sample is inherent, because
    # poles above the usable band count as delay.
    _, record, truth = night
    errors = {}
    for one in record["captures"]:
        expected = truth["captures"][one["id"]]["latency_samples"]
        if expected is not None:
            assert one["latency"] is not None, one["findings"]
            errors[one["id"]] = one["latency"]["samples"] - expected
    assert len(errors) == len(session.CHAINS) - 1
    assert {k: v for k, v in errors.items() if abs(v) > 2.0} == {}


def test_polarity_is_right(night):
    _, record, truth = night
    for one in record["captures"]:
        expected = truth["captures"][one["id"]]["polarity"]
        if expected is not None:
            assert one["latency"]["polarity"] == expected, one["id"]


def test_only_the_wrong_performance_is_rejected(night):
    _, record, truth = night
    rejected = [one for one in record["captures"] if one["status"] == "rejected"]
    assert [one["id"] for one in rejected] == [truth["wrong"]]
    assert "not_this_di" in {finding["code"] for finding in rejected[0]["findings"]}
    assert rejected[0]["output"] is None


def test_two_microphones_keep_their_distance(night):
    # Truth by construction: 10.5 samples apart, like chains.
    _, record, _ = night
    pair = record["pairs"][0]
    assert {pair["a"], pair["b"]} == {"pair-near", "pair-behind"}
    sign = 1 if (pair["a"], pair["b"]) == ("pair-near", "pair-behind") else -1
    assert sign * pair["delay_samples"] == pytest.approx(10.5, abs=0.5)
    shifts = {
        one["shift_samples"]
        for one in record["captures"]
        if one["id"].startswith("pair-")
    }
    assert len(shifts) == 1


def test_files_have_the_dis_shape(night):
    out, record, _ = night
    for one in record["captures"]:
        if one["output"] is not None:
            info = soundfile.info(out / one["output"]["file"])
            assert info.frames == record["di"]["frames"]
            assert info.samplerate == record["di"]["sample_rate_hz"]
            assert info.subtype == "PCM_24"


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_levels_agree_with_an_independent_meter(night):
    # EBU R 128 / ITU-R BS.1770, measured by ffmpeg's ebur128.
    out, record, _ = night
    target = record["loudness"]["effective_target_lufs"]
    levels = {
        one["id"]: integrated_lufs(out / one["output"]["file"])
        for one in record["captures"]
        if one["output"] is not None
    }
    assert len(levels) == len(session.CHAINS) - 1
    assert {k: v for k, v in levels.items() if abs(v - target) > 0.1} == {}


def integrated_lufs(path):
    done = subprocess.run(
        [
            shutil.which("ffmpeg"),
            "-nostats",
            "-hide_banner",
            "-i",
            str(path),
            "-af",
            "ebur128=metadata=1,ametadata=print:key=lavfi.r128.I:file=-",
            "-f",
            "null",
            "-",
        ],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    lines = [line for line in done.stdout.splitlines() if line.startswith("lavfi")]
    return float(lines[-1].split("=")[1])
