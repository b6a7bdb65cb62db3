"""Our FLAC files, read by others: libsndfile, ffmpeg, sox.

The layout of the blocks is that of RFC 9639, sections 8.1, 8.2 and 8.6.
"""

import hashlib
import io
import json
import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from pipeline.files.flac import encode_flac

TEXTS = {
    "TITLE": "cap edge, 25 mm",
    "DESCRIPTION": "pr\u00e4sent = so; \u2205",
    "INTEGRATED_LUFS": "-23.00",
}


def noise(frames: int, seed: int = 1) -> np.ndarray:
    """The whole range of 24 bits, both ends included."""
    rng = np.random.default_rng(seed)
    found = rng.integers(-(2**23), 2**23, frames).astype(np.int32)
    found[:2] = -(2**23), 2**23 - 1
    return found


def needs(program: str) -> str:
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"{program} is not installed here")
    return found


def octets(values: np.ndarray) -> bytes:
    return values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000, 192_000])
@pytest.mark.parametrize("frames", [2, 4_096, 100_001])
def test_libsndfile_reads_every_sample(rate_hz: int, frames: int) -> None:
    values = noise(frames, rate_hz)
    file = io.BytesIO(encode_flac(values, rate_hz, TEXTS))
    with soundfile.SoundFile(file) as read:
        assert (read.samplerate, read.subtype, len(read)) == (rate_hz, "PCM_24", frames)
        assert (read.title, read.channels) == ("cap edge, 25 mm", 1)
        assert np.array_equal(read.read(dtype="int32") >> 8, values)


def test_stream_information_holds_length_and_checksum_of_the_samples() -> None:
    """RFC 9639 section 8.2: 36 bits of length, then MD5 of the samples."""
    values = noise(70_003)
    made = encode_flac(values, 48_000, TEXTS)
    assert made[:8] == b"fLaC\x00\x00\x00\x22"
    assert int.from_bytes(made[21:26], "big") & (2**36 - 1) == 70_003
    expected = hashlib.md5(octets(values), usedforsecurity=False).digest()
    assert made[26:42] == expected


def test_ffmpeg_reads_texts_and_samples(tmp_path) -> None:
    values = noise(9_999)
    path = tmp_path / "out.flac"
    path.write_bytes(encode_flac(values, 48_000, TEXTS))
    asked = ["-v", "error", "-print_format", "json", "-show_format", "-show_streams"]
    told = json.loads(
        subprocess.run(
            [needs("ffprobe"), *asked, path], check=True, capture_output=True
        ).stdout
    )
    tags = {name.upper(): text for name, text in told["format"]["tags"].items()}
    # ffmpeg shows a description under the name of a comment.
    tags["DESCRIPTION"] = tags.pop("COMMENT")
    assert tags == TEXTS
    assert told["streams"][0]["bits_per_raw_sample"] == "24"
    raw = ["-v", "error", "-i", path, "-f", "s24le", "-"]
    read = subprocess.run([needs("ffmpeg"), *raw], check=True, capture_output=True)
    assert (read.stdout, read.stderr) == (octets(values), b"")


def test_sox_reads_texts_and_samples(tmp_path) -> None:
    values = noise(9_999)
    path = tmp_path / "out.flac"
    path.write_bytes(encode_flac(values, 48_000, TEXTS))
    told = subprocess.run(
        [needs("sox"), "--info", "-a", path], check=True, capture_output=True
    ).stdout.decode()
    assert told.splitlines() == [f"{name}={text}" for name, text in TEXTS.items()]
    raw = [path, "-t", "raw", "-e", "signed", "-b", "24", "-L", "-"]
    read = subprocess.run([needs("sox"), *raw], check=True, capture_output=True)
    assert read.stdout == octets(values)


def test_equal_input_gives_equal_bytes() -> None:
    one, other = (encode_flac(noise(5_000), 48_000, TEXTS) for _ in range(2))
    assert one == other
    assert encode_flac(noise(5_000), 48_000, {}) != one


@pytest.mark.parametrize(
    ("values", "rate_hz", "texts", "complaint"),
    [
        ([], 48_000, {}, "no samples"),
        ([2**23], 48_000, {}, "24 bits"),
        ([-(2**23) - 1], 48_000, {}, "24 bits"),
        ([1], 0, {}, "sample rate"),
        ([1], 655_351, {}, "sample rate"),
        ([1], 48_000, {"A=B": "x"}, "name"),
        ([1], 48_000, {"": "x"}, "name"),
        ([1], 48_000, {"T\u00cfTLE": "x"}, "name"),
        ([1], 48_000, {"TITLE": "x" * 2**24}, "comments"),
    ],
)
def test_what_cannot_be_stored_is_refused(values, rate_hz, texts, complaint) -> None:
    with pytest.raises(ValueError, match=complaint):
        encode_flac(np.array(values, dtype=np.int32), rate_hz, texts)
