"""What the recorder heard: one pass of the layout, rendered.

The amp's output meets its own hiss, then everything linear between speaker and
converter happens at once in the frequency domain, fractions of a sample included.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from pipeline.demo.air import response
from pipeline.demo.colour import (
    RESPONSE_FRAMES,
    SAMPLE_RATE_HZ,
    delayed,
    grid_hz,
    minimum_phase,
    shelf,
)
from pipeline.demo.rig import AmpName
from pipeline.demo.session import CONES, Pass, Take, offset_samples, speed_m_s

Samples = NDArray[np.float64]
Track = NDArray[np.float32]

_AMP_HISS_DB: dict[AmpName, float] = {"edge": -66.0, "high": -48.0}
_PREAMP_HISS_DBFS = -90.0
_TAIL_S = 1.0
_HUM_HARMONICS = ((50.0, 1.0), (100.0, 0.5), (150.0, 0.6), (250.0, 0.3), (350.0, 0.2))
_WARM_UP_DB = 0.05


@dataclass(frozen=True, slots=True)
class Loud:
    """The amp's output for one performance.

    Parameters
    ----------
    wave : numpy.ndarray
        Mono audio at 48 kHz, RMS 1, from the DI's first sample on.
    amp : str
        The setting that made it.
    """

    wave: Samples
    amp: AmpName


def record(one: Pass, loud: Loud, rng: np.random.Generator) -> list[Track]:
    """Record one pass.

    Parameters
    ----------
    one : Pass
        The layout of the pass.
    loud : Loud
        What the amp plays.
    rng : numpy.random.Generator
        Source of all chance.

    Returns
    -------
    list of numpy.ndarray
        One float32 track for each microphone, all of one length, peaks between -12
        and -5 dBFS. A track starts when the recorder did and ends a second after
        the DI, or where the recorder's late start leaves it.
    """
    frames = len(loud.wave) + round((one.start_s + _TAIL_S) * SAMPLE_RATE_HZ)
    size = fft.next_fast_len(
        max(frames, len(loud.wave)) + 3 * RESPONSE_FRAMES, real=True
    )
    wave = np.zeros(size, np.float32)
    wave[: len(loud.wave)] = loud.wave
    hiss = rng.standard_normal(size, np.float32)
    wave += hiss * np.float32(10.0 ** (_AMP_HISS_DB[loud.amp] / 20.0))
    spectrum = fft.rfft(wave)
    warmth = minimum_phase(shelf(grid_hz(), 2000.0, rng.normal(0.0, _WARM_UP_DB)))
    whole, fraction = divmod(offset_samples(one), 1.0)
    tracks = []
    for take in one.takes:
        path = response(take.placement, CONES, speed_m_s()) * warmth
        impulse = np.fft.irfft(delayed(path, fraction)).astype(np.float32)
        heard = fft.irfft(spectrum * fft.rfft(impulse, size), size)
        heard = np.roll(heard, int(whole))[:frames]
        tracks.append(_convert(heard, take, rng))
    return tracks


def _convert(heard: Track, take: Take, rng: np.random.Generator) -> Track:
    """Cable, preamplifier and converter: sign, gain, hiss and hum."""
    peak = np.float32(10.0 ** (rng.uniform(-12.0, -5.0) / 20.0))
    track = heard * (np.float32(take.polarity) * peak / np.max(np.abs(heard)))
    hiss = rng.standard_normal(len(track), np.float32)
    track += hiss * np.float32(10.0 ** (_PREAMP_HISS_DBFS / 20.0))
    if take.hum_dbfs is not None:
        track += _hum(len(track), take.hum_dbfs)
    return np.asarray(track, dtype=np.float32)


def _hum(frames: int, level_dbfs: float) -> Track:
    """Mains at 50 Hz with its odd and even company."""
    turns = np.arange(frames) * (2.0 * np.pi / SAMPLE_RATE_HZ)
    hum = sum(share * np.sin(turns * hz + hz) for hz, share in _HUM_HARMONICS)
    scale = 10.0 ** (level_dbfs / 20.0) / np.sqrt(np.mean(np.square(hum)))
    return np.asarray(hum * scale, dtype=np.float32)
