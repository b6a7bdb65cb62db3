"""Headers that lie. Truth by construction: each file is made byte by byte."""

import struct

import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe


def refused(path, match):
    with pytest.raises(AudioError, match=match) as caught:
        probe(path)
    assert caught.value.code == "unreadable"
    assert path.name in str(caught.value)


def test_data_shorter_than_claimed(keep, hand):
    """The file ends early: what is there can be read, and the loss is told."""
    raw = hand.wave(hand.fmt(), hand.octets_24(range(100)))
    info = probe(keep(raw[:-50]))
    assert info.truncated
    assert (info.frames, info.claimed_frames) == (83, 100)


@pytest.mark.parametrize("size", [2**31, 2**32 - 2])
def test_claim_of_gigabytes(keep, hand, size):
    raw = hand.wave(hand.fmt(), bytes(300), data=size)
    info = probe(keep(raw))
    assert (info.truncated, info.frames) == (True, 100)


def test_unknown_length(keep, hand):
    """FFFFFFFFh in a plain WAV: written to a pipe. The rest is audio."""
    raw = hand.wave(hand.fmt(), bytes(300), riff=2**32 - 1, data=2**32 - 1)
    info = probe(keep(raw))
    assert (info.truncated, info.frames) == (False, 100)


@pytest.mark.parametrize("riff", [0, 36])
def test_recorder_that_never_closed_its_file(keep, hand, riff):
    raw = hand.wave(hand.fmt(), bytes(300), riff=riff, data=0)
    info = probe(keep(raw))
    assert (info.truncated, info.frames) == (True, 100)


def test_plain_wav_over_4_gib(tmp_path, hand):
    """Sizes that wrapped at 2**32: the recorder kept writing a plain RIFF."""
    frames = (2**32 + 999) // 3
    data = frames * 3
    head = hand.wave(hand.fmt(), b"", riff=(36 + data) % 2**32, data=data % 2**32)
    path = tmp_path / "long.wav"
    with path.open("wb") as handle:
        handle.write(head)
        handle.truncate(len(head) + data)
    info = probe(path)
    assert (info.frames, info.truncated) == (frames, False)


@pytest.mark.parametrize(
    ("fmt", "match"),
    [
        ({"channels": 0}, "0 channels"),
        ({"channels": 60_000}, "60000 channels"),
        ({"rate_hz": 0}, "rate of 0 Hz"),
        ({"rate_hz": 2**32 - 1}, "sample rate of"),
        ({"block": 0}, "frames of 0 bytes"),
        ({"block": 7, "channels": 2}, "frames of 7 bytes"),
        ({"bits": 0}, "of 0 bits"),
        ({"bits": 24, "block": 2}, "of 24 bits"),
        ({"block": 9, "bits": 72}, "samples of 9 bytes"),
        ({"tag": 0x55}, "coding 0x0055"),
        ({"tag": 3, "block": 3}, "samples of 3 bytes"),
    ],
)
def test_senseless_fmt(keep, hand, fmt, match):
    refused(keep(hand.wave(hand.fmt(**fmt), bytes(300))), match)


def test_extensible_of_a_foreign_coding(keep, hand):
    fmt = hand.fmt(tag=0xFFFE) + struct.pack("<HHI", 22, 24, 4) + bytes(16)
    refused(keep(hand.wave(fmt, bytes(300))), "coding 0xfffe")


def test_24_bits_in_frames_of_four_bytes(keep, hand):
    """Tech 3285 appendix A: the bits sit in the upper part of their container."""
    steps = np.array([1 << 30, -(1 << 31)], "<i4")
    path = keep(hand.wave(hand.fmt(block=4, bits=24), steps.tobytes()))
    with ChannelSource(path) as source:
        np.testing.assert_array_equal(source.read(0, 2), [0.5, -1.0])


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("empty.wav", b""),
        ("short.wav", b"RIFF"),
        ("no-wave.wav", b"RIFF\x04\0\0\0JUNK"),
        ("no-fmt.wav", b"RIFF\x0c\0\0\0WAVEdata\0\0\0\0"),
        ("text.wav", b"this is not audio at all, whatever its name says"),
        ("lossy.wav", b"ID3\x04" + bytes(100)),
        ("memo.wav", b"\0\0\0\x18ftypM4A " + bytes(100)),
        ("ogg.wav", b"OggS" + bytes(100)),
        ("flac.wav", b"fLaC"),
        ("flac0.wav", b"fLaC" + bytes(100)),
        ("caf.wav", b"caff\0\1\0\0"),
        ("aiff.wav", b"FORM\0\0\0\4AIFF"),
    ],
)
def test_not_audio(keep, name, raw):
    refused(keep(raw, name), "expected|found")


