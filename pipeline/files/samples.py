"""How stored samples become float32 of full scale 1.0, and back.

Integers of up to 24 bits, and float32, survive exactly. 32-bit integers and
float64 keep the 24 most significant bits: an error of at most 2**-25 of the
sample's own power of two, 150 dB below it, which no converter reaches. float64
beyond the range of float32 becomes infinite and is then found as not finite.

Only the wanted channel is decoded, so a poly file costs no more arithmetic
than a mono one.
"""

from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.files.coding import Header

BLOCK_BYTES = 1_048_576

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


def _decode_24(octets: NDArray[np.uint8], *, little: bool) -> NDArray[np.float32]:
    wide = np.zeros((len(octets), 4), dtype=np.uint8)
    order = (0, 1, 2) if little else (2, 1, 0)
    for target, source in zip((1, 2, 3), order, strict=True):
        wide[:, target] = octets[:, source]
    whole: NDArray[np.int32] = wide.view("<i4")[:, 0]
    return np.multiply(whole, np.float32(2.0**-31), dtype=np.float32)


def decode(raw: bytes, header: Header, index: int) -> NDArray[np.float32]:
    """Turn stored frames into float32 samples of one channel.

    Parameters
    ----------
    raw : bytes
        Whole frames.
    header : Header
        Coding, byte order and number of channels.
    index : int
        Channel, counted from 0.

    Returns
    -------
    ndarray, shape (frames,), float32
        Full scale 1.0; not-a-number and infinity pass through.
    """
    subtype, order, channels = header.subtype, header.byte_order, header.channels
    width = WIDTHS[subtype]
    if subtype == "PCM_24":
        octets = np.frombuffer(raw, np.uint8).reshape(-1, channels, width)[:, index]
        return _decode_24(octets, little=order == "<")
    if subtype in ("FLOAT", "DOUBLE"):
        stored = np.frombuffer(raw, f"{order}f{width}")[index::channels]
        with np.errstate(over="ignore", invalid="ignore"):
            return stored.astype(np.float32)
    kind = f"{order}i{width}" if subtype != "PCM_U8" else "u1"
    whole = np.frombuffer(raw, kind)[index::channels].astype(np.float32)
    if subtype == "PCM_U8":
        whole -= np.float32(128)
    whole *= np.float32(2.0 ** (1 - 8 * width))
    return whole


class PcmReader:
    """Samples of one channel of an uncompressed file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading; it stays open on `close`.
    header : Header
        Where the samples lie and how they are coded.
    index : int
        Channel, counted from 0.
    """

    def __init__(self, handle: BinaryIO, header: Header, index: int) -> None:
        self._handle, self._header, self._index = handle, header, index

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
        header = self._header
        frame_bytes = WIDTHS[header.subtype] * header.channels
        block = max(1, BLOCK_BYTES // frame_bytes)
        self._handle.seek(header.data_offset + first * frame_bytes)
        done = 0
        while done < len(out):
            wanted = min(block, len(out) - done)
            raw = self._handle.read(wanted * frame_bytes)
            got = len(raw) // frame_bytes
            whole = raw if got == wanted else raw[: got * frame_bytes]
            out[done : done + got] = decode(whole, header, self._index)
            done += got
            if got < wanted:
                break
        return done

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
        3 n bytes.

    Raises
    ------
    ValueError
        When a sample is not finite or outside of that range.
    """
    if len(samples) and not (samples.min() >= -1.0 and samples.max() < 1.0):
        msg = "samples are not finite or outside [-1, 1): lower the gain first"
        raise ValueError(msg)
    scaled = np.rint(samples * np.float32(FULL_SCALE_24))
    # The last half step below 1.0 is inside the range and rounds down.
    np.minimum(scaled, FULL_SCALE_24 - 1, out=scaled)
    octets = scaled.astype("<i4").view(np.uint8).reshape(-1, 4)
    packed = np.empty((len(octets), 3), dtype=np.uint8)
    for k in range(3):
        packed[:, k] = octets[:, k]
    return packed.tobytes()
