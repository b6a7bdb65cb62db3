"""Our files, read by others: libsndfile, ffmpeg, sox."""

import hashlib
import json
import re
import shutil
import struct
import subprocess

import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError, OutputError
from pipeline.files import wave_chunks
from pipeline.files.audio import probe
from pipeline.files.bext import BextFields
from pipeline.files.wave_chunks import (
    read_bext,
    read_body,
    read_chunks,
    wave_head,
    write_wave_24,
)

FIELDS = BextFields(
    description="cap edge, 25 mm",
    origination_date="2024-02-29",
    origination_time="10-30-15",
    time_reference_samples=172_800_000,
    loudness_value_lufs=-23.0,
    coding_history=("A=PCM,F=48000,W=24,M=mono,T=aligned",),
)
QUESTION = ["-v", "error", "-print_format", "json", "-show_streams", "-show_format"]
METER = ["-af", "volumedetect", "-f", "null", "-"]
INFO = {"INAM": "cap edge", "ISFT": "reamps", "ICMT": "odd"}


@pytest.fixture(params=[48_000, 48_001])
def samples(request):
    """1 s of a tone of amplitude 0.5: mean power 0.125, so -9.03 dB."""
    time_s = np.arange(request.param) / 48_000
    return (0.5 * np.sin(2 * np.pi * 1_000 * time_s)).astype(np.float32)


def written(tmp_path, samples):
    return write_wave_24(tmp_path / "out.wav", samples, 48_000, FIELDS, info=INFO)


def needs(program):
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"{program} is not installed here")
    return found


def test_libsndfile_reads_it_exactly(tmp_path, samples):
    file = written(tmp_path, samples)
    read, rate_hz = soundfile.read(file.path, dtype="float32")
    assert (rate_hz, read.shape, file.frames) == (48_000, samples.shape, len(samples))
    assert soundfile.info(file.path).subtype == "PCM_24"
    np.testing.assert_allclose(read, samples, rtol=0, atol=2.0**-24)


def test_the_hash_is_that_of_the_file(tmp_path, samples):
    file = written(tmp_path, samples)
    assert hashlib.sha256(file.path.read_bytes()).hexdigest() == file.sha256


def test_equal_input_gives_equal_bytes(tmp_path, samples):
    first = written(tmp_path, samples).path.read_bytes()
    info = dict(reversed(INFO.items()))
    again = write_wave_24(tmp_path / "b.wav", samples, 48_000, FIELDS, info=info)
    assert again.path.read_bytes() == first


def test_chunks_are_in_order_and_padded(tmp_path, samples):
    path = written(tmp_path, samples).path
    chunks = read_chunks(path)
    assert [c.name for c in chunks] == [b"fmt ", b"bext", b"LIST", b"data"]
    assert all(c.offset % 2 == 0 and c.size == c.available for c in chunks)
    size = path.stat().st_size
    assert struct.unpack("<I", path.read_bytes()[4:8])[0] == size - 8
    assert size == chunks[-1].offset + chunks[-1].size + (chunks[-1].size & 1)
    # Tech 3285 appendix A, by its rule: PCM, mono, rate, bytes a second, frame, bits.
    fmt = struct.unpack("<HHIIHH", read_body(path, chunks[0]))
    assert fmt == (1, 1, 48_000, 144_000, 3, 24)
    assert read_bext(path) == FIELDS
    assert read_body(path, chunks[2]) == (
        b"INFOICMT\4\0\0\0odd\0INAM\x09\0\0\0cap edge\0\0ISFT\7\0\0\0reamps\0\0"
    )


def test_ffmpeg_reads_it(tmp_path, samples):
    program = needs("ffprobe")
    path = written(tmp_path, samples).path
    report = subprocess.run(
        [
            program,
            "-v",
            "error",
            "-print_format",
            "json",
            "-show_streams",
            "-show_format",
            str(path),
        ],
        capture_output=True,
        check=True,
    )
    facts = json.loads(report.stdout)
    stream, tags = facts["streams"][0], facts["format"]["tags"]
    assert stream["codec_name"] == "pcm_s24le"
    assert (stream["sample_rate"], stream["channels"]) == ("48000", 1)
    assert int(stream["duration_ts"]) == len(samples)
    assert tags["time_reference"] == "172800000"
    assert tags["date"] == "2024-02-29"
    assert tags["title"] == "cap edge"