def test_no_data_at_all(keep, hand):
    refused(keep(hand.wave(hand.fmt(), b"")), "no samples")


def test_chunks_without_end(keep):
    raw = b"RIFF\0\0\0\0WAVE" + struct.pack("<4sI", b"JUNK", 0) * 5_000
    refused(keep(raw), "no 'fmt' chunk")


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"channels": 0}, "0 channels"),
        ({"frames": 0}, "no samples"),
        ({"bits": 0}, "samples of 0 bytes"),
        ({"bits": 65_535}, "samples of 8192 bytes"),
        ({"rate": bytes(10)}, "rate of 0 Hz"),
        ({"rate": b"\x7f\xff" + b"\xff" * 8}, "rate of inf Hz"),
    ],
)
def test_senseless_aiff(keep, hand, changes, match):
    refused(keep(hand.aiff(bytes(300), **changes), "take.aif"), match)


def test_aiff_of_2_to_31_frames(keep, hand):
    info = probe(keep(hand.aiff(bytes(300), frames=2**31), "take.aif"))
    assert (info.frames, info.truncated) == (100, True)


def test_aiff_by_hand(keep, hand):
    path = keep(hand.aiff(hand.octets_24([1, -2, 3], "big")), "take.aif")
    assert probe(path).sample_rate_hz == 48_000
    with ChannelSource(path) as source:
        np.testing.assert_array_equal(source.read(0, 3) * 2.0**23, [1, -2, 3])


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"channels": 0}, "0 channels"),
        ({"packet": 0}, "packets of 0 bytes"),
        ({"rate_hz": float("nan")}, "rate of nan Hz"),
        ({"rate_hz": -48_000.0}, "rate of -48000 Hz"),
    ],
)
def test_senseless_caf(keep, hand, changes, match):
    refused(keep(hand.caf(bytes(300), **changes), "take.caf"), match)


@pytest.mark.parametrize(
    ("size", "truncated"), [(-1, False), (304, False), (2**62, True), (2**63 - 1, True)]
)
def test_caf_sizes(keep, hand, size, truncated):
    """A size of -1 means: to the end of the file (Core Audio Format)."""
    path = keep(hand.caf(bytes(300), size=size), "take.caf")
    info = probe(path)
    assert (info.frames, info.truncated) == (100, truncated)
    with ChannelSource(path) as source:
        assert source.read(0, 100).shape == (100,)


def test_flac_cut_in_the_middle(tmp_path):
    path = tmp_path / "take.flac"
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, 50_000)
    soundfile.write(path, samples, 48_000, subtype="PCM_24")
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    info = probe(path)
    assert info.truncated
    assert 15_000 < info.frames < 26_000
    assert info.claimed_frames == 50_000
    with ChannelSource(path) as source:
        read = source.read(0, info.frames)
    np.testing.assert_allclose(read, samples[: info.frames], atol=2.0**-23)


def test_flac_of_unknown_length(tmp_path):
    """STREAMINFO may say 0 samples: not known. Its last 36 bits of that word."""
    path = tmp_path / "take.flac"
    soundfile.write(path, np.full(5_000, 0.25), 48_000)
    raw = bytearray(path.read_bytes())
    raw[21] &= 0xF0
    raw[22:26] = bytes(4)
    path.write_bytes(raw)
    info = probe(path)
    assert (info.frames, info.truncated) == (5_000, False)
