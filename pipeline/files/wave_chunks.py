"""Mono 24-bit WAV files that a workstation can place, and chunks of any WAV.

Order of what is written: ``fmt``, ``bext``, ``LIST`` (INFO), ``data``: some
readers stumble over a ``bext`` before ``fmt``, and all of it must come before the
data to be found. Over 4 GiB the file becomes RF64 (EBU Tech 3306, ITU-R
BS.2088), whose ``ds64`` comes first. Equal input gives equal bytes.
"""

import hashlib
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AudioError
from pipeline.files.atomic import replace_with
from pipeline.files.bext import BextFields, build_bext, parse_bext
from pipeline.files.chunks import Chunk, HeaderError, read_at, wave_chunks
from pipeline.files.names import ascii_text
from pipeline.files.opening import UNREADABLE, open_source, signature
from pipeline.files.samples import encode_24_into

FRAME_BYTES = 3
LARGEST_RIFF_BYTES = 2**32 - 1
LARGEST_BODY_BYTES = 1_048_576
PCM = 1


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file that was written, verified and renamed.

    Parameters
    ----------
    path : Path
        Where it is.
    frames : int
        Samples in it.
    sha256 : str
        Of its bytes, 64 hexadecimal digits.
    """

    path: Path
    frames: int
    sha256: str


def whole_chunk(name: bytes, body: bytes) -> bytes:
    """Make a chunk: its head, its body, and a byte more where that is odd.

    Parameters
    ----------
    name : bytes
        Four letters.
    body : bytes
        Less than 4 GiB.

    Returns
    -------
    bytes
        An even number.
    """
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) & 1)


def info_chunk(info: Mapping[str, str]) -> bytes:
    """Make a ``LIST`` chunk of type INFO.

    Parameters
    ----------
    info : mapping of str to str
        Texts by their four-letter names; written by name, as ASCII.

    Returns
    -------
    bytes
        The whole chunk, of an even number of bytes.

    Raises
    ------
    ValueError
        When a name is none.
    """
    entries = b"INFO"
    for name in sorted(info):
        if len(name) != 4 or not (name.isascii() and name.isupper()):
            msg = f"expected an INFO name of four capital letters, found {name!r}"
            raise ValueError(msg)
        text = ascii_text(info[name]).encode("ascii") + b"\0"
        entries += whole_chunk(name.encode("ascii"), text)
    return whole_chunk(b"LIST", entries)


def wave_head(
    frames: int, sample_rate_hz: int, bext: BextFields, info: Mapping[str, str] | None
) -> bytes:
    """Make all that comes before the samples of a mono 24-bit file.

    Parameters
    ----------
    frames : int
        Samples that will follow.
    sample_rate_hz : int
        Sample rate in Hz.
    bext : BextFields
        Broadcast extension.
    info : mapping of str to str, optional
        INFO entries by their four-letter names.

    Returns
    -------
    bytes
        Up to and including the head of the ``data`` chunk.

    Raises
    ------
    ValueError
        When a field cannot be stored.
    """
    if not 0 < sample_rate_hz * FRAME_BYTES < 2**32:
        msg = f"found a sample rate of {sample_rate_hz} Hz, which no WAV can store"
        raise ValueError(msg)
    byte_rate = sample_rate_hz * FRAME_BYTES
    fmt = struct.pack("<HHIIHH", PCM, 1, sample_rate_hz, byte_rate, FRAME_BYTES, 24)
    middle = whole_chunk(b"fmt ", fmt) + whole_chunk(b"bext", build_bext(bext))
    if info:
        middle += info_chunk(info)
    return wave_start(middle, frames * FRAME_BYTES, frames)


def wave_start(
    middle: bytes, data_bytes: int, frames: int, tail_bytes: int = 0
) -> bytes:
    """Put the start of a file before its chunks: of RIFF, or over 4 GiB of RF64.

    Parameters
    ----------
    middle : bytes
        The chunks ahead of the samples.
    data_bytes, frames : int
        Bytes of all samples, and frames in them.
    tail_bytes : int
        Bytes of the chunks that follow the samples.

    Returns
    -------
    bytes
        Up to and including the head of the ``data`` chunk.
    """
    riff_bytes = 4 + len(middle) + 8 + data_bytes + (data_bytes & 1) + tail_bytes
    if riff_bytes <= LARGEST_RIFF_BYTES:
        start = struct.pack("<4sI4s", b"RIFF", riff_bytes, b"WAVE")
        return start + middle + struct.pack("<4sI", b"data", data_bytes)
    # riffSize, dataSize, sampleCount, and a table of no further chunks
    ds64 = whole_chunk(
        b"ds64", struct.pack("<QQQI", riff_bytes + 36, data_bytes, frames, 0)
    )
    start = struct.pack("<4sI4s", b"RF64", 2**32 - 1, b"WAVE") + ds64
    return start + middle + struct.pack("<4sI", b"data", 2**32 - 1)


def write_wave_24(
    path: Path,
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    bext: BextFields,
    *,
    info: Mapping[str, str] | None = None,
    gain: float = 1.0,
) -> WrittenFile:
    """Write a mono 24-bit WAV file, whole or not at all.

    Parameters
    ----------
    path : Path
        Final name, in a folder that exists.
    samples : ndarray, shape (n,), float32
        With the gain from -1.0 up to, but not including, 1.0. Rounded to 24 bits
        without dither, see `encode_24`.
    sample_rate_hz : int
        Sample rate in Hz.
    bext : BextFields
        Broadcast extension.
    info : mapping of str to str, optional
        INFO entries by their four-letter names; stored as ASCII.
    gain : float
        Amplitude that the samples are multiplied by, in single precision.

    Returns
    -------
    WrittenFile
        Path, length and hash. An `OutputError` says why nothing was written; a
        sample that is not finite or outside of the range is a `ValueError`, and
        nothing is written either.
    """
    head = wave_head(len(samples), sample_rate_hz, bext, info)
    # One byte more than the samples need: what follows an odd number of bytes, or else
    # goes.
    octets = np.empty(len(head) + len(samples) * FRAME_BYTES + 1, dtype=np.uint8)
    octets[: len(head)] = np.frombuffer(head, dtype=np.uint8)
    encode_24_into(octets[len(head) :], samples, gain)
    octets[-1] = 0
    content = octets.data[: -1 if len(samples) * FRAME_BYTES % 2 == 0 else None]
    replace_with(path, content)
    return WrittenFile(path, len(samples), hashlib.sha256(content).hexdigest())


def wave_16(samples: NDArray[np.int16], sample_rate_hz: int) -> bytes:
    """Put 16-bit samples into a plain mono WAV file in memory.

    Parameters
    ----------
    samples : ndarray of int16, shape (frames,)
        Less than 4 GiB of them.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    bytes
        The whole file: 44 bytes and the samples.
    """
    data = samples.astype("<i2", copy=False).tobytes()
    head = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        b"RIFF",
        36 + len(data),
        b"WAVE",
        b"fmt ",
        16,
        1,
        1,
        sample_rate_hz,
        2 * sample_rate_hz,
        2,
        16,
        b"data",
        len(data),
    )
    return head + data


def read_chunks(path: Path) -> list[Chunk]:
    """List the chunks of a WAV, RF64 or BW64 file.

    Parameters
    ----------
    path : Path
        A regular file.

    Returns
    -------
    list of Chunk
        In the order of the file.

    Raises
    ------
    AudioError
        ``missing``, or ``unreadable`` when it is no such file.
    """
    with open_source(path) as handle:
        try:
            return wave_chunks(handle, signature(handle)[0])
        except (HeaderError, OSError) as error:
            raise AudioError(UNREADABLE, f"{path}: {error}. Name a WAV.") from error


def read_body(path: Path, chunk: Chunk) -> bytes:
    """Read the body of a chunk.

    Parameters
    ----------
    path : Path
        The file that `read_chunks` listed.
    chunk : Chunk
        One of its chunks.

    Returns
    -------
    bytes
        At most the first 1 MiB of what the file holds of it.
    """
    with open_source(path) as handle:
        return read_at(handle, chunk.offset, min(chunk.available, LARGEST_BODY_BYTES))


def read_bext(path: Path) -> BextFields | None:
    """Read the broadcast extension of a source, for its place in time.

    Parameters
    ----------
    path : Path
        A regular file of any kind.

    Returns
    -------
    BextFields or None
        None where the file is no WAV or has no usable ``bext`` chunk.
    """
    try:
        for chunk in read_chunks(path):
            if chunk.name == b"bext":
                return parse_bext(read_body(path, chunk))
    except (AudioError, OSError, ValueError):
        return None
    return None
