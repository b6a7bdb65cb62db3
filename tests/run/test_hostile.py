"""Names, files and samples made to hurt, through the whole command.

Property: every one is used or rejected by name, the rest of the night is done, nothing
is written outside of the result's folder, no source is touched, nobody waits.
"""

import json
import os
import struct
import subprocess
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.errors import ReampsError
from pipeline.run.service import Options, run_check
from tests.benchmarks.growth_bench import write_long_night
from tests.run.nights import ROOT, finish, write_night
from tests.run.sessions import RATE
from tests.run.test_places import tree

NAMES = {
    "quotes": 'it\'s "loud" `now` & $(more)',
    "newline": "line\nbreak\r\ttab",
    "direction": "safe\u202egnp.wav",
    "markup": "<script>alert(1)</script>",
    "outside": "../../x",
    "absolute": "/nowhere/x",
    "drive": "C:\\x",
    "device": "CON",
    "long": "a" * 200,
    "wide": "\U0001f3b8" * 100,
    "dots": "..",
    "case-1": "Same",
    "case-2": "sAME",
    "composed": unicodedata.normalize("NFC", "caf\u00e9"),
    "decomposed": unicodedata.normalize("NFD", "caf\u00e9"),
    "formula": "=1+1",
    "zero-width": "a\u200bb",
}


def entry(id_, file):
    """One capture's table."""
    # JSON spells what lies beyond 16 bits as TOML does not: left as it is.
    id_, file = (json.dumps(text, ensure_ascii=False) for text in (id_, file))
    return f"[[capture]]\nid = {id_}\nfile = {file}\n"


def outputs(folder):
    """What lies in a result's folder, and the record."""
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    return record, {capture["id"]: capture for capture in record["captures"]}


def test_ids_made_to_hurt_stay_in_the_folder(tmp_path):
    manifest = write_night(tmp_path / "deep" / "night", captures=2, seconds=3.0)
    with manifest.open("a", encoding="utf-8") as file:
        file.write("".join(entry(id_, "audio/p000.wav") for id_ in NAMES.values()))
    before = tree(tmp_path / "deep" / "night")
    folder = tmp_path / "deep" / "out"
    status, _, said = finish("run", manifest, "--out", folder, "-q", "-j", 1)
    assert status == 0, said
    _, captures = outputs(folder)
    assert set(captures) == {"p000", "p001", "p001-b", *NAMES.values()}
    files = [capture["output"]["file"] for capture in captures.values()]
    for file in files:
        assert (folder / file).parent == folder / "audio"
        assert (folder / file).is_file()
    assert len({file.casefold() for file in files}) == len(files)
    assert len(list((folder / "audio").iterdir())) == len(files)
    assert "<script>alert(1)" not in (folder / "index.html").read_text("utf-8")
    assert {path.name for path in tmp_path.iterdir()} == {"deep"}
    assert {path.name for path in (tmp_path / "deep").iterdir()} == {"night", "out"}
    assert tree(tmp_path / "deep" / "night") == before


def test_file_names_made_to_hurt_are_read(tmp_path):
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    whole = (tmp_path / "night/audio/p000.wav").read_bytes()
    lines = []
    for key, name in NAMES.items():
        safe = name.replace("/", "-").replace("\\", "-")
        long = safe * 2 if key == "long" else safe
        spelt = long.encode("utf-8")[:251].decode("utf-8", "ignore") + ".wav"
        try:
            (tmp_path / "night/audio" / spelt).write_bytes(whole)
        except OSError:
            continue  # not on this file system
        lines.append(entry(key, f"audio/{spelt}"))
    with manifest.open("a", encoding="utf-8") as file:
        file.write("".join(lines))
    status, said, err = finish("check", manifest, "-q", "-j", 1, "--json")
    assert status == 0, err
    found = {c["id"]: c["status"] for c in json.loads(said)["record"]["captures"]}
    assert len(found) == 3 + len(lines)
    assert "rejected" not in found.values()


def wave(frames, *, rate=RATE, channels=1, claimed=None, bits=16):
    """Spell a WAV file whose header may lie."""
    data = bytes(frames * 2)
    size = len(data) if claimed is None else claimed
    form = struct.pack("<HHIIHH", 1, channels, rate, 2 * rate % 2**32, 2, bits)
    head = b"RIFF" + struct.pack("<I", (36 + size) % 2**32) + b"WAVE"
    head += b"fmt " + struct.pack("<I", 16) + form
    return head + b"data" + struct.pack("<I", size % 2**32) + data


def rf64(frames):
    """Spell an RF64 header that claims so many frames, and hold none of them."""
    sizes = struct.pack("<QQQI", 2 * frames + 72, 2 * frames, frames, 0)
    form = struct.pack("<HHIIHH", 1, 1, RATE, 2 * RATE, 2, 16)
    return (
        b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", len(sizes)) + sizes
        + b"fmt " + struct.pack("<I", 16) + form + b"data\xff\xff\xff\xff" + bytes(64)
    )  # fmt: skip


def aiff(rate):
    """Spell an AIFF header with a rate as an 80-bit number of zeros or ones."""
    form = struct.pack(">hIh", 1, 100, 16) + rate
    data = bytes(208)
    return (
        b"FORM" + struct.pack(">I", 46 + len(data)) + b"AIFFCOMM"
        + struct.pack(">I", 18) + form + b"SSND" + struct.pack(">I", len(data)) + data
    )  # fmt: skip


