"""Copies of a run's WAV files at another level, with what they are written inside.

Only the samples, the loudness figures of ``bext`` and the list of INFO texts change;
every other byte is the original's.
"""

import struct
from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AudioError
from pipeline.files.bext import BextFields, parse_bext
from pipeline.files.chunks import Chunk
from pipeline.files.opening import UNREADABLE
from pipeline.files.wave_chunks import info_chunk, read_body, read_chunks
from pipeline.units import amplitude_from_db

LEAST_GAIN_DB = 0.005
"""Smaller gains than this leave the samples as they are, byte for byte."""
_FRAME = 3
_FULL = 2**23
_BLOCK_BYTES = _FRAME * 65_536
_VERSION_AT = 346
_LEVELS_AT = 412
_UNUSED = 0x7FFF
_MOST = 9_999
_RANGE = 1
"""Second of the five figures (EBU Tech 3285): a range, which no gain moves."""
_PCM_24 = (1, 24)
_LARGEST_RIFF = 2**32 - 1


def _levels(body: bytes, gain_db: float) -> bytes:
    """Loudness figures of a ``bext`` body after a gain; none before version 2."""
    if (
        len(body) < _LEVELS_AT + 10
        or struct.unpack_from("<H", body, _VERSION_AT)[0] < 2
    ):
        return body
    moved = [
        value if k == _RANGE or value == _UNUSED else _moved(value, gain_db)
        for k, value in enumerate(struct.unpack_from("<5h", body, _LEVELS_AT))
    ]
    levels = struct.pack("<5h", *moved)
    return body[:_LEVELS_AT] + levels + body[_LEVELS_AT + len(levels) :]


def _moved(hundredths: int, gain_db: float) -> int:
    value = round(hundredths + 100 * gain_db)
    return value if abs(value) <= _MOST else _UNUSED


def _integers(block: bytes) -> NDArray[np.int32]:
    octets = np.frombuffer(block, dtype=np.uint8).reshape(-1, _FRAME)
    wide = np.zeros((len(octets), 4), dtype=np.uint8)
    wide[:, 1:] = octets
    return wide.view("<i4")[:, 0] >> 8


def _scaled(values: NDArray[np.int32], factor: float) -> NDArray[np.int32]:
    """Scale 24-bit samples; full scale is never wrapped around."""
    wide = np.rint(values * np.float64(factor))
    return np.clip(wide, -_FULL, _FULL - 1).astype("<i4")


def _packed(values: NDArray[np.int32]) -> bytes:
    return values.view(np.uint8).reshape(-1, 4)[:, :_FRAME].tobytes()


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) & 1)


