"""The header of a WAV file, in its 32-bit and 64-bit forms.

EBU Tech 3285 appendix A (fmt), Tech 3306 and ITU-R BS.2088 (64 bits). ``bext``
and other chunks may come before ``fmt``.
"""

import struct
from dataclasses import replace
from typing import BinaryIO

from pipeline.files.chunks import Chunk, HeaderError, read_at, wave_chunks
from pipeline.files.coding import (
    Coding,
    Header,
    checked_channels,
    chunk_body,
    first_chunk,
    settled_header,
)

FOUR_GIB = 2**32
EXTENSIBLE_BYTES = 40
PCM, IEEE_FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def _wave_coding(fmt: bytes) -> Coding:
    tag, channels, rate_hz, _, block, bits = struct.unpack_from("<HHIIHH", fmt)
    checked_channels(channels)
    if (
        tag == EXTENSIBLE
        and len(fmt) >= EXTENSIBLE_BYTES
        and fmt[26:EXTENSIBLE_BYTES] == SUBFORMAT_TAIL
    ):
        tag = struct.unpack_from("<H", fmt, 24)[0]
    if tag not in (PCM, IEEE_FLOAT):
        msg = f"found a WAV of coding {tag:#06x}, expected PCM or IEEE float"
        raise HeaderError(msg)
    width, remainder = divmod(block, channels)
    if remainder or not 0 < (bits + 7) // 8 <= width:
        msg = (
            f"found frames of {block} bytes for {channels} channels of {bits} bits, "
            "which do not fit"
        )
        raise HeaderError(msg)
    pcm = "RAW" if width == 1 else "PCM"
    return Coding("FLOAT" if tag == IEEE_FLOAT else pcm, "<", width, channels, rate_hz)


def _settled_wave_data(
    handle: BinaryIO, data: Chunk, file_bytes: int
) -> tuple[Chunk, bool]:
    """Undo two honest mistakes of recorders: never closed, and wrapped at 4 GiB."""
    riff_bytes = struct.unpack("<I", read_at(handle, 4, 4))[0] + 8
    rest = file_bytes - data.offset
    if data.size == 0 and riff_bytes <= data.offset and rest > 0:
        return Chunk(data.name, data.offset, rest, rest, open_ended=True), True
    wraps, remainder = divmod(file_bytes - riff_bytes, FOUR_GIB)
    if wraps > 0 and remainder == 0:
        size = data.size + wraps * FOUR_GIB
        return Chunk(data.name, data.offset, size, min(size, rest)), False
    return data, False


def read_wave(handle: BinaryIO, file_bytes: int) -> Header:
    """Read the header of a WAV, RF64 or BW64 file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading, whose first bytes are known to fit.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    Header
        What it says. A `HeaderError` tells why it makes no sense.
    """
    container = {b"RIFF": "WAV"}.get(form := read_at(handle, 0, 4), form.decode())
    chunks = wave_chunks(handle, file_bytes)
    coding = _wave_coding(chunk_body(handle, first_chunk(chunks, b"fmt "), 16))
    data = first_chunk(chunks, b"data")
    if container == "WAV":
        data, unfinished = _settled_wave_data(handle, data, file_bytes)
        return replace(settled_header(container, coding, data), unfinished=unfinished)
    return settled_header(container, coding, data)