REJECTED = {
    "no bytes": (b"", "unreadable"),
    "no frames": (wave(0), "unreadable"),
    "one frame": (wave(1), None),
    "no rate": (wave(2 * RATE, rate=0), "unreadable"),
    "a rate of 4 GHz": (wave(2 * RATE, rate=2**32 - 1), None),
    "no channels": (wave(2 * RATE, channels=0), "unreadable"),
    "65535 channels": (wave(2 * RATE, channels=65535), None),
    "no bits": (wave(2 * RATE, bits=0), "unreadable"),
    "2^31 frames in WAV": (wave(100, claimed=2**31), None),
    "2^31 frames in RF64": (rf64(2**31), None),
    "2^62 frames in RF64": (rf64(2**62), None),
    "AIFF without a rate": (aiff(bytes(10)), "unreadable"),
    "AIFF with an endless rate": (aiff(b"\x7f\xff" + b"\xff" * 8), "unreadable"),
}


def place_oddities(audio: Path, usual: np.ndarray) -> dict[str, str]:
    """Put everything that is no plain recording where one is expected."""
    (audio / "folder.wav").mkdir()
    lines = {"folder": "folder.wav"}
    if hasattr(os, "mkfifo"):
        os.mkfifo(audio / "pipe.wav")
        lines["pipe"] = "pipe.wav"
    try:
        (audio / "loop.wav").symlink_to("loop.wav")
        lines["loop"] = "loop.wav"
    except OSError:
        pass
    for value in (np.nan, np.inf, -np.inf):
        spoilt = usual.copy()
        spoilt[RATE] = value
        soundfile.write(audio / f"{value}.wav", spoilt, RATE, "FLOAT")
        lines[f"{value}"] = f"{value}.wav"
    soundfile.write(audio / "denormal.wav", usual * 1e-42, RATE, "FLOAT")
    lines["denormal"] = "denormal.wav"
    for name, (content, _) in REJECTED.items():
        (audio / f"{name}.wav").write_bytes(content)
        lines[name] = f"{name}.wav"
    return lines


CODES = {
    "folder": "unreadable",
    "pipe": "unreadable",
    "loop": "unreadable",
    "nan": "not_finite",
    "inf": "not_finite",
    "-inf": "not_finite",
    "denormal": "silent",
    **{name: code for name, (_, code) in REJECTED.items()},
}


def test_files_made_to_hurt_are_rejected_one_by_one(tmp_path):
    manifest = write_night(tmp_path / "night", captures=2, seconds=3.0)
    audio = tmp_path / "night" / "audio"
    usual, _ = soundfile.read(audio / "p000.wav", dtype="float32")
    lines = place_oddities(audio, usual)
    # Tails below the smallest normal number, in a recording that can be used.
    faint = usual.copy()
    faint[-RATE // 2 :] = 1e-41
    soundfile.write(audio / "faint.wav", faint, RATE, "FLOAT")
    with manifest.open("a", encoding="utf-8") as file:
        file.write(entry("faint", "audio/faint.wav"))
        file.write("".join(entry(i, f"audio/{name}") for i, name in lines.items()))
    folder = tmp_path / "out"
    status, _, said = finish(
        "run", manifest, "--out", folder, "-q", "-j", 1, patience_s=120.0
    )
    assert status == 4, said
    _, captures = outputs(folder)
    for id_ in ("p000", "p001", "p001-b", "faint"):
        assert captures[id_]["status"] != "rejected", captures[id_]["findings"]
    for id_ in lines:
        codes = {finding["code"] for finding in captures[id_]["findings"]}
        assert captures[id_]["status"] == "rejected"
        assert captures[id_]["output"] is None
        if CODES[id_] is not None:
            assert CODES[id_] in codes, (id_, codes)
    assert {path.stem for path in (folder / "audio").iterdir()} == {
        "p000", "p001", "p001-b", "faint",
    }  # fmt: skip


@pytest.mark.parametrize(
    "content", [b"", wave(0), wave(1), wave(RATE, rate=0), rf64(2**31), bytes(9999)]
)
def test_a_di_made_to_hurt_is_refused(tmp_path, content):
    manifest = write_night(tmp_path / "night", captures=1, seconds=3.0)
    (tmp_path / "night" / "audio" / "di.wav").write_bytes(content)
    with pytest.raises(ReampsError, match="The DI cannot be used"):
        run_check(manifest, Options(jobs=1, quiet=True))


PEAK = """
import resource, sys
from pathlib import Path
from pipeline.run.service import Options, run_manifests
(outcome,) = run_manifests([Path(sys.argv[1])], Path(sys.argv[2]), Options(1, True))
latency = {c.id: c.latency.samples for c in outcome.record.captures if c.latency}
print(latency["left"], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_of(manifest, folder):
    """Lag of the long capture in samples, and the peak memory in MiB."""
    done = subprocess.run(
        [sys.executable, "-c", PEAK, manifest, folder],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lag, peak = done.stdout.split()
    # macOS counts bytes, Linux kibibytes.
    return float(lag), int(peak) / (2**20 if sys.platform == "darwin" else 2**10)


def test_memory_follows_the_di_and_not_the_recorder(tmp_path):
    # Half an hour is 330 MiB of samples; six hours and a half, over 4 GiB:
    # `python -m tests.benchmarks.growth_bench --hours 6.5`.
    pytest.importorskip("resource")
    short = write_long_night(tmp_path / "short", 0.0, 8.0)
    long = write_long_night(tmp_path / "long", 0.5, 8.0)
    left = tmp_path / "long" / "audio" / "left.wav"
    if left.stat().st_blocks * 512 > left.stat().st_size / 2:
        pytest.skip("no sparse files here")
    lag, peak = peak_of(long, tmp_path / "long-out")
    _, usual = peak_of(short, tmp_path / "short-out")
    # Played 20 s before the end, by construction; the speaker's onset is at zero.
    assert lag == pytest.approx(0.5 * 3600 * RATE - 8 * RATE - 20 * RATE, abs=2.0)
    assert peak < usual + 60.0
