"""Where the chunks of a WAV, AIFF or CAF file lie.

All three are a row of (identifier, size, body). The walk trusts no size: a
body that claims to reach past the end of the file is reported with what is
really there, and the walk ends after `MAX_CHUNKS`, so that no file, however
damaged, can keep it busy.

RIFF and its 64-bit forms: EBU Tech 3306, ITU-R BS.2088. AIFF: IFF 85. CAF:
the published Core Audio Format specification.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

MAX_CHUNKS = 4096
UNKNOWN_32 = 0xFFFFFFFF
LARGEST_OFFSET = 2**62
NARROW_HEAD_BYTES = 8  # RIFF and AIFF; CAF heads have 12 and bodies no padding
DS64_FIXED_BYTES = 28
DS64_MAX_BYTES = 65536
WAVE_FORMS = (b"RIFF", b"RF64", b"BW64")


class HeaderError(ValueError):
    """A header that cannot be used; the text says what was found."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk.

    Parameters
    ----------
    name : bytes
        Four-letter identifier.
    offset : int
        Where the body starts, in bytes from the start of the file.
    size : int
        Bytes that the header claims for the body (for RF64 from ``ds64``); the
        rest of the file where the header says that the size is not known.
    available : int
        Bytes of the body that the file really holds.
    open_ended : bool
        True where the header says that the size is not known.
    """

    name: bytes
    offset: int
    size: int
    available: int
    open_ended: bool = False


def read_at(handle: BinaryIO, offset: int, size: int) -> bytes:
    """Read bytes at a place; fewer come back at the end of the file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    offset : int
        First byte.
    size : int
        Number of bytes wanted.

    Returns
    -------
    bytes
        At most `size` bytes.
    """
    handle.seek(offset)
    return handle.read(size)


def _walk(
    handle: BinaryIO, start: int, head: struct.Struct, settle: Callable[[Chunk], Chunk]
) -> list[Chunk]:
    """Walk from `start`; `settle` turns a raw size into the true one."""
    pad = 2 if head.size == NARROW_HEAD_BYTES else 1
    found: list[Chunk] = []
    offset = start
    while len(found) < MAX_CHUNKS:
        raw = read_at(handle, offset, head.size)
        if len(raw) < head.size:
            break
        name, size = head.unpack(raw)
        found.append(settle(Chunk(name, offset + head.size, size, 0)))
        offset = found[-1].offset + -(-found[-1].size // pad) * pad
        if offset > LARGEST_OFFSET:
            break
    return found


def _bounded(chunk: Chunk, size: int, file_bytes: int) -> Chunk:
    rest = max(0, file_bytes - chunk.offset)
    return Chunk(chunk.name, chunk.offset, size, min(size, rest))


def _to_the_end(chunk: Chunk, file_bytes: int) -> Chunk:
    rest = max(0, file_bytes - chunk.offset)
    return Chunk(chunk.name, chunk.offset, rest, rest, open_ended=True)


def _ds64_sizes(body: bytes) -> dict[bytes, int]:
    """64-bit chunk sizes by name: ``data`` and the table's entries."""
    if len(body) < DS64_FIXED_BYTES:
        return {}
    _, data_bytes, _, entries = struct.unpack_from("<QQQI", body)
    sizes = {b"data": data_bytes}
    for k in range(min(entries, (len(body) - DS64_FIXED_BYTES) // 12)):
        name, size = struct.unpack_from("<4sQ", body, DS64_FIXED_BYTES + 12 * k)
        sizes.setdefault(name, size)
    return sizes


def wave_chunks(handle: BinaryIO, file_bytes: int) -> list[Chunk]:
    """List the chunks of a RIFF, RF64 or BW64 WAVE file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    list of Chunk
        In the order of the file; the walk ends where the file does.

    Raises
    ------
    HeaderError
        When there is no ``WAVE`` form.
    """
    form, _, kind = struct.unpack("<4sI4s", read_at(handle, 0, 12).ljust(12, b"\0"))
    if form not in WAVE_FORMS or kind != b"WAVE":
        msg = f"expected a RIFF, RF64 or BW64 form of type WAVE, found {form!r}"
        raise HeaderError(msg)
    wide: dict[bytes, int] = {}

    def settle(chunk: Chunk) -> Chunk:
        if chunk.name == b"ds64" and form != b"RIFF" and not wide:
            wide.update(_ds64_sizes(read_at(handle, chunk.offset, DS64_MAX_BYTES)))
        if chunk.size != UNKNOWN_32:
            return _bounded(chunk, chunk.size, file_bytes)
        if chunk.name in wide:
            return _bounded(chunk, wide[chunk.name], file_bytes)
        return _to_the_end(chunk, file_bytes)

    return _walk(handle, 12, struct.Struct("<4sI"), settle)


def form_chunks(handle: BinaryIO, file_bytes: int) -> list[Chunk]:
    """List the chunks of an AIFF or AIFF-C file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    list of Chunk
        In the order of the file.
    """
    return _walk(
        handle,
        12,
        struct.Struct(">4sI"),
        lambda chunk: _bounded(chunk, chunk.size, file_bytes),
    )


def caf_chunks(handle: BinaryIO, file_bytes: int) -> list[Chunk]:
    """List the chunks of a CAF file.

    Parameters
    ----------
    handle : BinaryIO
        File, open for reading.
    file_bytes : int
        Its size in bytes.

    Returns
    -------
    list of Chunk
        In the order of the file; a chunk of size -1 reaches to the end.
    """

    def settle(chunk: Chunk) -> Chunk:
        if chunk.size < 0:
            return _to_the_end(chunk, file_bytes)
        return _bounded(chunk, chunk.size, file_bytes)

    return _walk(handle, 8, struct.Struct(">4sq"), settle)
