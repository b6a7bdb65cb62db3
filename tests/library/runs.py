"""Runs with real audio files of 24 bit, written by hand with the standard library."""

import hashlib
import json
import struct
from pathlib import Path
from typing import Any

import numpy as np

from tests.library import invented

RATE = 8_000
FRAMES = 4_001


def samples(seed: int) -> np.ndarray:
    """Noise, well below full scale, as 24-bit integers."""
    rng = np.random.default_rng(seed)
    return rng.integers(-(2**20), 2**20, FRAMES)


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)


def bext(description: str, lufs: float) -> bytes:
    """Version 2 of the broadcast extension (EBU Tech 3285), laid out by hand."""
    levels = [round(100 * lufs), 400, -600, 0x7FFF, round(100 * lufs) + 200]
    texts = (description.encode(), b"", b"", b"", b"")
    head = struct.pack("<256s32s32s10s8sQH64s", *texts, 123, 2, b"")
    return head + struct.pack("<5h", *levels) + bytes(180)


def wave(values: np.ndarray, description: str, lufs: float = -23.0) -> bytes:
    """A mono WAV of 24 bits with bext before and a foreign chunk after the samples."""
    data = values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    fmt = struct.pack("<HHIIHH", 1, 1, RATE, RATE * 3, 3, 24)
    body = chunk(b"fmt ", fmt) + chunk(b"bext", bext(description, lufs))
    body += chunk(b"data", data) + chunk(b"keep", b"foreign bytes")
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def read(content: bytes) -> tuple[np.ndarray, dict[bytes, bytes]]:
    """Samples and chunks, taken apart by hand."""
    chunks, at = {}, 12
    while at < len(content):
        name, size = content[at : at + 4], struct.unpack_from("<I", content, at + 4)[0]
        chunks[name] = content[at + 8 : at + 8 + size]
        at += 8 + size + (size & 1)
    octets = np.frombuffer(chunks[b"data"], np.uint8).reshape(-1, 3).astype(np.int64)
    values = octets[:, 0] + 256 * octets[:, 1] + 65536 * octets[:, 2]
    return np.where(values >= 2**23, values - 2**24, values), chunks


def write(folder: Path, night: dict[str, Any], lufs: float = -23.0) -> Path:
    """A run's folder with audio; all captures at one loudness."""
    (folder / "audio").mkdir(parents=True)
    night["loudness"]["effective_target_lufs"] = lufs
    for seed, capture in enumerate(night["captures"]):
        content = wave(samples(seed), f"{capture['id']} take", lufs)
        (folder / capture["output"]["file"]).write_bytes(content)
        capture["output"]["sha256"] = hashlib.sha256(content).hexdigest()
        capture["output"]["frames"] = FRAMES
        capture["loudness"]["lufs"] = lufs
    text = json.dumps(night, ensure_ascii=False)
    (folder / "record.json").write_text(text, encoding="utf-8")
    return folder


def small(seed: int) -> dict[str, Any]:
    """A night of three captures."""
    return invented.night(seed, 3)
