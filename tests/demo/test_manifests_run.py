"""The example manifests do what they say when there is audio behind them."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.demo import players, rig, session
from pipeline.demo.air import Placement
from pipeline.demo.session import UPPER, Pass, Take
from pipeline.demo.takes import Loud, record
from pipeline.files.manifest import read_plan

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "manifests").glob("*.toml"))
RATE_HZ = 48_000
MICS = {"dynamic": "dynamic", "ribbon": "dark", "condenser": "bright"}

pytestmark = pytest.mark.skipif(
    not (ROOT / "pipeline" / "__main__.py").is_file(),
    reason="the command line is not there yet",
)


def take_of(plan, one):
    mic = plan.recalls.mic.get(one.written.mic or "", {}).get("type", "dynamic")
    distance_m = (one.written.distance_mm or 20.0) / 1000.0
    return Take(
        one.id, Placement(MICS.get(str(mic), "dynamic"), UPPER, 0.0, distance_m)
    )


def furnish(manifest, dry, loud):
    """Writes audio for every file that a manifest names; returns true latencies."""
    plan = read_plan(manifest)
    plan.di_path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(plan.di_path, dry, RATE_HZ, "PCM_24")
    for extra in (plan.manifest.loopback, plan.manifest.context):
        if extra is not None:
            cable = np.concatenate([np.zeros(1187), dry])
            soundfile.write(manifest.parent / extra.file, cable, RATE_HZ, "PCM_24")
    if plan.playout_path is not None:
        write_playout(PlayoutWish(plan.di_path, plan.playout_path, sweep=False))
    truth = {}
    for index, name in enumerate(dict.fromkeys(one.pass_id for one in plan.captures)):
        captures = [one for one in plan.captures if one.pass_id == name]
        takes = tuple(take_of(plan, one) for one in captures)
        one_pass = Pass(name, "edge", 0.25 * index, takes)
        tracks = record(one_pass, loud, np.random.default_rng(index))
        for path in {one.path for one in captures}:
            held = [k for k, one in enumerate(captures) if one.path == path]
            sound = np.stack([tracks[k] for k in held], axis=1)
            soundfile.write(path, sound, RATE_HZ, "PCM_24")
        truth |= {
            take.id: session.truth_of(one_pass, take).latency_samples for take in takes
        }
    return truth


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """All examples, run in one go: record and truth by the manifest's name."""
    folder = tmp_path_factory.mktemp("examples")
    dry = players.play(players.phrase(), np.random.default_rng(21))
    dry = dry[: 11 * RATE_HZ] * np.clip(np.arange(11 * RATE_HZ)[::-1] / 4800, 0, 1)
    loud = Loud(rig.amplify(dry, rig.AMPS["edge"]), "edge")
    truths = {}
    manifests = []
    for path in FILES:
        home = folder / path.stem
        home.mkdir()
        manifests.append(Path(shutil.copy(path, home)))
        for sheet in path.parent.glob(f"{path.stem}.csv"):
            shutil.copy(sheet, home)
        truths[path.stem] = furnish(manifests[-1], dry, loud)
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pipeline", "run"),
            *map(str, manifests),
            *("--out", str(folder / "out"), "--json"),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    records = {}
    for path in (folder / "out").rglob("record.json"):
        found = json.loads(path.read_text(encoding="utf-8"))
        records[found["session"]["name"]] = (path.parent, found)
    return {
        path.stem: (*records[read_plan(path).name], truths[path.stem]) for path in FILES
    }


@pytest.mark.parametrize("name", [path.stem for path in FILES])
def test_an_example_runs_and_is_right(nights, name):
    # Truth by construction; the amp's poles add 1.24 samples that no capture can
    # tell from flight (test_rig), and 2 samples are the bar on top.
    folder, found, truth = nights[name]
    assert {one["id"] for one in found["captures"]} == set(truth)
    poles = rig.pole_samples(rig.AMPS["edge"])
    for one in found["captures"]:
        assert one["status"] != "rejected", one["findings"]
        late = one["latency"]["samples"] - truth[one["id"]]
        assert abs(late - poles) < 2.0, one["id"]
        assert (folder / one["output"]["file"]).is_file()
    assert (folder / "index.html").is_file()


def test_mics_shift_together_or_each_on_its_own(nights):
    # What [align] promises.
    def shifts(name):
        _, found, _ = nights[name]
        by_pass = {}
        for one in found["captures"]:
            by_pass.setdefault(one["pass"], set()).add(one["shift_samples"])
        return by_pass

    assert all(len(shared) == 1 for shared in shifts("stereo-pairs").values())
    assert {len(own) for own in shifts("mic-by-mic").values()} == {3}


def test_targets_and_reference_are_followed(nights):
    # What [loudness] and [compare] ask for.
    _, found, _ = nights["every-key"]
    assert found["loudness"]["target_lufs"] == -20.0
    assert found["loudness"]["max_true_peak_dbtp"] == -1.5
    assert found["comparison"]["reference"] == "p1-near"
    assert 0 < len(found["shortlist"]) <= 3
