"""An early copy of the DI inside a capture: direct monitoring, or a loop.

Some interfaces pass what they play straight to what they record. The DI then
lies under the amp, earlier by the round trip. A speaker holds little above
5 kHz, a leaked DI does, so the pair is correlated between 1.5 and 16 kHz with
every frequency weighted by what both hold (the SCOT weighting of generalised
cross-correlation, Knapp and Carter 1976), and a lone spike is looked for ahead of
the amp's own sound.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from pipeline.dsp.linearity import CrossSpectra
from pipeline.units import db_from_power

Float = NDArray[np.float64]

BAND_HZ = (1500.0, 16_000.0)
SMOOTH_HZ = 100.0
NEAREST_S = 0.004
FARTHEST_S = 0.125
STANDS_OUT = 20.0
LONE = 2.0
LONE_SPAN_S = 0.001

_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Bleed:
    """An early copy of the DI.

    Attributes
    ----------
    lead_samples : int
        How far it lies ahead of the DI's time on which the capture was put,
        positive; about the capture's latency if it comes from monitoring.
    level_db : float
        Its level relative to the capture while the DI plays; an estimate good to
        a few dB, since it is seen best where the amp is weakest.
    prominence : float
        Its height over the typical magnitude (median absolute value over 0.6745)
        of the correlation ahead of the amp; 20 and more is reported.
    """

    lead_samples: int
    level_db: float
    prominence: float


def find_bleed(cross: CrossSpectra) -> Bleed | None:
    """Look for an early copy of the DI, 4 to 125 ms ahead of the amp's sound.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of the aligned pair. A copy less than 4 ms early passes unseen: it
        cannot be told from the foot of the amp's own response.

    Returns
    -------
    Bleed or None
        None unless one spike stands out 20 times over the correlation's typical
        size and twice over anything more than 1 ms away from it: a player who
        repeats himself makes spikes too, but several of a size.
        This favours silence over alarms: the weakest copies, under loud
        amps, pass unseen (tests/benchmarks/faults_bench.py prints both).
    """
    rate = 2.0 * float(cross.freq_hz[-1])
    whiten = 1.0 / np.sqrt(cross.s_dd * cross.s_xx + _TINY)
    weight = _band(cross.freq_hz) * whiten
    correlation = fft.fftshift(fft.irfft(cross.s_dx * weight))
    middle = len(correlation) // 2
    first = max(middle - round(FARTHEST_S * rate), 0)
    early = np.abs(correlation[first : middle - round(NEAREST_S * rate)])
    typical = float(np.median(early)) / 0.6745
    if typical <= _TINY:
        return None
    at = int(early.argmax())
    span = round(LONE_SPAN_S * rate)
    others = np.concatenate([early[: max(at - span, 0)], early[at + span + 1 :]])
    if early[at] < max(STANDS_OUT * typical, LONE * float(others.max(initial=0.0))):
        return None
    # A copy of gain g has the cross spectrum g S_dd, and this peak of it.
    unit_peak = float(fft.irfft(cross.s_dd * weight)[0])
    lead = middle - first - at
    gain = float(early[at]) / unit_peak / _window_overlap(lead / len(correlation))
    whole = float(cross.s_dd.sum()) / float(cross.s_xx.sum())
    return Bleed(
        lead_samples=lead,
        level_db=db_from_power(gain**2 * whole),
        prominence=float(early[at]) / typical,
    )


def _band(freq_hz: Float) -> Float:
    """Weight of each bin: 1 inside the band, with smooth edges."""
    rise = np.clip((freq_hz - BAND_HZ[0]) / SMOOTH_HZ, 0.0, 1.0)
    top = min(BAND_HZ[1], 0.9 * float(freq_hz[-1]))
    fall = np.clip((top - freq_hz) / SMOOTH_HZ, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * np.minimum(rise, fall)) ** 2)


def _window_overlap(shift: float) -> float:
    """Autocorrelation of the Hann window: what a shift takes from a copy's peak."""
    turn = 2.0 * np.pi * shift
    along = (1.0 - shift) * (2.0 + np.cos(turn)) / 3.0
    return float(along + np.sin(turn) / (2.0 * np.pi))