class LevelledWave:
    """A WAV at another level.

    Parameters
    ----------
    path : Path
        Only read; an `AudioError` is raised if it is no WAV.
    gain_db : float
        Static gain in dB; the caller has made sure that the peaks fit. Samples are
        rounded to 24 bits without dither, as the run does.
    info : mapping of str to str
        INFO texts by their four-letter names; they replace those of the original.

    Raises
    ------
    AudioError
        If it has no samples, or is to be changed and no 24-bit PCM.
    """

    def __init__(self, path: Path, gain_db: float, info: Mapping[str, str]) -> None:
        self._path, self._info = path, info
        self._chunks = read_chunks(path)
        self._changed = abs(gain_db) >= LEAST_GAIN_DB
        self._gain_db = gain_db if self._changed else 0.0
        self._fmt = next(self._bodies(b"fmt "), b"")
        data = next((c for c in self._chunks if c.name == b"data"), None)
        if data is None or len(self._fmt) < 16:
            msg = f"{path}: holds no samples. Run the session again."
            raise AudioError(UNREADABLE, msg)
        self._data = data
        if self._changed:
            self._need_24()

    def _bodies(self, name: bytes) -> Iterator[bytes]:
        return (read_body(self._path, c) for c in self._chunks if c.name == name)

    def _need_24(self) -> None:
        if struct.unpack_from("<H12xH", self._fmt) != _PCM_24:
            msg = (
                f"{self._path}: expected a 24-bit PCM WAV as a run writes it. Run the "
                "session again."
            )
            raise AudioError(UNREADABLE, msg)

    @property
    def sample_rate_hz(self) -> int:
        """Sample rate in Hz."""
        return int(struct.unpack_from("<I", self._fmt, 4)[0])

    @cached_property
    def bext(self) -> BextFields | None:
        """Broadcast extension of the original, if it has a usable one."""
        for body in self._bodies(b"bext"):
            if len(body) >= _LEVELS_AT:
                return parse_bext(body.ljust(602, b"\0"))
        return None

    @cached_property
    def _head(self) -> bytes:
        """All that comes before the samples."""
        with self._path.open("rb") as handle:
            form = handle.read(4)
        before = self._kept(before=True) + info_chunk(self._info)
        size = self._data_bytes
        total = 4 + len(before) + 8 + size + (size & 1) + len(self._tail)
        if form != b"RIFF":
            # riffSize, dataSize, sampleCount, and a table of no further chunks
            total += 36
            frame = struct.unpack_from("<H", self._fmt, 12)[0] or _FRAME
            ds64 = struct.pack("<QQQI", total, size, size // frame, 0)
            start = struct.pack("<4sI4s", form, _LARGEST_RIFF, b"WAVE")
            start += _chunk(b"ds64", ds64)
            return start + before + struct.pack("<4sI", b"data", _LARGEST_RIFF)
        if total > _LARGEST_RIFF:
            msg = f"{self._path}: no room for texts below 4 GiB. Leave it out."
            raise AudioError(UNREADABLE, msg)
        start = struct.pack("<4sI4s", form, total, b"WAVE")
        return start + before + struct.pack("<4sI", b"data", size)

    @property
    def _data_bytes(self) -> int:
        """Bytes of whole frames; a file that was cut short is not made longer."""
        frame = struct.unpack_from("<H", self._fmt, 12)[0] or _FRAME
        return int(self._data.available // frame * frame)

    @cached_property
    def _tail(self) -> bytes:
        return self._kept(before=False)

    def _whole(self, chunk: Chunk) -> bytes:
        with self._path.open("rb") as handle:
            handle.seek(chunk.offset)
            return handle.read(chunk.available)

    def _kept(self, *, before: bool) -> bytes:
        """Chunks on one side of the samples, without old INFO texts."""
        made = b""
        for chunk in self._chunks:
            ours = (chunk.offset < self._data.offset) is before
            if not ours or chunk.name in {b"data", b"ds64"}:
                continue
            body = self._whole(chunk)
            if chunk.name == b"LIST" and body.startswith(b"INFO"):
                continue
            if chunk.name == b"bext" and self._changed:
                body = _levels(body, self._gain_db)
            made += _chunk(chunk.name, body)
        return made

    @property
    def metadata(self) -> bytes:
        """Every byte of the copy that is not sound."""
        return self._head + b"\n" + self._tail

    def _sound(self) -> Iterator[bytes]:
        with self._path.open("rb") as handle:
            handle.seek(self._data.offset)
            left = self._data_bytes
            while left > 0 and (block := handle.read(min(left, _BLOCK_BYTES))):
                left -= len(block)
                yield block

    def blocks(self) -> Iterator[bytes]:
        """Give the whole copy.

        Yields
        ------
        bytes
            Head, samples and tail.
        """
        yield self._head
        factor = amplitude_from_db(self._gain_db)
        for block in self._sound():
            if self._changed:
                yield _packed(_scaled(_integers(block), factor))
            else:
                yield block
        yield b"\0" * (self._data_bytes & 1) + self._tail

    def samples(self) -> NDArray[np.int32]:
        """Give the samples of the copy.

        Returns
        -------
        ndarray of int32, shape (frames,)
            Of 24 bits.

        Raises
        ------
        AudioError
            If the original is not mono, or no 24-bit PCM.
        """
        self._need_24()
        if struct.unpack_from("<H", self._fmt, 2)[0] != 1:
            msg = f"{self._path}: expected mono as a run writes it."
            raise AudioError(UNREADABLE, msg)
        blocks = [_integers(block) for block in self._sound()]
        found = np.concatenate([np.zeros(0, np.int32), *blocks]).astype(np.int32)
        if not self._changed:
            return found
        return _scaled(found, amplitude_from_db(self._gain_db)).astype(np.int32)
