"""Truth by construction; libsndfile is the independent writer of the formats."""

import hashlib
import os
import struct
import tracemalloc

import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe, sha256_of

KINDS = [
    (container, subtype)
    for container, subtypes in {
        "WAV": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "WAVEX": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "RF64": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "AIFF": "PCM_S8 PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "CAF": "PCM_S8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "FLAC": "PCM_S8 PCM_16 PCM_24",
    }.items()
    for subtype in subtypes.split()
]


def whole(path, channel=1, **keywords):
    with ChannelSource(path, channel, **keywords) as source:
        return source.read(0, source.frames)


@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize(("container", "subtype"), KINDS)
def test_reads_every_kind_exactly(tmp_path, noise, container, subtype, channels):
    path = tmp_path / "take"
    samples = noise[:, :channels]
    soundfile.write(path, samples, 44_100, format=container, subtype=subtype)
    info = probe(path)
    named = {"WAVEX": {"WAV"}, "AIFF": {"AIFF", "AIFF-C"}}
    assert info.container in named.get(container, {container})
    assert (info.sample_rate_hz, info.channels) == (44_100, channels)
    assert info.subtype == subtype
    assert not info.truncated
    # libsndfile itself pads an odd number of 8-bit mono AIFF frames by one.
    assert info.frames == soundfile.info(path).frames
    for channel in range(1, channels + 1):
        read = whole(path, channel)
        assert read.dtype == np.float32
        np.testing.assert_array_equal(read[:1_001], samples[:, channel - 1])


def test_24_bits_survive_exactly(keep, hand):
    """Every power of two and its neighbours, both signs: float32 holds 24 bits."""
    steps = [s * (2**k + d) for k in range(23) for d in (-1, 0, 1) for s in (-1, 1)]
    steps += [-(2**23), 2**23 - 1]
    path = keep(hand.wave(hand.fmt(), hand.octets_24(steps)))
    np.testing.assert_array_equal(whole(path), np.array(steps) / 2.0**23)


def test_32_bits_keep_24_significant_bits(keep, hand):
    steps = np.array([2**31 - 1, -(2**31), 1, 2**24 + 1, 123_456_789], "<i4")
    path = keep(hand.wave(hand.fmt(block=4, bits=32), steps.tobytes()))
    exact = steps / 2.0**31
    assert np.all(np.abs(whole(path) - exact) <= np.abs(exact) * 2.0**-24)


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_reads_64_bit_forms(keep, hand, form):
    """EBU Tech 3306 and ITU-R BS.2088: FFFFFFFFh sizes, the true one in ds64."""
    data = hand.octets_24(range(100))
    ds64 = struct.pack("<QQQI", 0, len(data), 100, 0)
    raw = hand.wave(
        hand.fmt(),
        data,
        form=form,
        before=[(b"ds64", ds64)],
        after=[(b"LIST", b"INFO")],
        riff=2**32 - 1,
        data=2**32 - 1,
    )
    info = probe(keep(raw))
    assert (info.container, info.frames, info.truncated) == (form.decode(), 100, False)


def test_finds_fmt_behind_bext(keep, hand):
    """Some workstations write bext first; an odd chunk has a pad byte."""
    raw = hand.wave(
        hand.fmt(),
        hand.octets_24([5, 6]),
        before=[(b"bext", bytes(603)), (b"JUNK", b"odd")],
    )
    np.testing.assert_array_equal(whole(keep(raw)), np.array([5, 6]) / 2.0**23)


def test_zero_outside_the_file(keep, hand):
    path = keep(hand.wave(hand.fmt(), hand.octets_24([1 << 22] * 10)))
    with ChannelSource(path) as source:
        assert source.frames == 10
        np.testing.assert_array_equal(
            source.read(-3, 16), [0] * 3 + [0.5] * 10 + [0] * 3
        )
        for start in (-20, 10, 10**12):
            np.testing.assert_array_equal(source.read(start, 5), np.zeros(5))
        assert source.read(4, 0).shape == (0,)


@pytest.mark.parametrize("container", ["WAV", "FLAC", "CAF"])
def test_any_chopping_gives_the_same(tmp_path, noise, container):
    path = tmp_path / "take"
    soundfile.write(path, noise, 48_000, format=container, subtype="PCM_24")
    with ChannelSource(path, 4) as source:
        once = source.read(0, 1_001)
        for size in (1, 7, 500):
            parts = [source.read(k, size) for k in range(0, 1_001, size)]
            np.testing.assert_array_equal(np.concatenate(parts)[:1_001], once)
        np.testing.assert_array_equal(source.read(990, 5), once[990:995])
        np.testing.assert_array_equal(source.read(3, 5), once[3:8])


def test_channel_out_of_range(keep, hand):
    path = keep(hand.wave(hand.fmt(channels=2, block=6), bytes(60)))
    for channel in (0, 3, -1):
        with pytest.raises(AudioError, match="the file has 2") as caught:
            ChannelSource(path, channel)
        assert caught.value.code == "unreadable"


