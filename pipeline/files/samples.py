"""How stored samples become float32 of full scale 1.0, and back.

Integers of up to 24 bits, and float32, survive exactly. 32-bit integers and
float64 keep the 24 most significant bits: an error of at most 2**-24 of the
sample itself, 144 dB below it, which no converter reaches. float64 beyond the
range of float32 becomes infinite and is then found as not finite.

Only the wanted channel is decoded, so a poly file costs no more arithmetic
than a mono one.
"""

from io import BufferedReader

import numpy as np
from numpy.typing import NDArray

from pipeline.files.coding import Header

BLOCK_BYTES = 196_608

WIDTHS = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
FULL_SCALE_24 = 8_388_608
_ENCODED_FRAMES = 65_536
_BEFORE = 8


class PcmReader:
    """Samples of one channel of an uncompressed file.

    Parameters
    ----------
    handle : BufferedReader
        File, open for reading; it stays open on `close`.
    header : Header
        Where the samples lie and how they are coded.
    index : int
        Channel, counted from 0.
    """

    def __init__(self, handle: BufferedReader, header: Header, index: int) -> None:
        self._handle, self._header, self._index = handle, header, index
        self._frame_bytes = WIDTHS[header.subtype] * header.channels
        self._block = max(1, BLOCK_BYTES // self._frame_bytes)
        # Kept from block to block: fresh memory would cost more than the work. Some
        # bytes around it: a sample of three bytes is read as the upper part of four.
        size = self._block * self._frame_bytes
        self._around = np.zeros(_BEFORE + size + 1, dtype=np.uint8)
        self._raw = self._around[_BEFORE : _BEFORE + size]
        self._words = np.empty(self._block, dtype=np.int32)

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
        self._handle.seek(self._header.data_offset + first * self._frame_bytes)
        done = 0
        while done < len(out):
            wanted = min(self._block, len(out) - done)
            got = self._read(wanted)
            self._decode(got, out[done : done + got])
            done += got
            if got < wanted:
                break
        return done

    def _read(self, frames: int) -> int:
        """Read frames into the block; returns how many were there."""
        octets = self._handle.readinto(self._raw.data[: frames * self._frame_bytes])
        return octets // self._frame_bytes

    def _decode(self, frames: int, out: NDArray[np.float32]) -> None:
        """Turn the block's first frames into samples of the wanted channel."""
        subtype, order = self._header.subtype, self._header.byte_order
        channels = self._header.channels
        raw = self._raw[: frames * self._frame_bytes]
        width = WIDTHS[subtype]
        if subtype == "PCM_24":
            self._decode_24(frames, out, little=order == "<")
            return
        if subtype in ("FLOAT", "DOUBLE"):
            with np.errstate(over="ignore", invalid="ignore"):
                out[:] = raw.view(f"{order}f{width}")[self._index :: channels]
            return
        kind = "u1" if subtype == "PCM_U8" else f"{order}i{width}"
        out[:] = raw.view(kind)[self._index :: channels]
        if subtype == "PCM_U8":
            out -= np.float32(128)
        out *= np.float32(2.0 ** (1 - 8 * width))

    def _decode_24(
        self, frames: int, out: NDArray[np.float32], *, little: bool
    ) -> None:
        """Widen to 32 bits, most significant bits first; the lowest become zero."""
        stored: NDArray[np.int32] = np.ndarray(
            (frames,),
            dtype="<i4" if little else ">i4",
            buffer=self._around,
            offset=_BEFORE + 3 * self._index - (1 if little else 0),
            strides=(self._frame_bytes,),
        )
        words = self._words[:frames]
        words[:] = stored
        np.bitwise_and(words, np.int32(-256), out=words)
        out[:] = words
        out *= np.float32(2.0**-31)

    def close(self) -> None:
        """Let go of the file without closing it."""


def encode_24(samples: NDArray[np.float32]) -> bytes:
    """Turn float32 samples into little-endian 24-bit integers, without dither.

    Rounds half to even. The rounding error of 24 bits, 146 dB below full scale,
    lies under the noise of every microphone chain, and bytes stay repeatable.

    Parameters
    ----------
    samples : ndarray, shape (n,), float32
        From -1.0 up to, but not including, 1.0.

    Returns
    -------
    bytes
        3 n bytes. A sample that is not finite or outside of that range is a
        `ValueError`.
    """
    octets = np.empty(3 * len(samples) + 1, dtype=np.uint8)
    encode_24_into(octets, samples)
    return octets[:-1].tobytes()


def encode_24_into(
    octets: NDArray[np.uint8], samples: NDArray[np.float32], gain: float = 1.0
) -> None:
    """Turn float32 samples into 24-bit integers, as `encode_24`, where they shall lie.

    Parameters
    ----------
    octets : ndarray, shape (3 n + 1,), uint8
        Filled; the last byte is left with anything.
    samples : ndarray, shape (n,), float32
        With the gain from -1.0 up to, but not including, 1.0.
    gain : float
        Amplitude that the samples are multiplied by, in single precision.

    Raises
    ------
    ValueError
        When a sample is not finite or outside of that range.
    """
    # Kept from block to block: fresh memory would cost more than the work.
    kept = np.empty(min(len(samples), _ENCODED_FRAMES), dtype=np.float32)
    # Full scale is a power of two: one product rounds as two would.
    factor = np.float32(gain) * np.float32(FULL_SCALE_24)
    for start in range(0, len(samples), _ENCODED_FRAMES):
        block = samples[start : start + _ENCODED_FRAMES]
        scaled = np.multiply(block, factor, out=kept[: len(block)])
        highest = scaled.max()
        if not (scaled.min() >= -FULL_SCALE_24 and highest < FULL_SCALE_24):
            msg = "samples are not finite or outside [-1, 1): lower the gain first"
            raise ValueError(msg)
        np.rint(scaled, out=scaled)
        if highest > FULL_SCALE_24 - 1:
            # The last half step below 1.0 is inside the range and rounds down.
            np.minimum(scaled, np.float32(FULL_SCALE_24 - 1), out=scaled)
        # Words of four bytes, three bytes apart and written one after another: each
        # covers the fourth byte of the one before it.
        words: NDArray[np.int32] = np.ndarray(
            block.shape, dtype="<i4", buffer=octets, offset=3 * start, strides=(3,)
        )
        np.copyto(words, scaled, casting="unsafe")
