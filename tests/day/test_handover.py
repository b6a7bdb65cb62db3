"""Handing over: names, nudges, checksums; originals untouched."""

import csv
import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.day.handover import hand_over, plan_handover
from pipeline.day.nudges import nudge_list
from pipeline.day.template import capture_fields, fill
from pipeline.errors import OutputError, ReampsError
from pipeline.files.store import write_record
from pipeline.models.record import Record


def capture(id_: str, sha256: str | None, **keys: object) -> dict[str, object]:
    output = {"file": f"audio/{id_}.wav", "sha256": sha256, "frames": 100}
    return {
        "id": id_,
        "file": f"raw/{id_}.wav",
        "channel": 1,
        "pass": "p01",
        "status": "ok" if sha256 else "rejected",
        "latency": {
            "samples": 480.0,
            "ms": 10.0,
            "polarity": -1,
            "confidence": 1.0,
            "drift_ppm": None,
        },
        "shift_samples": 480.0 if sha256 else None,
        "output": output if sha256 else None,
        **keys,
    }


UNSTEADY = {
    "samples": 480.0,
    "ms": 10.0,
    "polarity": -1,
    "confidence": 1.0,
    "drift_ppm": 2.0,
    "jumps": [{"at_s": 3.5, "samples": 64.0}],
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A run's folder with two outputs and one rejected capture."""
    run = tmp_path / "run"
    (run / "audio").mkdir(parents=True)
    sums = {}
    for number, id_ in enumerate(("a", "b")):
        path = run / "audio" / f"{id_}.wav"
        soundfile.write(path, np.full(100, 0.1 * (number + 1)), 48_000, "PCM_24")
        sums[id_] = hashlib.sha256(path.read_bytes()).hexdigest()
    raw = {
        "format": 1,
        "created": "2030-01-01T00:00:00+00:00",
        "version": "0",
        "session": {"name": "Tin: shed?", "date": "2030-01-01"},
        "align_mode": "pass",
        "di": {
            "file": "di.wav",
            "sha256": "0",
            "sample_rate_hz": 48_000,
            "frames": 2_880_000,
        },
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -23.0,
            "max_true_peak_dbtp": -1.0,
        },
        "captures": [
            capture("a", sums["a"], mic="rib", place={"distance_mm": 25.0}),
            capture("b", sums["b"]) | {"latency": UNSTEADY},
            capture("c", None),
        ],
    }
    write_record(run, Record.model_validate_json(json.dumps(raw)))
    return run


def test_names_are_safe_and_a_dry_run_writes_nothing(
    folder: Path, tmp_path: Path
) -> None:
    copies = plan_handover(
        folder, tmp_path / "out", "{date} {session} {mic} {distance_mm}mm"
    )
    names = [copy.target.name for copy in copies]
    assert names[0] == "2030-01-01 Tin- shed- rib 25mm.wav"
    assert not (tmp_path / "out").exists()


def test_copies_nudges_and_checksums(folder: Path, tmp_path: Path) -> None:
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    target = tmp_path / "out"
    hand_over(folder, target, plan_handover(folder, target, "{session}"))
    lines = (target / "checksums-sha256.txt").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 3
    for line in lines:
        # Truth: hashlib over the file's bytes.
        sha256, name = line.split("  ", 1)
        assert hashlib.sha256((target / name).read_bytes()).hexdigest() == sha256
    assert {p: p.read_bytes() for p in before} == before
    again = plan_handover(folder, target, "{session}")
    assert all(copy.there for copy in again)


def test_what_was_handed_over_before_keeps_its_checksum(
    folder: Path, tmp_path: Path
) -> None:
    target = tmp_path / "out"
    hand_over(folder, target, plan_handover(folder, target, "{id}", ["a"]))
    hand_over(folder, target, plan_handover(folder, target, "{id}", ["b"]))
    sums = target / "checksums-sha256.txt"
    names = {line.split("  ", 1)[1] for line in sums.read_text().splitlines()}
    assert names == {"a.wav", "b.wav", "nudges.csv"}
    with pytest.raises(ReampsError, match="no output of the name c; there are: a, b"):
        plan_handover(folder, target, "{id}", ["c"])