def test_not_finite_samples_are_told_and_kept(keep, hand):
    samples = np.array([0, np.nan, 0.5, np.inf, -np.inf, 1e-42], "<f4")
    path = keep(hand.wave(hand.fmt(3, 1, 48_000, 4, 32), samples.tobytes()))
    with ChannelSource(path) as source:
        np.testing.assert_array_equal(source.read(2, 1), [0.5])
        assert not source.not_finite_seen
        np.testing.assert_array_equal(source.read(0, 6), samples)
        assert source.not_finite_seen


def test_doubles_beyond_float32_are_not_finite(keep, hand):
    samples = np.array([1e300, 0.25], "<f8")
    path = keep(hand.wave(hand.fmt(3, 1, 48_000, 8, 64), samples.tobytes()))
    with ChannelSource(path) as source:
        assert source.read(0, 2)[1] == 0.25
        assert source.not_finite_seen


def test_one_sample(keep, hand):
    path = keep(hand.wave(hand.fmt(), hand.octets_24([-(2**23)])))
    np.testing.assert_array_equal(whole(path), [-1.0])


def test_sparse_file_over_4_gib(tmp_path, hand):
    """A recorder left running: 5 GiB of RF64, of which 60 bytes are on the disk."""
    frames = 5 * 2**30 // 3
    ds64 = struct.pack("<QQQI", 0, frames * 3, frames, 0)
    sizes = {"riff": 2**32 - 1, "data": 2**32 - 1}
    head = hand.wave(hand.fmt(), b"", form=b"RF64", before=[(b"ds64", ds64)], **sizes)
    path = tmp_path / "night.wav"
    with path.open("wb") as handle:
        handle.write(head)
        handle.seek(len(head) + (frames - 20) * 3)
        handle.write(hand.octets_24([1 << 22] * 20))
    tracemalloc.start()
    try:
        with ChannelSource(path) as source:
            assert (source.frames, source.info.truncated) == (frames, False)
            end = source.read(frames - 30, 40)
            middle = source.read(frames // 2, 1_000_000)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    np.testing.assert_array_equal(end, [0] * 10 + [0.5] * 20 + [0] * 10)
    assert not middle.any()
    assert peak < 16 * 2**20


def test_poly_files_do_not_multiply_memory(tmp_path):
    """Eight channels: the array asked for (4 MB), and a few blocks of 1 MiB."""
    path = tmp_path / "poly.wav"
    soundfile.write(path, np.zeros((1_000_000, 8)), 48_000, subtype="PCM_24")
    with ChannelSource(path, 8) as source:
        tracemalloc.start()
        try:
            source.read(0, 1_000_000)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    assert peak < 4_000_000 + 4 * 2**20


def test_hash_is_sha256(keep):
    """FIPS 180-4's example: SHA-256 of ``abc`` (from memory, checked by hashlib)."""
    assert sha256_of(keep(b"abc")).startswith("ba7816bf8f01cfea414140de5dae2223")
    raw = bytes(range(256)) * 10_000
    assert sha256_of(keep(raw)) == hashlib.sha256(raw).hexdigest()


def test_source_that_changes_while_read(keep, hand):
    path = keep(hand.wave(hand.fmt(), bytes(300)))

    def read_and_grow():
        with ChannelSource(path) as source:
            source.read(0, 10)
            with path.open("ab") as handle:
                handle.write(b"more")

    with pytest.raises(AudioError, match="changed while it was read") as caught:
        read_and_grow()
    assert caught.value.code == "unreadable"


def test_source_touched_while_hashed(keep, monkeypatch):
    path = keep(bytes(100))

    class Meddler:
        """Takes the place of a hash, and touches the file when it is fed."""

        def update(self, block):
            assert len(block) == 100
            os.utime(path, ns=(3, 3))

    monkeypatch.setattr("pipeline.files.audio.hashlib.sha256", Meddler)
    with pytest.raises(AudioError, match="changed while it was read"):
        sha256_of(path)


def test_source_cut_while_read(keep, hand):
    path = keep(hand.wave(hand.fmt(), bytes(3_000_000)))

    def read_and_cut():
        with ChannelSource(path) as source:
            os.truncate(path, 100)
            source.read(0, 1_000_000)

    with pytest.raises(AudioError, match="cut while being read"):
        read_and_cut()


def test_originals_are_not_touched(keep, hand):
    path = keep(hand.wave(hand.fmt(), bytes(300)))
    path.chmod(0o444)
    before = path.stat(), path.read_bytes()
    probe(path)
    whole(path)
    sha256_of(path)
    after = path.stat(), path.read_bytes()
    assert after[1] == before[1]
    assert after[0].st_mtime_ns == before[0].st_mtime_ns
