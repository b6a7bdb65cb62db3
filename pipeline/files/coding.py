"""How the samples of a file are coded, checked for sense.

Every claim of a header passes here before it is believed. Conventions: rates in
Hz, sizes in bytes, a frame is one sample of every channel.
"""

import math
from dataclasses import dataclass
from typing import BinaryIO

from pipeline.files.chunks import Chunk, HeaderError, read_at

MAX_CHANNELS = 1024
MIN_RATE_HZ = 1_000
MAX_RATE_HZ = 1_536_000


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
class Coding:
    """How samples are stored, as a header says it.

    Parameters
    ----------
    kind : str
        ``PCM``, ``RAW`` (8 bits without sign) or ``FLOAT``.
    byte_order : str
        ``<`` or ``>``.
    width : int
        Bytes a sample.
    channels : int
        Samples a frame.
    rate_hz : float
        Sample rate in Hz.
    """

    kind: str
    byte_order: str
    width: int
    channels: int
    rate_hz: float


def _subtype(coding: Coding) -> str:
    if coding.kind == "FLOAT":
        names = {4: "FLOAT", 8: "DOUBLE"}
    else:
        eight = "PCM_U8" if coding.kind == "RAW" else "PCM_S8"
        names = {1: eight, 2: "PCM_16", 3: "PCM_24", 4: "PCM_32"}
    if coding.width not in names:
        msg = f"found samples of {coding.width} bytes, expected 1 to 4, or 8 for float"
        raise HeaderError(msg)
    return names[coding.width]


def checked_rate(rate_hz: float) -> int:
    """Refuse a sample rate that no recorder uses.

    Parameters
    ----------
    rate_hz : float
        As the header says it.

    Returns
    -------
    int
        Rounded to a whole number of Hz.

    Raises
    ------
    HeaderError
        When it is not finite or outside of 1 kHz to 1.536 MHz.
    """
    if not math.isfinite(rate_hz) or not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        msg = (
            f"found a sample rate of {rate_hz:g} Hz, "
            f"expected {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz"
        )
        raise HeaderError(msg)
    return round(rate_hz)


def checked_channels(channels: int) -> int:
    """Refuse a number of channels that no file has.

    Parameters
    ----------
    channels : int
        As the header says it.

    Returns
    -------
    int
        The same.

    Raises
    ------
    HeaderError
        When it is below 1 or above 1024.
    """
    if not 1 <= channels <= MAX_CHANNELS:
        msg = f"found {channels} channels, expected 1 to {MAX_CHANNELS}"
        raise HeaderError(msg)
    return channels


def settled_header(
    container: str, coding: Coding, data: Chunk, claimed_frames: int | None = None
) -> Header:
    """Bring what the header says and what the file holds together.

    Parameters
    ----------
    container : str
        Kind of file.
    coding : Coding
        How the samples are stored.
    data : Chunk
        Where they are.
    claimed_frames : int, optional
        Where the header counts frames apart from the size of `data`.

    Returns
    -------
    Header
        With one frame or more.

    Raises
    ------
    HeaderError
        When it makes no sense, or there are no samples.
    """
    frame_bytes = coding.width * checked_channels(coding.channels)
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
        checked_rate(coding.rate_hz),
        data.offset,
        frames,
        claimed,
    )


def first_chunk(chunks: list[Chunk], name: bytes) -> Chunk:
    """Find a chunk that must be there.

    Parameters
    ----------
    chunks : list of Chunk
        In the order of the file.
    name : bytes
        Four letters.

    Returns
    -------
    Chunk
        The first of that name.

    Raises
    ------
    HeaderError
        When there is none.
    """
    for chunk in chunks:
        if chunk.name == name:
            return chunk
    msg = f"found no {name.decode('latin-1').strip()!r} chunk"
    raise HeaderError(msg)


def chunk_body(handle: BinaryIO, chunk: Chunk, least: int) -> bytes:
    """Read the start of a chunk.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    chunk : Chunk
        Which.
    least : int
        Bytes that must be there.

    Returns
    -------
    bytes
        At most 64.

    Raises
    ------
    HeaderError
        When there are fewer than `least`.
    """
    body = read_at(handle, chunk.offset, min(chunk.available, 64))
    if len(body) < least:
        name = chunk.name.decode("latin-1").strip()
        msg = f"found a {name!r} chunk of {len(body)} bytes, expected {least} or more"
        raise HeaderError(msg)
    return body
