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
        handle.seek(0)
        self._file = soundfile.SoundFile(handle)
        self._index = index
        found = self._file.channels, self._file.samplerate
        if found != (header.channels, header.sample_rate_hz):
            self._file.close()
            msg = f"its streams disagree on channels and rate {found}"
            raise HeaderError(msg)

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
        if self._file.tell() != first:
            self._file.seek(first)
        done = 0
        while done < len(out):
            part = out[done : done + BLOCK_FRAMES]
            block = self._file.read(len(part), dtype="float32", always_2d=True)
            part[: len(block)] = block[:, self._index]
            done += len(block)
            if len(block) < len(part):
                break
        return done

    def close(self) -> None:
        """Let go of the file without closing it."""
        self._file.close()


def _holds_last_frame(handle: BinaryIO, header: Header) -> bool:
    reader = FlacReader(handle, header, 0)
    try:
        return reader.fill(np.empty(1, np.float32), header.claimed_frames - 1) == 1
    except soundfile.SoundFileError:
        return False
    finally:
        reader.close()


def _count_frames(handle: BinaryIO, header: Header) -> int:
    """Decode all that can be decoded, and count it."""
    reader = FlacReader(handle, header, 0)
    block = np.empty(BLOCK_FRAMES, np.float32)
    count = 0
    try:
        while got := reader.fill(block, count):
            count += got
    except soundfile.SoundFileError:
        return count
    finally:
        reader.close()
    return count


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
    if header.claimed_frames and _holds_last_frame(handle, header):
        return header.claimed_frames
    return _count_frames(handle, header)
