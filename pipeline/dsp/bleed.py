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
import scipy
from numpy.typing import NDArray

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
UNLIKE = 3.0
LONE_AND_UNLIKE = 12.0
AMP_WITHIN_S = 0.03
PLOT_POINTS = 400

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
    lead_s, height_db : tuple of float
        The correlation for a plot: seconds ahead of the amp's time, negative behind
        it, and the largest magnitude there, dB over the typical one.
    """

    lead_samples: int
    level_db: float
    prominence: float
    lead_s: tuple[float, ...] = ()
    height_db: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Correlation:
    """Weighted correlations; lag 0 of `capture` is at index `middle`."""

    capture: Float
    di: Float
    middle: int
    rate: float


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
        repeats himself makes spikes too, but several of a size. A DI that resembles
        itself at that distance has a spike there from the amp's own sound: the copy
        must be three times what that likeness explains, and six times where it is
        hardly alone. This favours silence over alarms: the weakest copies, under loud
        amps, pass unseen (tests/benchmarks/faults_bench.py prints both).
    """
    found = _correlate(cross)
    middle, rate = found.middle, found.rate
    first = max(middle - round(FARTHEST_S * rate), 0)
    early = np.abs(found.capture[first : middle - round(NEAREST_S * rate)])
    typical = float(np.median(early)) / 0.6745
    if typical <= _TINY:
        return None
    at = int(early.argmax())
    lead = middle - first - at
    height = float(early[at])
    lone = height / max(_beside(early, at, round(LONE_SPAN_S * rate)), _TINY)
    unlike = height / max(_self_made(found, lead), _TINY)
    if height < STANDS_OUT * typical or lone < LONE or unlike < UNLIKE:
        return None
    if lone * unlike < LONE_AND_UNLIKE:
        return None
    # A copy of gain g has the cross spectrum g S_dd, and this peak of it.
    gain = height / float(found.di[0]) / _window_overlap(lead / len(found.capture))
    whole = float(cross.s_dd.sum()) / float(cross.s_xx.sum())
    lead_s, height_db = _drawn(found, typical)
    return Bleed(
        lead_samples=lead,
        level_db=db_from_power(gain**2 * whole),
        prominence=height / typical,
        lead_s=lead_s,
        height_db=height_db,
    )


def _correlate(cross: CrossSpectra) -> _Correlation:
    whiten = 1.0 / np.sqrt(cross.s_dd * cross.s_xx + _TINY)
    weight = _band(cross.freq_hz) * whiten
    capture = scipy.fft.fftshift(scipy.fft.irfft(cross.s_dx * weight))
    di = scipy.fft.irfft(cross.s_dd * weight)
    return _Correlation(capture, di, len(capture) // 2, 2.0 * float(cross.freq_hz[-1]))


def _beside(early: Float, at: int, span: int) -> float:
    """Largest of what lies more than `span` away."""
    others = np.concatenate([early[: max(at - span, 0)], early[at + span + 1 :]])
    return float(others.max(initial=0.0))


def _self_made(found: _Correlation, lead: int) -> float:
    """Say what the DI's likeness to itself makes of the amp's sound at a lead."""
    span = round(LONE_SPAN_S * found.rate)
    own = np.abs(found.di[max(lead - span, 0) : lead + span + 1])
    near, after = round(NEAREST_S * found.rate), round(AMP_WITHIN_S * found.rate)
    amp = found.capture[found.middle - near : found.middle + after]
    likeness = float(own.max()) / max(float(found.di[0]), _TINY)
    return likeness * float(np.abs(amp).max())


def _drawn(
    found: _Correlation, typical: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Thin the correlation around the amp's time, keeping the largest of each slice."""
    first = found.middle - round(FARTHEST_S * found.rate)
    first, last = max(first, 0), found.middle + round(AMP_WITHIN_S * found.rate)
    edges = np.linspace(first, last, PLOT_POINTS + 1).astype(np.int64)
    part = np.maximum.reduceat(np.abs(found.capture[:last]), edges[:-1])
    lead = (found.middle - 0.5 * (edges[:-1] + edges[1:])) / found.rate
    height = 20.0 * np.log10(np.maximum(part / typical, 0.1))
    return tuple(np.round(lead, 6).tolist()), tuple(np.round(height, 2).tolist())


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
