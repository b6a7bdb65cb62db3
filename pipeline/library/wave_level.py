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
from pipeline.files.bext import (
    FIXED_BYTES,
    LAYOUT,
    LOUDNESS_VERSION,
    UNUSED,
    BextFields,
    hundredths,
)
from pipeline.files.chunks import Chunk
from pipeline.files.opening import UNREADABLE
from pipeline.files.wave_chunks import (
    info_chunk,
    read_bext,
    read_body,
    read_chunks,
    wave_start,
    whole_chunk,
)
from pipeline.units import amplitude_from_db

LEAST_GAIN_DB = 0.005
"""Smaller gains than this leave the samples as they are, byte for byte."""
_FRAME = 3
_FULL = 2**23
_BLOCK_BYTES = _FRAME * 65_536
_VERSION = 6
"""Where `LAYOUT` has the version of the ``bext`` chunk."""
_PCM_24 = (1, 24)


def _levels(body: bytes, gain_db: float) -> bytes:
    """Loudness figures of a ``bext`` body after a gain; none before version 2."""
    if len(body) < FIXED_BYTES:
        return body
    *before, value, spread, peak, momentary, short, rest = LAYOUT.unpack_from(body)
    if before[_VERSION] < LOUDNESS_VERSION:
        return body
    # The range is moved by no gain.
    value, peak, momentary, short = (
        level if level == UNUSED else hundredths(round(level / 100 + gain_db, 9))
        for level in (value, peak, momentary, short)
    )
    fixed = LAYOUT.pack(*before, value, spread, peak, momentary, short, rest)
    return fixed + body[FIXED_BYTES:]


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
        return read_bext(self._path)

    @cached_property
    def _head(self) -> bytes:
        """All that comes before the samples."""
        before = self._kept(before=True) + info_chunk(self._info)
        frames = self._data_bytes // self._frame_bytes
        return wave_start(before, self._data_bytes, frames, len(self._tail))

    @property
    def _frame_bytes(self) -> int:
        return int(struct.unpack_from("<H", self._fmt, 12)[0]) or _FRAME

    @property
    def _data_bytes(self) -> int:
        """Bytes of whole frames; a file that was cut short is not made longer."""
        frame = self._frame_bytes
        return self._data.available // frame * frame

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
            made += whole_chunk(chunk.name, body)
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
