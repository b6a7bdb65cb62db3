"""The headers of AIFF, AIFF-C and CAF files.

AIFF and AIFF-C: IFF 85 forms with 80-bit sample rates. CAF: the published Core
Audio Format specification. All numbers are big-endian.
"""

import math
import struct
from typing import BinaryIO

from pipeline.files.chunks import Chunk, HeaderError, caf_chunks, form_chunks, read_at
from pipeline.files.coding import (
    Coding,
    Header,
    checked_channels,
    chunk_body,
    first_chunk,
    settled_header,
)

AIFC_CODINGS = {
    b"NONE": ("PCM", ">"),
    b"twos": ("PCM", ">"),
    b"sowt": ("PCM", "<"),
    b"in24": ("PCM", ">"),
    b"in32": ("PCM", ">"),
    b"raw ": ("RAW", ">"),
    b"fl32": ("FLOAT", ">"),
    b"FL32": ("FLOAT", ">"),
    b"fl64": ("FLOAT", ">"),
    b"FL64": ("FLOAT", ">"),
}


def _extended(raw: bytes) -> float:
    """80-bit extended number of an AIFF header."""
    exponent, mantissa = struct.unpack(">HQ", raw)
    try:
        return math.ldexp(mantissa, (exponent & 0x7FFF) - 16383 - 63)
    except OverflowError:
        return math.inf


def read_aiff(handle: BinaryIO, file_bytes: int) -> Header:
    """Read the header of an AIFF or AIFF-C file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading, whose first bytes are known to fit.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    Header
        What it says.

    Raises
    ------
    HeaderError
        When it makes no sense, or the samples are compressed.
    """
    packed = read_at(handle, 8, 4) == b"AIFC"
    chunks = form_chunks(handle, file_bytes)
    comm = chunk_body(handle, first_chunk(chunks, b"COMM"), 22 if packed else 18)
    channels, frames, bits = struct.unpack_from(">HIH", comm)
    name = comm[18:22] if packed else b"NONE"
    if name not in AIFC_CODINGS:
        msg = f"found an AIFF-C of coding {name!r}, expected PCM or float"
        raise HeaderError(msg)
    kind, order = AIFC_CODINGS[name]
    ssnd = first_chunk(chunks, b"SSND")
    skip = 8 + struct.unpack_from(">I", chunk_body(handle, ssnd, 8))[0]
    data = Chunk(
        b"SSND",
        ssnd.offset + skip,
        max(0, ssnd.size - skip),
        max(0, ssnd.available - skip),
    )
    width = {b"in24": 3, b"in32": 4}.get(name, (bits + 7) // 8)
    coding = Coding(kind, order, width, channels, _extended(comm[8:18]))
    return settled_header("AIFF-C" if packed else "AIFF", coding, data, frames)


def read_caf(handle: BinaryIO, file_bytes: int) -> Header:
    """Read the header of a CAF file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading, whose first bytes are known to fit.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    Header
        What it says.

    Raises
    ------
    HeaderError
        When it makes no sense, or the samples are compressed.
    """
    chunks = caf_chunks(handle, file_bytes)
    desc = chunk_body(handle, first_chunk(chunks, b"desc"), 32)
    rate_hz, name, flags, packet, per_packet, channels, bits = struct.unpack_from(
        ">d4sIIIII", desc
    )
    if name != b"lpcm" or per_packet != 1:
        msg = f"found a CAF of coding {name!r}, expected linear PCM"
        raise HeaderError(msg)
    width, remainder = divmod(packet, checked_channels(channels))
    if remainder or not 0 < (bits + 7) // 8 <= width:
        msg = f"found packets of {packet} bytes for {channels} channels of {bits} bits"
        raise HeaderError(msg)
    coding = Coding(
        "FLOAT" if flags & 1 else "PCM",
        "<" if flags & 2 else ">",
        width,
        channels,
        rate_hz,
    )
    whole = first_chunk(chunks, b"data")
    data = Chunk(  # the first four bytes count the edits
        b"data",
        whole.offset + 4,
        max(0, whole.size - 4),
        max(0, whole.available - 4),
    )
    return settled_header("CAF", coding, data)
