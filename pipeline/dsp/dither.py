"""Sixteen bits for listening: rounding that leaves hiss instead of distortion.

Triangular dither of two steps peak to peak makes the error independent of the signal,
at 4.77 dB more error power than plain rounding (-96.3 dBFS instead of -101.1 at 16
bits, by the closed forms 20 log10(2^-15 / sqrt(12)) and 10 log10(3)).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

_FULL_SCALE = 32768.0
_NOISE = 1 << 18
_BLOCK = 1 << 17
_SEED = 20


@lru_cache(maxsize=1)
def _noise() -> NDArray[np.float32]:
    # Five seconds at 48 kHz, repeated: far longer than an ear can follow, and equal
    # input gives equal bytes.
    rng = np.random.default_rng(_SEED)
    return rng.random(_NOISE, dtype=np.float32) - rng.random(_NOISE, dtype=np.float32)


def to_16_bits(samples: NDArray[np.float32], gain: float = 1.0) -> NDArray[np.int16]:
    """Round to 16 bits with triangular dither.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
        Full scale 1.0.
    gain : float
        Amplitude that they are multiplied by; what then lies beyond full scale is held
        at it.

    Returns
    -------
    ndarray of int16, shape (frames,)
        Equal input gives equal output.
    """
    out = np.empty(len(samples), dtype=np.int16)
    # Kept from block to block: fresh memory would cost more than the work.
    kept = np.empty(min(len(samples), _BLOCK), dtype=np.float32)
    noise = _noise()
    # Full scale is a power of two: one product rounds as two would.
    factor = np.float32(gain * _FULL_SCALE)
    for start in range(0, len(samples), _BLOCK):
        block = samples[start : start + _BLOCK]
        part = np.multiply(block, factor, out=kept[: len(block)])
        first = start % _NOISE
        part += noise[first : first + len(part)]
        np.rint(part, out=part)
        np.clip(part, -_FULL_SCALE, _FULL_SCALE - 1.0, out=part)
        out[start : start + _BLOCK] = part
    return out
