"""Samples of a FLAC file, decoded and encoded by libsndfile.

The stream description of a source is checked before the library sees the file. What
is written gets its comments from here, because libsndfile knows ten names only:
metadata blocks by RFC 9639 section 8, names by the Vorbis comment recommendation.
"""

import io
import re
import struct
from collections.abc import Iterator, Mapping
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from pipeline import interruption
from pipeline.files.chunks import HeaderError
from pipeline.files.coding import Header

BLOCK_FRAMES = 65_536
FlacError = soundfile.SoundFileError
HIGHEST_RATE_HZ = 655_350
MOST_COMMENT_BYTES = 2**24 - 1
STREAM_INFO, VORBIS_COMMENT, LAST_BLOCK = 0, 4, 0x80
SAMPLE_24_MIN, SAMPLE_24_MAX = -(2**23), 2**23 - 1
_FIELD_NAME = re.compile(r"[ -<>-}]+")
"""Printable ASCII from space to } without the equals sign."""


class FlacReader:
    """Samples of one channel of a FLAC file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading; it stays open on `close`.
    header : Header
        Its stream description.
    index : int
        Channel, counted from 0.

    Raises
    ------
    HeaderError
        When the stream is not what its description says.
    """

    def __init__(self, handle: BinaryIO, header: Header, index: int) -> None:
        self._handle, self._index = handle, index
        self._open()
        found = self._file.channels, self._file.samplerate
        if found != (header.channels, header.sample_rate_hz):
            self._file.close()
            msg = f"its streams disagree on channels and rate {found}"
            raise HeaderError(msg)

    def _open(self) -> None:
        self._handle.seek(0)
        # The library calls back to read: what is raised there is lost.
        with interruption.held():
            self._file = soundfile.SoundFile(self._handle)
        self._position = 0

    def _decode(self, frames: int) -> NDArray[np.float32]:
        # Fewer frames come back at the end or at damage. The library fills the
        # array up to the damage before it complains, so what it filled is what
        # is there: FLAC itself holds no not-a-number.
        block = np.full((frames, self._file.channels), np.nan, dtype=np.float32)
        try:
            with interruption.held():
                got = len(self._file.read(out=block))
        except FlacError:
            got = int(np.count_nonzero(~np.isnan(block[:, 0])))
            self._open()
            return block[:got]
        self._position += got
        return block[:got]

    def _seek(self, frame: int) -> int:
        with interruption.held():
            return int(self._file.seek(frame))

    def _go_to(self, first: int) -> None:
        """Seek, or decode up to the place where a damaged file refuses to."""
        if self._position == first:
            return
        try:
            self._position = self._seek(first)
        except FlacError:
            self._open()
            while self._position < first:
                if not len(self._decode(min(BLOCK_FRAMES, first - self._position))):
                    return

    def fill(self, out: NDArray[np.float32], first: int) -> int:
        """Read into an array.

        Parameters
        ----------
        out : ndarray, shape (frames,), float32
            Filled from its start.
        first : int
            First frame of the file to read.

        Returns
        -------
        int
            Frames that were there to read.
        """
        self._go_to(first)
        if self._position != first:
            return 0
        done = 0
        while done < len(out):
            part = out[done : done + BLOCK_FRAMES]
            block = self._decode(len(part))
            part[: len(block)] = block[:, self._index]
            done += len(block)
            if len(block) < len(part):
                break
        return done

    def holds(self, frame: int) -> bool:
        """Tell whether a frame can be reached by seeking, and decoded.

        Parameters
        ----------
        frame : int
            Counted from 0.

        Returns
        -------
        bool
            False also where the library refuses to seek.
        """
        try:
            self._position = self._seek(frame)
        except FlacError:
            self._open()
            return False
        return len(self._decode(1)) == 1

    def count(self) -> int:
        """Count the frames up to the end, or to the first damage.

        Returns
        -------
        int
            Found by decoding all of them.
        """
        self._open()
        frames = 0
        while got := len(self._decode(BLOCK_FRAMES)):
            frames += got
            if got < BLOCK_FRAMES:
                break
        return frames

    def close(self) -> None:
        """Let go of the file without closing it."""
        self._file.close()


