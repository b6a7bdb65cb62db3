"""Which part of the song is sent, and how it is packed to fit.

The liveliest part is the one with the most attacks: levels of short frames of the DI
(limited to the upper 40 dB) are summed where they rise, each rise counted up to 6 dB so
that one note out of silence does not weigh like a run of them. Common practice, no
source.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import soundfile
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S, frame_power
from pipeline.dsp.dither import to_16_bits
from pipeline.dsp.loudness import loudness_cells
from pipeline.files.wave_chunks import wave_16
from pipeline.units import amplitude_from_db

RANGE_DB = 40.0
MOST_RISE_DB = 6.0
PEAKS = 300
FLAC, WAV = "audio/flac", "audio/wav"


@dataclass(frozen=True, slots=True)
class Packed:
    """One sound as it travels.

    Parameters
    ----------
    mime : str
        "audio/flac" or "audio/wav".
    data : bytes
        A whole audio file of one channel, 16 bits.
    """

    mime: str
    data: bytes


def liveliest(guide: NDArray[np.float32], sample_rate_hz: int, frames: int) -> int:
    """Find where the part with the most attacks begins.

    Parameters
    ----------
    guide : ndarray of float32, shape (n,)
        The DI, or another recording of the song.
    sample_rate_hz : int
        Its rate.
    frames : int
        Length of the part.

    Returns
    -------
    int
        First frame of it; 0 when the part is the whole song, or in silence.
    """
    if frames >= len(guide):
        return 0
    power = frame_power(guide, sample_rate_hz)
    if not len(power) or power.max() <= 0.0:
        return 0
    floor = power.max() * 10.0 ** (-RANGE_DB / 10.0)
    level = 10.0 * np.log10(np.maximum(power, floor))
    rises = np.clip(np.diff(level, prepend=level[:1]), 0.0, MOST_RISE_DB)
    total = np.concatenate([[0.0], np.cumsum(rises)])
    width = min(max(1, round(frames / (FRAME_S * sample_rate_hz))), len(rises))
    sums = total[width:] - total[:-width]
    first = round(int(np.argmax(sums)) * FRAME_S * sample_rate_hz)
    return min(first, len(guide) - frames)


def matching_gains(
    sounds: Sequence[NDArray[np.float32]], sample_rate_hz: int
) -> list[float]:
    """Gains that bring excerpts to the loudness of the quietest.

    Parameters
    ----------
    sounds : sequence of ndarray of float32
        The excerpts.
    sample_rate_hz : int
        Their rate.

    Returns
    -------
    list of float
        0 dB or less, so that nothing clips; 0 for one without a loudness
        (ITU-R BS.1770-5).
    """
    heard = [
        loudness_cells(sound, sample_rate_hz).loudness().integrated_lufs
        for sound in sounds
    ]
    known = [level for level in heard if level is not None]
    lowest = min(known, default=0.0)
    return [0.0 if level is None else lowest - level for level in heard]


def pack(
    samples: NDArray[np.float32], gain_db: float, sample_rate_hz: int, *, pcm: bool
) -> Packed:
    """Make 16-bit audio without a loss beyond its dither, and without metadata.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
        Full scale 1.0.
    gain_db : float
        Gain in dB.
    sample_rate_hz : int
        Sample rate in Hz.
    pcm : bool
        Always WAV; else FLAC where that is smaller.

    Returns
    -------
    Packed
        The file.
    """
    rounded = to_16_bits(samples * np.float32(amplitude_from_db(gain_db)))
    plain = wave_16(rounded, sample_rate_hz)
    if pcm:
        return Packed(WAV, plain)
    held = io.BytesIO()
    soundfile.write(held, rounded, sample_rate_hz, format="FLAC", subtype="PCM_16")
    small = held.getvalue()
    return Packed(FLAC, small) if len(small) < len(plain) else Packed(WAV, plain)


def peaks(sounds: Sequence[NDArray[np.float32]]) -> list[int]:
    """Outline that all sounds share, so that it tells nothing about any of them.

    Parameters
    ----------
    sounds : sequence of ndarray of float32, shape (frames,)
        Of one length.

    Returns
    -------
    list of int
        0 to 100, at most `PEAKS` of them.
    """
    frames = len(sounds[0])
    edges = np.linspace(0, frames, min(PEAKS, frames) + 1).astype(np.int64)[:-1]
    tops = np.array([np.maximum.reduceat(np.abs(sound), edges) for sound in sounds])
    outline = tops.mean(axis=0)
    highest = float(outline.max())
    if highest <= 0.0:
        return [0] * len(edges)
    return [round(100 * float(top) / highest) for top in outline]
