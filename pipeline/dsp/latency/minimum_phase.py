"""The phase that a measured colour must have at the least.

Speakers, microphones and tone controls are minimum phase: their magnitude
fixes their phase. What is left of the measured phase is pure delay. The
magnitude is known only inside the usable band, and the minimum phase inside
depends on the magnitude outside, so the band is continued on both sides; the
continuation is argued for beside each constant.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.cepstrum import minimum_phase_of
from pipeline.dsp.latency.spectra import ClipSpectra

LOWEST_HZ = 60.0
HIGHEST_HZ = 16000.0
GRID_FROM_HZ = 20.0
PER_OCTAVE = 24
SMOOTH_OCTAVES = 1.0 / 6.0
COHERENT = 0.1
GAP_OCTAVES = 0.35
VIRTUAL_RATE_HZ = 192000.0
PHASE_NFFT = 1 << 15
DB_PER_NEPER = 20.0 / np.log(10.0)
# Above the usable band a speaker goes on falling with about the slope that it
# has at the edge, but a slope measured over one octave is mostly breakup peaks,
# so it is trusted by a third and otherwise taken as of third order. The fall
# ends where the cone radiates in parts and leakage takes over, 70 dB down. Two
# electronic poles remain that no magnitude in the band betrays; a digital chain
# has none, a valve amp several, so this errs by about a sample either way.
USUAL_ORDER = 3.0
SLOPE_TRUST = 1.0 / 3.0
STEEPEST_ORDER = 6.0
FLOOR_DB = -70.0
PASSBAND_HZ = (150.0, 4000.0)
POLES = 2
POLE_HZ = 16000.0
ROLL_UP_DB_PER_OCTAVE = 12.0
ROLL_UP_ENDS_HZ = 20.0


@dataclass(frozen=True, slots=True)
class Band:
    """The part of the spectrum in which DI and capture are coherent.

    Attributes
    ----------
    low_hz, high_hz : float
        Its edges.
    """

    low_hz: float
    high_hz: float


@dataclass(frozen=True, slots=True)
class Colour:
    """Smoothed magnitude of the linear part of a chain.

    Attributes
    ----------
    freq_hz : NDArray[np.float64]
        Logarithmic grid, 24 points an octave.
    log_magnitude : NDArray[np.float64]
        Natural logarithm of the magnitude, 1/6 octave smoothed.
    coherence : NDArray[np.float64]
        Squared coherence, 1/3 octave smoothed.
    """

    freq_hz: NDArray[np.float64]
    log_magnitude: NDArray[np.float64]
    coherence: NDArray[np.float64]


@lru_cache(maxsize=8)
def _smoother(
    bins: int, top_hz: float, octaves: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Logarithmic grid and triangular smoothing weights (grid, bins)."""
    freq = np.linspace(0.0, top_hz, bins)
    count = int(PER_OCTAVE * np.log2(0.96 * top_hz / GRID_FROM_HZ))
    grid = GRID_FROM_HZ * 2.0 ** (np.arange(count) / PER_OCTAVE)
    # A triangle never narrower than two bins, so that low points see some.
    half = np.maximum(grid * (2.0**octaves - 1.0), 1.5 * freq[1])
    weights = 1.0 - np.abs(freq[np.newaxis, :] - grid[:, np.newaxis]) / half[:, None]
    weights = np.maximum(weights, 0.0)
    weights[:, 0] = 0.0
    return grid, weights / (weights.sum(axis=1, keepdims=True) + 1e-12)


def measure_colour(spectra: ClipSpectra) -> Colour:
    """Smoothed magnitude and coherence of the relation DI to capture.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips.

    Returns
    -------
    Colour
        Magnitude as the coherence-weighted mean of the logarithm.
    """
    coherence = spectra.coherence()
    cross = np.abs(spectra.cross.sum(axis=0, dtype=np.complex128))
    power = spectra.power_di.sum(axis=0, dtype=np.float64)
    log_size = np.log(cross + 1e-30) - np.log(power + 1e-30)
    bins, top_hz = spectra.freq_hz.size, float(spectra.freq_hz[-1])
    grid, fine = _smoother(bins, top_hz, SMOOTH_OCTAVES)
    _, wide = _smoother(bins, top_hz, 2.0 * SMOOTH_OCTAVES)
    weight = coherence + 1e-6
    return Colour(grid, fine @ (weight * log_size) / (fine @ weight), wide @ coherence)