def test_ffmpeg_measures_its_level(tmp_path, samples):
    """A sine of amplitude 0.5 has a mean of -9.0 and a peak of -6.0 dBFS."""
    program = needs("ffmpeg")
    path = written(tmp_path, samples).path
    report = subprocess.run(
        [
            program,
            "-hide_banner",
            "-i",
            str(path),
            "-af",
            "volumedetect",
            "-f",
            "null",
            "-",
        ],
        capture_output=True,
        check=True,
        text=True,
    )
    levels = dict(re.findall(r"(mean|max)_volume: (-?[\d.]+) dB", report.stderr))
    assert levels == {"mean": "-9.0", "max": "-6.0"}


def test_sox_reads_it(tmp_path, samples):
    program = needs("sox")
    path = written(tmp_path, samples).path
    facts = [
        subprocess.run(
            [program, "--i", flag, str(path)],
            capture_output=True,
            check=True,
            text=True,
        ).stdout.strip()
        for flag in ("-r", "-c", "-b", "-s")
    ]
    assert facts == ["48000", "1", "24", str(len(samples))]


def test_64_bit_form(tmp_path, samples, monkeypatch):
    """The form for over 4 GiB, at a size that fits a test; others must read it."""
    monkeypatch.setattr(wave_chunks, "LARGEST_RIFF_BYTES", 100)
    path = written(tmp_path, samples).path
    raw = path.read_bytes()
    assert raw[:8] == b"RF64\xff\xff\xff\xff"
    chunks = read_chunks(path)
    assert [c.name for c in chunks] == [b"ds64", b"fmt ", b"bext", b"LIST", b"data"]
    riff, data, frames, table = struct.unpack("<QQQI", raw[20:48])
    assert (riff, data, frames, table) == (
        len(raw) - 8,
        3 * len(samples),
        len(samples),
        0,
    )
    read, _ = soundfile.read(path, dtype="float32")
    np.testing.assert_allclose(read, samples, rtol=0, atol=2.0**-24)
    assert soundfile.info(path).format == "RF64"
    assert (probe(path).container, probe(path).frames) == ("RF64", len(samples))


def test_the_form_changes_at_4_gib():
    """8.29 h of mono 24-bit at 48 kHz: 2**32 bytes / (3 * 48,000 * 3,600)."""
    assert wave_head(int(8.28 * 3_600 * 48_000), 48_000, FIELDS, None)[:4] == b"RIFF"
    frames = int(8.29 * 3_600 * 48_000)
    head = wave_head(frames, 48_000, FIELDS, None)
    assert head[:4] == b"RF64"
    assert head[-8:] == b"data\xff\xff\xff\xff"
    riff, data, count = struct.unpack("<QQQ", head[20:44])
    assert (data, count) == (3 * frames, frames)
    assert riff == len(head) + data + (data & 1) - 8


@pytest.mark.parametrize("value", [1.0, -1.5, np.nan])
def test_no_file_of_samples_out_of_range(tmp_path, value):
    path = tmp_path / "out.wav"
    path.write_bytes(b"older")
    samples = np.zeros(200_000, np.float32)
    samples[150_000] = value
    with pytest.raises(ValueError, match="outside"):
        write_wave_24(path, samples, 48_000, FIELDS)
    assert [p.name for p in tmp_path.iterdir()] == ["out.wav"]
    assert path.read_bytes() == b"older"


def test_no_folder(tmp_path):
    with pytest.raises(OutputError, match=r"out\.wav: could not be written"):
        write_wave_24(tmp_path / "no" / "out.wav", np.zeros(1, "f4"), 48_000, FIELDS)


@pytest.mark.parametrize("name", ["inam", "INAME", "I\u00c4"])
def test_info_names_have_four_capitals(name):
    with pytest.raises(ValueError, match="four capital letters"):
        wave_head(1, 48_000, FIELDS, {name: "x"})


@pytest.mark.parametrize("rate_hz", [0, -1, 2**31])
def test_rates_that_cannot_be_stored(rate_hz):
    with pytest.raises(ValueError, match="no WAV can store"):
        wave_head(1, rate_hz, FIELDS, None)


def test_other_files_have_no_chunks(keep):
    with pytest.raises(AudioError, match="expected a RIFF"):
        read_chunks(keep(b"fLaC" + bytes(50)))
    assert read_bext(keep(b"fLaC" + bytes(50))) is None


def test_a_short_bext_is_no_bext(keep, hand):
    raw = hand.wave(hand.fmt(), bytes(30), before=[(b"bext", bytes(100))])
    assert read_bext(keep(raw)) is None
    assert read_bext(keep(hand.wave(hand.fmt(), bytes(30)))) is None
