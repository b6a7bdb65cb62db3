"""What kind of audio a file holds, and where its samples lie.

The headers are read here, byte by byte and with every claim checked against
the size of the file, before any decoder sees it: a header that lies about its
sizes is the commonest damage there is. Uncompressed samples are then decoded
from the place found here; only FLAC goes on to a library.

Conventions: rates in Hz, sizes in bytes, a frame is one sample of every channel.
"""

import math
import struct
from dataclasses import dataclass, replace
from typing import BinaryIO

from pipeline.files.chunks import (
    Chunk,
    HeaderError,
    caf_chunks,
    form_chunks,
    read_at,
    wave_chunks,
)

MAX_CHANNELS = 1024
MIN_RATE_HZ = 1_000
MAX_RATE_HZ = 1_536_000
FOUR_GIB = 2**32
PCM, IEEE_FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")
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
FLAC_INFO_BYTES = 42


@dataclass(frozen=True, slots=True)
class Header:
    """What the header of an audio file says, checked against the file.

    Parameters
    ----------
    container : str
        ``WAV``, ``RF64``, ``BW64``, ``AIFF``, ``AIFF-C``, ``CAF`` or ``FLAC``.
    subtype : str
        ``PCM_U8``, ``PCM_S8``, ``PCM_16``, ``PCM_24``, ``PCM_32``, ``FLOAT`` or
        ``DOUBLE``.
    byte_order : str
        ``<`` or ``>``; of no meaning for FLAC.
    channels : int
        Samples a frame, 1 to 1024.
    sample_rate_hz : int
        Rounded to a whole number of Hz.
    data_offset : int
        First byte of the first sample; 0 for FLAC.
    frames : int
        Frames that the file really holds (FLAC: that it claims; 0 is unknown).
    claimed_frames : int
        Frames that the header claims.
    unfinished : bool
        True where the header still says that there is no audio: the recorder
        was stopped before it could close the file.
    """

    container: str
    subtype: str
    byte_order: str
    channels: int
    sample_rate_hz: int
    data_offset: int
    frames: int
    claimed_frames: int
    unfinished: bool = False


@dataclass(frozen=True, slots=True)
class _Coding:
    kind: str
    byte_order: str
    width: int
    channels: int
    rate_hz: float


def _subtype(coding: _Coding) -> str:
    if coding.kind == "FLOAT":
        names = {4: "FLOAT", 8: "DOUBLE"}
    else:
        eight = "PCM_U8" if coding.kind == "RAW" else "PCM_S8"
        names = {1: eight, 2: "PCM_16", 3: "PCM_24", 4: "PCM_32"}
    if coding.width not in names:
        msg = f"found samples of {coding.width} bytes, expected 1 to 4, or 8 for float"
        raise HeaderError(msg)
    return names[coding.width]


def _checked_rate(rate_hz: float) -> int:
    if not math.isfinite(rate_hz) or not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        msg = (
            f"found a sample rate of {rate_hz:g} Hz, "
            f"expected {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz"
        )
        raise HeaderError(msg)
    return round(rate_hz)


def _checked_channels(channels: int) -> int:
    if not 1 <= channels <= MAX_CHANNELS:
        msg = f"found {channels} channels, expected 1 to {MAX_CHANNELS}"
        raise HeaderError(msg)
    return channels


def _header(
    container: str, coding: _Coding, data: Chunk, claimed_frames: int | None = None
) -> Header:
    frame_bytes = coding.width * _checked_channels(coding.channels)
    subtype = _subtype(coding)
    frames = data.available // frame_bytes
    claimed = data.size // frame_bytes if claimed_frames is None else claimed_frames
    if claimed_frames is not None:
        frames = min(frames, claimed_frames)
    if frames == 0:
        msg = f"found no samples (the header claims {claimed} frames)"
        raise HeaderError(msg)
    return Header(
        container,
        subtype,
        coding.byte_order,
        coding.channels,
        _checked_rate(coding.rate_hz),
        data.offset,
        frames,
        claimed,
    )


def _first(chunks: list[Chunk], name: bytes) -> Chunk:
    for chunk in chunks:
        if chunk.name == name:
            return chunk
    msg = f"found no {name.decode('latin-1').strip()!r} chunk"
    raise HeaderError(msg)


def _body(handle: BinaryIO, chunk: Chunk, least: int) -> bytes:
    body = read_at(handle, chunk.offset, min(chunk.available, 64))
    if len(body) < least:
        name = chunk.name.decode("latin-1").strip()
        msg = f"found a {name!r} chunk of {len(body)} bytes, expected {least} or more"
        raise HeaderError(msg)
    return body


def _wave_coding(fmt: bytes) -> _Coding:
    tag, channels, rate_hz, _, block, bits = struct.unpack_from("<HHIIHH", fmt)
    _checked_channels(channels)
    if tag == EXTENSIBLE and len(fmt) >= 40 and fmt[26:40] == SUBFORMAT_TAIL:
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
    return _Coding("FLOAT" if tag == IEEE_FLOAT else pcm, "<", width, channels, rate_hz)


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


