"""Mono WAV files in 32-bit floating point, written whole or not at all."""

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.atomic import write_aside
from pipeline.files.bext import BextFields, build_bext

FLOAT_TAG = 3
BLOCK_FRAMES = 65_536
LARGEST_BYTES = 2**32 - 1


def write_wave_float(
    path: Path, samples: NDArray[np.float32], sample_rate_hz: int, bext: BextFields
) -> str:
    """Write a mono file of 32-bit floats.

    Parameters
    ----------
    path : Path
        Final name, in a folder that exists.
    samples : ndarray of float32, shape (frames,)
        Stored bit for bit.
    sample_rate_hz : int
        Sample rate in Hz.
    bext : BextFields
        Broadcast extension.

    Returns
    -------
    str
        SHA-256 of the file; an `OutputError` says why nothing was written.

    Raises
    ------
    ValueError
        If it would not fit into a WAV file.
    """
    data_bytes = 4 * len(samples)
    fmt = struct.pack(
        "<HHIIHHH", FLOAT_TAG, 1, sample_rate_hz, 4 * sample_rate_hz, 4, 32, 0
    )
    # Formats other than PCM carry a fact chunk (RIFF, new wave types).
    body = struct.pack("<4sI", b"fmt ", len(fmt)) + fmt
    body += struct.pack("<4sII", b"fact", 4, len(samples))
    said = build_bext(bext)
    body += struct.pack("<4sI", b"bext", len(said)) + said
    body += struct.pack("<4sI", b"data", data_bytes)
    riff_bytes = 4 + len(body) + data_bytes
    if riff_bytes > LARGEST_BYTES:
        msg = f"{len(samples)} frames of 32 bits do not fit into a WAV file"
        raise ValueError(msg)
    head = struct.pack("<4sI4s", b"RIFF", riff_bytes, b"WAVE") + body
    with write_aside(path) as written:
        written.write(head)
        for start in range(0, len(samples), BLOCK_FRAMES):
            block = samples[start : start + BLOCK_FRAMES]
            written.write(block.astype("<f4").tobytes())
    return written.sha256
