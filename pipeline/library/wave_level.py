"""Copies of 24-bit WAV files at another level, their metadata kept.

Only the samples and the loudness figures of ``bext`` change; every other byte is
the original's.
"""

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.errors import AudioError
from pipeline.files.atomic import BLOCK_BYTES
from pipeline.files.chunks import Chunk
from pipeline.files.opening import UNREADABLE
from pipeline.files.wave_chunks import read_body, read_chunks
from pipeline.units import amplitude_from_db

LEAST_GAIN_DB = 0.005
"""Smaller gains than this leave a file as it is, byte for byte."""
_FRAME = 3
_FULL = 2**23
_VERSION_AT = 346
_LEVELS_AT = 412
_UNUSED = 0x7FFF
_MOST = 9_999
_RANGE = 1
"""Second of the five figures (EBU Tech 3285): a range, which no gain moves."""


def metadata(path: Path) -> bytes:
    """Read every byte of a WAV that is not sound, up to 1 MiB a chunk.

    Parameters
    ----------
    path : Path
        The file; an `AudioError` is raised if it is no WAV.

    Returns
    -------
    bytes
        Bodies of all chunks but ``data``, one after the other.
    """
    chunks = read_chunks(path)
    return b"\n".join(read_body(path, c) for c in chunks if c.name != b"data")


def _layout(path: Path) -> tuple[Chunk, Chunk | None]:
    """Find samples and ``bext`` of a 24-bit PCM file."""
    chunks = {chunk.name: chunk for chunk in reversed(read_chunks(path))}
    if b"fmt " in chunks and b"data" in chunks:
        fmt = read_body(path, chunks[b"fmt "])
        if len(fmt) >= 16 and struct.unpack_from("<H12xH", fmt) == (1, 24):
            return chunks[b"data"], chunks.get(b"bext")
    msg = (
        f"{path}: expected a 24-bit PCM WAV as a run writes it. Run the session again."
    )
    raise AudioError(UNREADABLE, msg)


def _levels(body: bytes, gain_db: float) -> bytes | None:
    """Loudness figures of a ``bext`` body after a gain."""
    if (
        len(body) < _LEVELS_AT + 10
        or struct.unpack_from("<H", body, _VERSION_AT)[0] < 2
    ):
        return None
    moved = [
        value if k == _RANGE or value == _UNUSED else _moved(value, gain_db)
        for k, value in enumerate(struct.unpack_from("<5h", body, _LEVELS_AT))
    ]
    return struct.pack("<5h", *moved)


def _moved(hundredths: int, gain_db: float) -> int:
    value = round(hundredths + 100 * gain_db)
    return value if abs(value) <= _MOST else _UNUSED


def _scaled(block: bytes, factor: float) -> bytes:
    """Scale whole frames of 24-bit samples; full scale is never wrapped around."""
    octets = np.frombuffer(block, dtype=np.uint8).reshape(-1, _FRAME)
    wide = np.zeros((len(octets), 4), dtype=np.uint8)
    wide[:, 1:] = octets
    values = (wide.view("<i4")[:, 0] >> 8).astype(np.float64)
    scaled = np.clip(np.rint(values * factor), -_FULL, _FULL - 1).astype("<i4")
    return scaled.view(np.uint8).reshape(-1, 4)[:, :_FRAME].tobytes()


def _plain(path: Path) -> Iterator[bytes]:
    with path.open("rb") as handle:
        while block := handle.read(BLOCK_BYTES):
            yield block


def levelled(path: Path, gain_db: float) -> Iterator[bytes]:
    """Read a WAV at another level.

    Parameters
    ----------
    path : Path
        24-bit PCM, as a run writes it.
    gain_db : float
        Static gain in dB; the caller has made sure that the peaks fit.

    Yields
    ------
    bytes
        The whole file in blocks. Samples are rounded to 24 bits without dither, as
        the run does. An `AudioError` is raised for another kind of file.
    """
    if abs(gain_db) < LEAST_GAIN_DB:
        yield from _plain(path)
        return
    data, bext = _layout(path)
    levels = _levels(read_body(path, bext), gain_db) if bext else None
    end = data.offset + data.available // _FRAME * _FRAME
    with path.open("rb") as handle:
        head = bytearray(handle.read(data.offset))
        if levels and bext and bext.offset < data.offset:
            at = bext.offset + _LEVELS_AT
            head[at : at + len(levels)] = levels
        yield bytes(head)
        factor = amplitude_from_db(gain_db)
        while (left := end - handle.tell()) > 0:
            yield _scaled(handle.read(min(left, _FRAME * 65_536)), factor)
        tail = bytearray(handle.read())
        if levels and bext and bext.offset >= data.offset:
            at = bext.offset + _LEVELS_AT - end
            tail[at : at + len(levels)] = levels
        yield bytes(tail)