def usable_band(colour: Colour) -> Band | None:
    """Find the coherent band around the most coherent point.

    Parameters
    ----------
    colour : Colour
        Measured colour.

    Returns
    -------
    Band or None
        None if nothing between 60 Hz and 16 kHz is coherent. Gaps narrower
        than about a third of an octave are bridged.
    """
    good = (colour.coherence > COHERENT) & (colour.freq_hz >= LOWEST_HZ)
    good &= colour.freq_hz <= HIGHEST_HZ
    if not good.any():
        return None
    gap = int(GAP_OCTAVES * PER_OCTAVE)
    places = np.flatnonzero(good)
    runs = np.split(places, np.flatnonzero(np.diff(places) > gap + 1) + 1)
    best = max(runs, key=lambda run: float(colour.coherence[run].sum()))
    return Band(float(colour.freq_hz[best[0]]), float(colour.freq_hz[best[-1]]))


def _slope_at_edge(colour: Colour, band: Band) -> float:
    """Order of the roll-off over the band's last octave, drawn to the usual one."""
    near = (colour.freq_hz <= band.high_hz) & (colour.freq_hz >= band.high_hz / 2.0)
    weight = np.sqrt(colour.coherence[near]) + 1e-3
    pitch, size = np.log(colour.freq_hz[near]), colour.log_magnitude[near]
    pitch = pitch - np.average(pitch, weights=weight)
    measured = -float((weight * pitch * size).sum() / (weight * pitch**2).sum())
    mixed = USUAL_ORDER + SLOPE_TRUST * (measured - USUAL_ORDER)
    return float(np.clip(mixed, 0.0, STEEPEST_ORDER))


def _passband(colour: Colour, band: Band) -> float:
    """Log of the rms magnitude over the loud part of the band."""
    inside = (colour.freq_hz >= max(band.low_hz, PASSBAND_HZ[0])) & (
        colour.freq_hz <= min(band.high_hz, PASSBAND_HZ[1])
    )
    if not inside.any():
        return float(colour.log_magnitude.max())
    return 0.5 * float(np.log(np.mean(np.exp(2.0 * colour.log_magnitude[inside]))))


def _above(
    colour: Colour, band: Band, freq_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Change of log magnitude from the band's upper edge on."""
    edge = np.interp(np.log(band.high_hz), np.log(colour.freq_hz), colour.log_magnitude)
    deepest = max(float(edge) - _passband(colour, band) - FLOOR_DB / DB_PER_NEPER, 0.0)
    above = np.maximum(freq_hz, band.high_hz)
    fall = _slope_at_edge(colour, band) * np.log(above / band.high_hz)
    pole = np.log1p((above / POLE_HZ) ** 2) - np.log1p((band.high_hz / POLE_HZ) ** 2)
    return np.asarray(-np.minimum(fall, deepest) - 0.5 * POLES * pole)


def _continued(colour: Colour, band: Band) -> NDArray[np.float64]:
    """Log magnitude on the cepstrum's grid, continued beyond the band."""
    freq = np.linspace(0.0, VIRTUAL_RATE_HZ / 2.0, PHASE_NFFT // 2 + 1)
    inner = np.clip(freq, band.low_hz, band.high_hz)
    size = np.interp(np.log(inner), np.log(colour.freq_hz), colour.log_magnitude)
    size += _above(colour, band, freq)
    # Coupling capacitors and speakers fall off towards zero frequency.
    low = np.clip(freq, ROLL_UP_ENDS_HZ, band.low_hz)
    order = ROLL_UP_DB_PER_OCTAVE / (20.0 * np.log10(2.0))
    return np.asarray(size + order * np.log(low / band.low_hz))


def minimum_phase(
    colour: Colour, band: Band, freq_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Minimum phase of a measured colour.

    Parameters
    ----------
    colour : Colour
        Measured colour.
    band : Band
        Where it is known.
    freq_hz : NDArray[np.float64]
        Frequencies at which the phase is wanted.

    Returns
    -------
    NDArray[np.float64]
        Phase in radians. Real cepstrum folded to its causal part: Oppenheim
        and Schafer, Discrete-Time Signal Processing.
    """
    phase = minimum_phase_of(_continued(colour, band))
    grid = np.linspace(0.0, VIRTUAL_RATE_HZ / 2.0, phase.size)
    return np.interp(freq_hz, grid, phase)