def _read_wave(handle: BinaryIO, file_bytes: int) -> Header:
    container = {b"RIFF": "WAV"}.get(form := read_at(handle, 0, 4), form.decode())
    chunks = wave_chunks(handle, file_bytes)
    coding = _wave_coding(_body(handle, _first(chunks, b"fmt "), 16))
    data = _first(chunks, b"data")
    if container == "WAV":
        data, unfinished = _settled_wave_data(handle, data, file_bytes)
        return replace(_header(container, coding, data), unfinished=unfinished)
    return _header(container, coding, data)


def _extended(raw: bytes) -> float:
    """80-bit extended number of an AIFF header."""
    exponent, mantissa = struct.unpack(">HQ", raw)
    try:
        return math.ldexp(mantissa, (exponent & 0x7FFF) - 16383 - 63)
    except OverflowError:
        return math.inf


def _read_aiff(handle: BinaryIO, file_bytes: int) -> Header:
    packed = read_at(handle, 8, 4) == b"AIFC"
    chunks = form_chunks(handle, file_bytes)
    comm = _body(handle, _first(chunks, b"COMM"), 22 if packed else 18)
    channels, frames, bits = struct.unpack_from(">HIH", comm)
    name = comm[18:22] if packed else b"NONE"
    if name not in AIFC_CODINGS:
        msg = f"found an AIFF-C of coding {name!r}, expected PCM or float"
        raise HeaderError(msg)
    kind, order = AIFC_CODINGS[name]
    ssnd = _first(chunks, b"SSND")
    skip = 8 + struct.unpack_from(">I", _body(handle, ssnd, 8))[0]
    data = Chunk(
        b"SSND",
        ssnd.offset + skip,
        max(0, ssnd.size - skip),
        max(0, ssnd.available - skip),
    )
    width = {b"in24": 3, b"in32": 4}.get(name, (bits + 7) // 8)
    coding = _Coding(kind, order, width, channels, _extended(comm[8:18]))
    return _header("AIFF-C" if packed else "AIFF", coding, data, frames)


def _read_caf(handle: BinaryIO, file_bytes: int) -> Header:
    chunks = caf_chunks(handle, file_bytes)
    desc = _body(handle, _first(chunks, b"desc"), 32)
    rate_hz, name, flags, packet, per_packet, channels, bits = struct.unpack_from(
        ">d4sIIIII", desc
    )
    if name != b"lpcm" or per_packet != 1:
        msg = f"found a CAF of coding {name!r}, expected linear PCM"
        raise HeaderError(msg)
    width, remainder = divmod(packet, _checked_channels(channels))
    if remainder or not 0 < (bits + 7) // 8 <= width:
        msg = f"found packets of {packet} bytes for {channels} channels of {bits} bits"
        raise HeaderError(msg)
    coding = _Coding(
        "FLOAT" if flags & 1 else "PCM",
        "<" if flags & 2 else ">",
        width,
        channels,
        rate_hz,
    )
    whole = _first(chunks, b"data")
    data = Chunk(  # the first four bytes count the edits
        b"data",
        whole.offset + 4,
        max(0, whole.size - 4),
        max(0, whole.available - 4),
    )
    return _header("CAF", coding, data)


def _read_flac(handle: BinaryIO, file_bytes: int) -> Header:
    raw = read_at(handle, 0, FLAC_INFO_BYTES)
    if len(raw) < FLAC_INFO_BYTES or raw[4] & 0x7F != 0 or file_bytes <= len(raw):
        msg = "found a FLAC mark without its stream description or without audio"
        raise HeaderError(msg)
    packed = int.from_bytes(raw[18:26], "big")
    bits = ((packed >> 36) & 0x1F) + 1
    frames = packed & (2**36 - 1)
    widths = {8: "PCM_S8", 16: "PCM_16", 20: "PCM_24", 24: "PCM_24"}
    if bits not in widths:
        msg = f"found a FLAC of {bits} bits, expected 8, 16, 20 or 24"
        raise HeaderError(msg)
    return Header(
        "FLAC",
        widths[bits],
        "<",
        ((packed >> 41) & 7) + 1,
        _checked_rate(packed >> 44),
        0,
        frames,
        frames,
    )


def read_header(handle: BinaryIO, file_bytes: int) -> Header:
    """Read the header of an audio file of one of the known kinds.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    Header
        With at least one frame and one channel (FLAC: frames as claimed).

    Raises
    ------
    HeaderError
        When the kind is unknown or the header makes no sense.
    """
    start = read_at(handle, 0, 12)
    if start[:4] in (b"RIFF", b"RF64", b"BW64") and start[8:] == b"WAVE":
        return _read_wave(handle, file_bytes)
    if start[:4] == b"FORM" and start[8:] in (b"AIFF", b"AIFC"):
        return _read_aiff(handle, file_bytes)
    if start[:4] == b"caff":
        return _read_caf(handle, file_bytes)
    if start[:4] == b"fLaC":
        return _read_flac(handle, file_bytes)
    msg = f"expected WAV, RF64, BW64, AIFF, CAF or FLAC, found {_guess(start)}"
    raise HeaderError(msg)


def _guess(start: bytes) -> str:
    marks = {b"OggS": "Ogg", b"ID3": "MP3", b"\xff\xfb": "MP3", b"RIFX": "RIFX"}
    for mark, name in marks.items():
        if start.startswith(mark):
            return name
    if start[4:8] == b"ftyp":
        return "MPEG-4"
    return f"bytes that start {start[:4]!r}" if start else "an empty file"
