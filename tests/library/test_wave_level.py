"""Authority: files taken apart by hand, EBU Tech 3285 and 3306, libsndfile."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.files import wave_chunks
from pipeline.library.wave_level import LevelledWave
from tests.library import runs


def levelled(path: Path, gain_db: float) -> bytes:
    return b"".join(LevelledWave(path, gain_db, {"INAM": "a tone"}).blocks())


@pytest.mark.parametrize(
    ("lufs", "gain_db", "expected"),
    [
        # Tech 3285, section 2.4: -22.645 is stored as -2265, ties go away from zero.
        (-23.0, -0.005, [-2301, 400, -601, 0x7FFF, -2101]),
        (12.77, -0.005, [1277, 400, -601, 0x7FFF, 1477]),
        (-22.64, -0.005, [-2265, 400, -601, 0x7FFF, -2065]),
        (-23.0, 0.015, [-2299, 400, -599, 0x7FFF, -2099]),
        (-99.0, -1.0, [0x7FFF, 400, -700, 0x7FFF, -9800]),
    ],
)
def test_loudness_figures_round_away_from_zero(
    tmp_path: Path, lufs: float, gain_db: float, expected: list[int]
) -> None:
    path = tmp_path / "tone.wav"
    path.write_bytes(runs.wave(runs.samples(1) // 2, "a tone", lufs))
    _, before = runs.read(path.read_bytes())
    _, chunks = runs.read(levelled(path, gain_db))
    levels = np.frombuffer(chunks[b"bext"][412:422], "<i2").tolist()
    assert levels == expected
    assert chunks[b"bext"][:412] == before[b"bext"][:412]
    assert chunks[b"bext"][422:] == before[b"bext"][422:]


def test_a_copy_that_outgrows_4_gib_takes_the_64_bit_form(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a size that fits a test: the texts are what makes it too long."""
    path = tmp_path / "tone.wav"
    path.write_bytes(runs.wave(runs.samples(1), "a tone"))
    monkeypatch.setattr(wave_chunks, "LARGEST_RIFF_BYTES", path.stat().st_size)
    copy = tmp_path / "copy.wav"
    copy.write_bytes(levelled(path, 0.0))
    raw = copy.read_bytes()
    assert raw[:8] == b"RF64\xff\xff\xff\xff"
    riff, data, frames, table = struct.unpack("<QQQI", raw[20:48])
    assert (riff, data, frames, table) == (
        len(raw) - 8,
        3 * runs.FRAMES,
        runs.FRAMES,
        0,
    )
    assert raw.endswith(runs.chunk(b"keep", b"foreign bytes"))
    read, _ = soundfile.read(copy, dtype="int32")
    assert np.array_equal(read >> 8, runs.samples(1))