def flac_frames(handle: BinaryIO, header: Header) -> int:
    """Count the frames that a FLAC file really holds.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    header : Header
        Its stream description.

    Returns
    -------
    int
        The claimed number where the last claimed frame can be decoded, else
        all that can be decoded from the start (which takes decoding it).
    """
    reader = FlacReader(handle, header, 0)
    try:
        claimed = header.claimed_frames
        if claimed and reader.holds(claimed - 1):
            return claimed
        return reader.count()
    finally:
        reader.close()


def _metadata(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Walk the metadata blocks; the frames follow the last one."""
    at, last = 4, False
    while not last:
        last = bool(content[at] & LAST_BLOCK)
        size = int.from_bytes(content[at + 1 : at + 4], "big")
        yield content[at] & ~LAST_BLOCK, content[at + 4 : at + 4 + size]
        at += 4 + size


def _comment(vendor: bytes, comments: Mapping[str, str]) -> bytes:
    """Lay a comment block out; unlike the rest of FLAC it is little-endian."""
    body = vendor + struct.pack("<I", len(comments))
    for name, text in comments.items():
        if not _FIELD_NAME.fullmatch(name):
            msg = f"expected a comment's name in printable ASCII, found {name!r}"
            raise ValueError(msg)
        entry = f"{name.upper()}={text}".encode()
        body += struct.pack("<I", len(entry)) + entry
    if len(body) > MOST_COMMENT_BYTES:
        msg = f"found {len(body)} bytes of comments, a FLAC file holds 16 MiB"
        raise ValueError(msg)
    return body


def encode_flac(
    samples: NDArray[np.int32], sample_rate_hz: int, comments: Mapping[str, str]
) -> bytes:
    """Encode mono 24-bit samples, without loss.

    Parameters
    ----------
    samples : ndarray of int32, shape (frames,)
        From -2**23 up to 2**23 - 1; at least one.
    sample_rate_hz : int
        Sample rate in Hz, up to 655,350.
    comments : mapping of str to str
        Texts by field name, written in their order as UTF-8; names are written in
        capitals.

    Returns
    -------
    bytes
        A whole FLAC file with the checksum of its samples inside. Equal input gives
        equal bytes with one version of libFLAC.

    Raises
    ------
    ValueError
        When a sample, the rate or a comment cannot be stored.
    """
    if not len(samples):
        msg = "found no samples: a FLAC file of none has an unknown length"
        raise ValueError(msg)
    if samples.min() < SAMPLE_24_MIN or samples.max() > SAMPLE_24_MAX:
        msg = "samples are outside of 24 bits: lower the gain first"
        raise ValueError(msg)
    if not 0 < sample_rate_hz <= HIGHEST_RATE_HZ:
        msg = f"found a sample rate of {sample_rate_hz} Hz, FLAC stores up to 655,350"
        raise ValueError(msg)
    buffer = io.BytesIO()
    # libsndfile takes the upper 24 bits of 32.
    raised = samples.astype(np.int32, copy=False) << 8
    try:
        soundfile.write(buffer, raised, sample_rate_hz, "PCM_24", format="FLAC")
    except FlacError as error:
        msg = f"FLAC cannot store {sample_rate_hz} Hz: {error}"
        raise ValueError(msg) from error
    return _commented(buffer.getvalue(), comments)


def _commented(content: bytes, comments: Mapping[str, str]) -> bytes:
    blocks = list(_metadata(content))
    frames_at = 4 + sum(4 + len(body) for _, body in blocks)
    kept = [(kind, body) for kind, body in blocks if kind == STREAM_INFO]
    # The encoder's own name stands in its block: length, then text.
    own = next((body for kind, body in blocks if kind == VORBIS_COMMENT), bytes(4))
    vendor = own[: 4 + struct.unpack_from("<I", own)[0]]
    kept.append((VORBIS_COMMENT, _comment(vendor, comments)))
    made = b"fLaC"
    for k, (kind, body) in enumerate(kept, start=1):
        last = LAST_BLOCK if k == len(kept) else 0
        made += bytes([kind | last]) + len(body).to_bytes(3, "big") + body
    return made + content[frames_at:]
