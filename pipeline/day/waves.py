"""Mono WAV files in 32-bit floating point, written whole or not at all."""

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.atomic import write_aside

FLOAT_TAG = 3
BLOCK_FRAMES = 65_536
LARGEST_BYTES = 2**32 - 1
HEAD_BYTES = 12 + 8 + 18 + 8 + 4 + 8


def write_wave_float(
    path: Path, samples: NDArray[np.float32], sample_rate_hz: int
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
    if data_bytes + HEAD_BYTES > LARGEST_BYTES:
        msg = f"{len(samples)} frames of 32 bits do not fit into a WAV file"
        raise ValueError(msg)
    fmt = struct.pack(
        "<HHIIHHH", FLOAT_TAG, 1, sample_rate_hz, 4 * sample_rate_hz, 4, 32, 0
    )
    # Formats other than PCM carry a fact chunk (RIFF, new wave types).
    head = struct.pack("<4sI4s", b"RIFF", HEAD_BYTES - 8 + data_bytes, b"WAVE")
    head += struct.pack("<4sI", b"fmt ", len(fmt)) + fmt
    head += struct.pack("<4sII", b"fact", 4, len(samples))
    head += struct.pack("<4sI", b"data", data_bytes)
    with write_aside(path) as written:
        written.write(head)
        for start in range(0, len(samples), BLOCK_FRAMES):
            block = samples[start : start + BLOCK_FRAMES]
            written.write(block.astype("<f4").tobytes())
    return written.sha256
