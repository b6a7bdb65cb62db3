"""What audio a file holds, and its samples.

The only door through which audio enters. Files are opened for reading only,
must be regular files, and are never touched. Every refusal is an `AudioError`
that says what was checked, found, expected, and what to do.

Uncompressed samples are decoded with numpy from the place that the checked
header gives (half the time of a detour through a codec library, and one
channel of a poly file costs one channel); libsndfile decodes FLAC.
"""

import hashlib
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AudioError
from pipeline.files.chunks import HeaderError
from pipeline.files.coding import Header
from pipeline.files.flac import FlacError, FlacReader, flac_frames
from pipeline.files.headers import read_header
from pipeline.files.opening import UNREADABLE, open_source, refuse_change, signature
from pipeline.files.resample import Resampler, resampled_frames
from pipeline.files.samples import PcmReader

BLOCK_BYTES = 1_048_576
FLOATS = ("FLOAT", "DOUBLE")


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What an audio file holds.

    Parameters
    ----------
    path : Path
        The file.
    frames : int
        Frames that can be read.
    sample_rate_hz : int
        Sample rate in Hz.
    channels : int
        Number of channels, 1 or more.
    subtype : str
        ``PCM_16``, ``PCM_24``, ``FLOAT``, ...
    container : str
        ``WAV``, ``RF64``, ``BW64``, ``AIFF``, ``AIFF-C``, ``CAF`` or ``FLAC``.
    truncated : bool
        True where the header claims more frames than the file has, or was
        never finished.
    claimed_frames : int
        Frames that the header claims.
    size_bytes, modified_ns : int
        Size and time of change of the file when it was looked at.
    """

    path: Path
    frames: int
    sample_rate_hz: int
    channels: int
    subtype: str
    container: str
    truncated: bool
    claimed_frames: int
    size_bytes: int
    modified_ns: int


def _look(path: Path, handle: BufferedReader) -> tuple[AudioInfo, Header]:
    size, modified_ns = signature(handle)
    try:
        header = read_header(handle, size)
        flac = header.container == "FLAC"
        frames = flac_frames(handle, header) if flac else header.frames
    except (HeaderError, FlacError) as error:
        text = f"{error}. Export it again as WAV, AIFF or FLAC."
        raise AudioError(UNREADABLE, f"{path}: {text}") from error
    except OSError as error:
        text = f"reading failed ({error.strerror}). Check the disk."
        raise AudioError(UNREADABLE, f"{path}: {text}") from error
    if frames == 0:
        raise AudioError(
            UNREADABLE, f"{path}: no sample of it can be decoded. Copy it again."
        )
    claimed = header.claimed_frames or frames
    info = AudioInfo(
        path=path,
        frames=frames,
        sample_rate_hz=header.sample_rate_hz,
        channels=header.channels,
        subtype=header.subtype,
        container=header.container,
        truncated=claimed > frames or header.unfinished,
        claimed_frames=claimed,
        size_bytes=size,
        modified_ns=modified_ns,
    )
    return info, header


def probe(path: Path) -> AudioInfo:
    """Look at the header of an audio file.

    Parameters
    ----------
    path : Path
        A regular file, or a link to one.

    Returns
    -------
    AudioInfo
        Frames are those that the file really holds. An `AudioError` of the
        code ``missing`` or ``unreadable`` says why there is nothing to return.
    """
    with open_source(path) as handle:
        return _look(path, handle)[0]


class ChannelSource:
    """One channel of an audio file, in reach of random access.

    Use as a context manager. Memory does not depend on the length of the file
    or the number of its channels.

    Parameters
    ----------
    path : Path
        A regular file, or a link to one; it is opened for reading only.
    channel : int
        Channel to read, counted from 1.
    sample_rate_hz : int, optional
        Rate to deliver; the file's own rate by default. Another rate is
        reached with soxr at very high quality and without delay.

    Raises
    ------
    AudioError
        ``missing`` or ``unreadable``; also when the file changed before the
        end of the ``with`` block.

    Attributes
    ----------
    info : AudioInfo
        What the file holds.
    frames : int
        Length in samples at `sample_rate_hz`.
    sample_rate_hz, native_rate_hz : int
        Rate delivered and rate of the file, in Hz.
    not_finite_seen : bool
        True once a block that was read held not-a-number or infinity. Such
        samples are delivered as they are (resampled, they spoil their block).
    """

    def __init__(
        self, path: Path, channel: int = 1, *, sample_rate_hz: int | None = None
    ) -> None:
        self._handle = open_source(path)
        try:
            self.info, header = _look(path, self._handle)
            self._reader = self._reader_of(header, channel)
        except BaseException:
            self._handle.close()
            raise
        self.not_finite_seen = False
        self.native_rate_hz = self.info.sample_rate_hz
        self.sample_rate_hz = sample_rate_hz or self.native_rate_hz
        self.frames = self.info.frames
        self._resampler: Resampler | None = None
        if self.sample_rate_hz != self.native_rate_hz:
            rates = self.native_rate_hz, self.sample_rate_hz
            self._resampler = Resampler(self._read_native, *rates)
            self.frames = resampled_frames(self.info.frames, *rates)

    def _reader_of(self, header: Header, channel: int) -> PcmReader | FlacReader:
        if not 1 <= channel <= header.channels:
            text = (
                f"channel {channel} was asked for, the file has "
                f"{header.channels} (counted from 1). Correct the manifest."
            )
            raise AudioError(UNREADABLE, f"{self.info.path}: {text}")
        if header.container == "FLAC":
            return FlacReader(self._handle, header, channel - 1)
        return PcmReader(self._handle, header, channel - 1)

    def __enter__(self) -> Self:
        """Return the source itself, already open."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close, and refuse a file that changed meanwhile."""
        try:
            if kind is None:
                before = self.info.size_bytes, self.info.modified_ns
                refuse_change(self.info.path, self._handle, before)
        finally:
            self.close()

    def close(self) -> None:
        """Close the file."""
        self._reader.close()
        self._handle.close()

    def read(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read samples; what lies outside the file is zero.

        Parameters
        ----------
        start : int
            First sample at `sample_rate_hz`; may be negative.
        frames : int
            Number of samples, 0 or more.

        Returns
        -------
        ndarray, shape (frames,), float32
            Full scale 1.0. The same samples come back, bit for bit, however
            the reading is chopped. An `AudioError` of the code ``unreadable``
            says where the file is damaged.
        """
        if self._resampler is None:
            return self._read_native(start, frames)
        first, last = max(start, 0), min(start + frames, self.frames)
        out = np.zeros(frames, dtype=np.float32)
        if first < last:
            part = self._resampler.read(first, last - first)
            out[first - start : last - start] = part
        return out

    def _read_native(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read at the file's own rate; zero outside the file."""
        first, last = max(start, 0), min(start + frames, self.info.frames)
        if first >= last:
            return np.zeros(frames, dtype=np.float32)
        out = np.empty(frames, dtype=np.float32)
        out[: first - start] = out[last - start :] = 0.0
        inside = out[first - start : last - start]
        try:
            got = self._reader.fill(inside, first)
        except (OSError, FlacError) as error:
            text = f"reading failed ({error}). Check the file and the disk."
            raise AudioError(UNREADABLE, f"{self.info.path}: {text}") from error
        if got < len(inside):
            text = (
                f"expected {len(inside)} frames from frame {first}, found {got}: it is "
                "damaged there, or was cut while being read. Copy it again."
            )
            raise AudioError(UNREADABLE, f"{self.info.path}: {text}")
        if self.info.subtype in FLOATS and not np.isfinite(inside).all():
            self.not_finite_seen = True
        return out


def sha256_of(path: Path) -> str:
    """Hash a source file.

    Parameters
    ----------
    path : Path
        A regular file, or a link to one.

    Returns
    -------
    str
        SHA-256 of its bytes, 64 hexadecimal digits.

    Raises
    ------
    AudioError
        ``missing``, or ``unreadable`` also when the file changed meanwhile.
    """
    digest = hashlib.sha256()
    with open_source(path) as handle:
        before = signature(handle)
        try:
            while block := handle.read(BLOCK_BYTES):
                digest.update(block)
        except OSError as error:
            text = f"reading failed ({error.strerror}). Check the disk."
            raise AudioError(UNREADABLE, f"{path}: {text}") from error
        refuse_change(path, handle, before)
    return digest.hexdigest()
