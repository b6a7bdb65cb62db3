"""Audio files made by hand, so that nothing of the code under test makes them."""

import struct

import numpy as np
import pytest


class Hand:
    """Byte strings of WAV, AIFF and CAF files, with every claim free to be wrong."""

    @staticmethod
    def chunk(name, body, size=None, order="<"):
        head = struct.pack(f"{order}4sI", name, len(body) if size is None else size)
        return head + body + b"\0" * (len(body) & 1)

    @staticmethod
    def fmt(tag=1, channels=1, rate_hz=48_000, block=3, bits=24):
        rest = rate_hz * block & 0xFFFFFFFF
        return struct.pack("<HHIIHH", tag, channels, rate_hz, rest, block, bits)

    @classmethod
    def wave(cls, fmt, octets, *, before=(), after=(), form=b"RIFF", **sizes):
        body = b"WAVE"
        body += b"".join(cls.chunk(*one) for one in before)
        body += cls.chunk(b"fmt ", fmt)
        body += cls.chunk(b"data", octets, sizes.get("data"))
        body += b"".join(cls.chunk(*one) for one in after)
        return struct.pack("<4sI", form, sizes.get("riff", len(body))) + body

    @classmethod
    def aiff(cls, data, *, channels=1, frames=None, bits=24, rate=None):
        frames = len(data) // 3 if frames is None else frames
        # 48,000 Hz as an 80-bit extended number: 2**15 times 1.46484375.
        rate = rate or bytes.fromhex("400ebb80000000000000")
        comm = struct.pack(">HIH", channels, frames, bits) + rate
        body = b"AIFF" + cls.chunk(b"COMM", comm, order=">")
        body += cls.chunk(b"SSND", bytes(8) + data, order=">")
        return struct.pack(">4sI", b"FORM", len(body)) + body

    @staticmethod
    def caf(data, *, rate_hz=48_000.0, channels=1, packet=3, size=None):
        desc = struct.pack(">d4sIIIII", rate_hz, b"lpcm", 0, packet, 1, channels, 24)
        size = len(data) + 4 if size is None else size
        return (
            struct.pack(">4sHH", b"caff", 1, 0)
            + struct.pack(">4sq", b"desc", len(desc))
            + desc
            + struct.pack(">4sqI", b"data", size, 0)
            + data
        )

    @staticmethod
    def octets_24(whole, order="little"):
        return b"".join(int(w).to_bytes(3, order, signed=True) for w in whole)


@pytest.fixture
def hand():
    return Hand


@pytest.fixture
def keep(tmp_path):
    """Write bytes to a file of the test's folder."""

    def write(raw, name="take.wav"):
        path = tmp_path / name
        path.write_bytes(raw)
        return path

    return write


@pytest.fixture
def noise():
    """1,001 frames of 5 channels, on the grid of 8-bit integers: exact in all."""
    whole = np.random.default_rng(3).integers(-127, 128, (1_001, 5))
    return whole / 128.0
