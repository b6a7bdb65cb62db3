"""What kind of audio a file holds, and where its samples lie.

The headers are read here, byte by byte and with every claim checked against
the size of the file, before any decoder sees it: a header that lies about its
sizes is the commonest damage there is. Uncompressed samples are then decoded
from the place found here; only FLAC goes on to a library.
"""

from typing import BinaryIO

from pipeline.files.aiff_caf_headers import read_aiff, read_caf
from pipeline.files.chunks import WAVE_FORMS, HeaderError, read_at
from pipeline.files.coding import Header, checked_rate
from pipeline.files.wave_header import read_wave

FLAC_INFO_BYTES = 42


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
        checked_rate(packed >> 44),
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
    if start[:4] in WAVE_FORMS and start[8:] == b"WAVE":
        return read_wave(handle, file_bytes)
    if start[:4] == b"FORM" and start[8:] in (b"AIFF", b"AIFC"):
        return read_aiff(handle, file_bytes)
    if start[:4] == b"caff":
        return read_caf(handle, file_bytes)
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