def test_the_nudge_list_moves_late_files_earlier(folder: Path) -> None:
    from pipeline.files.store import read_record

    rows = list(csv.DictReader(io.StringIO(nudge_list(read_record(folder)))))
    # 480 samples late at 48 kHz: 10 ms earlier.
    assert [row["id"] for row in rows] == ["a", "b"]
    assert float(rows[0]["move_samples"]) == -480.0
    assert float(rows[0]["move_ms"]) == -10.0
    assert rows[0]["move_whole_samples"] == "-480"
    assert rows[0]["invert"] == "yes"
    assert rows[0]["beyond"] == ""
    # 2 ppm over a DI of one minute are 0.12 ms: moving alone does not mend that.
    assert rows[1]["beyond"] == "drift +2.00 ppm; jump of +64 at 3.50 s"


def test_equal_names_get_their_ids(folder: Path, tmp_path: Path) -> None:
    copies = plan_handover(folder, tmp_path / "out", "{pass}")
    assert [c.target.name for c in copies] == ["p01 - a.wav", "p01 - b.wav"]


def test_nothing_is_overwritten(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "a.wav").write_bytes(b"mine")
    with pytest.raises(OutputError, match="another file is there"):
        plan_handover(folder, target, "{id}")
    with pytest.raises(OutputError, match="inside the run's folder"):
        plan_handover(folder, folder / "audio", "{id}")


def files_in(folder: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("nudges.csv", b"song,cents\r\na,-3\r\n"),
        ("nudges.csv", b"\xff\xfe"),
        ("checksums-sha256.txt", b"my own notes\n"),
        ("checksums-sha256.txt", b"d41d8cd98f00b204e9800998ecf8427e  a.wav\n"),
    ],
)
def test_a_list_of_somebody_else_is_left_alone(
    folder: Path, tmp_path: Path, name: str, content: bytes
) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / name).write_bytes(content)
    with pytest.raises(OutputError, match=f"{name}: .*nothing was written"):
        plan_handover(folder, target, "{id}")
    assert files_in(target) == {target / name: content}


def renamed(folder: Path, before: str, after: str) -> None:
    record = folder / "record.json"
    text = record.read_text(encoding="utf-8")
    assert before in text
    record.write_text(text.replace(before, after), encoding="utf-8")


def test_another_nights_nudges_are_not_lost(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    hand_over(folder, target, plan_handover(folder, target, "first {id}"))
    before = files_in(target)
    renamed(folder, "raw/a.wav", "second night/a.wav")
    with pytest.raises(OutputError, match="another night's"):
        plan_handover(folder, target, "second {id}")
    assert files_in(target) == before


def test_a_night_that_grew_keeps_its_list(folder: Path, tmp_path: Path) -> None:
    # The first list has captures a and b; the second has another row below them.
    target = tmp_path / "out"
    hand_over(folder, target, plan_handover(folder, target, "{id}"))
    first = (target / "nudges.csv").read_text(encoding="utf-8-sig").splitlines()
    grown = capture("d", None) | {"shift_samples": 480.0}
    raw = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    raw["captures"].append(grown)
    write_record(folder, Record.model_validate_json(json.dumps(raw)))
    hand_over(folder, target, plan_handover(folder, target, "{id}"))
    second = (target / "nudges.csv").read_text(encoding="utf-8-sig").splitlines()
    assert second[:-1] == first
    assert second[-1].startswith("d,")


@pytest.mark.parametrize("absolute", [True, False])
def test_a_record_cannot_name_files_outside_of_its_folder(
    folder: Path, tmp_path: Path, *, absolute: bool
) -> None:
    # The same bytes, so that the checksum agrees.
    secret = tmp_path / "secret.wav"
    secret.write_bytes((folder / "audio" / "a.wav").read_bytes())
    renamed(folder, "audio/a.wav", secret.as_posix() if absolute else "../secret.wav")
    with pytest.raises(OutputError, match=r"secret\.wav: lies outside"):
        plan_handover(folder, tmp_path / "out", "{id}")


def test_a_changed_output_is_not_handed_over(folder: Path, tmp_path: Path) -> None:
    (folder / "audio" / "a.wav").write_bytes(b"RIFF")
    with pytest.raises(OutputError, match="not what the run wrote"):
        plan_handover(folder, tmp_path / "out", "{id}")


def test_an_unknown_field_names_the_known_ones(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(ReampsError, match=r"known are: .*distance_mm"):
        plan_handover(folder, tmp_path / "out", "{colour}")


def test_absent_values_close_up(folder: Path) -> None:
    from pipeline.files.store import read_record

    record = read_record(folder)
    own = capture_fields(record.captures[1])
    assert fill("{id}_{mic}_{pass}", own, record.session) == "b_p01"
    template = "{session} - {mic} {distance_mm}mm - {id}"
    assert fill(template, own, record.session) == "Tin: shed? - b"
