"""Samples of a FLAC file, decoded by libsndfile.

The stream description is checked before the library sees the file.
"""

from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from pipeline.files.chunks import HeaderError
from pipeline.files.coding import Header

BLOCK_FRAMES = 65_536
FlacError = soundfile.SoundFileError


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
        self._file = soundfile.SoundFile(self._handle)
        self._position = 0

    def _decode(self, frames: int) -> NDArray[np.float32]:
        # Fewer frames come back at the end or at damage. The library fills the
        # array up to the damage before it complains, so what it filled is what
        # is there: FLAC itself holds no not-a-number.
        block = np.full((frames, self._file.channels), np.nan, dtype=np.float32)
        try:
            got = len(self._file.read(out=block))
        except FlacError:
            got = int(np.count_nonzero(~np.isnan(block[:, 0])))
            self._open()
            return block[:got]
        self._position += got
        return block[:got]

    def _go_to(self, first: int) -> None:
        """Seek, or decode up to the place where a damaged file refuses to."""
        if self._position == first:
            return
        try:
            self._position = self._file.seek(first)
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
            self._position = self._file.seek(frame)
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
