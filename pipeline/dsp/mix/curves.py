"""Levels of a sum against the power sum of its parts."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.pairs import PairSpectra
from pipeline.dsp.spectrum import third_octave_bands
from pipeline.units import amplitude_from_db

Float = NDArray[np.float64]

LOSS_SPAN_HZ = (80.0, 8000.0)
NOTCH_BELOW_DB = -3.0
# A twelfth of an octave, and two bins of an 85 ms frame.
NOTCH_HALF_WIDTH = 0.06
NOTCH_HALF_WIDTH_HZ = 24.0
# Two equal sounds are below -3 dB over an octave at their first notch; what lies
# lower over more than this is a sum that cancels as a whole.
WIDEST_NOTCH = 3.0
NOTCHES = 3
LOWEST_POWER = 1e-30


@dataclass(frozen=True, slots=True)
class SumCurve:
    """A sum of microphones against the power sum of its parts.

    Attributes
    ----------
    freq_hz, level_db : ndarray, shape (points,)
        The curve: 10 log10 of the number of microphones at best (+3.01 for two),
        below 0 where the sum loses.
    band_hz, band_level_db : ndarray, shape (bands,)
        The same over third octaves of IEC 61260-1 that hold a point.
    band_sum_db : ndarray, shape (bands,)
        Level of the sum itself in each band, dB of the spectra's own unit.
    notches_hz : tuple of float
        Where the first stretches below -3 dB, no wider than 1:3, are lowest; at
        most three.
    sum_loss_db : float
        Power sum over sum, in dB, of each third octave from 80 Hz to 8 kHz,
        averaged with the bands' power sums as weights. 0: as if unrelated;
        -3.01: two, equal and in step; positive: parts of the sound are cancelled.
        Our own definition; bands of IEC 61260-1.
    """

    freq_hz: Float
    level_db: Float
    band_hz: Float
    band_level_db: Float
    band_sum_db: Float
    notches_hz: tuple[float, ...]
    sum_loss_db: float


@dataclass(frozen=True, slots=True)
class SumCurves:
    """The four ways to add a pair; `flipped` inverts the polarity of b."""

    as_placed: SumCurve
    aligned: SumCurve
    flipped: SumCurve
    aligned_flipped: SumCurve


def _notches_hz(freq_hz: Float, total: Float, power: Float) -> tuple[float, ...]:
    # Smoothed, or the ripple of a room would cut each notch into several.
    reach = np.maximum(freq_hz * NOTCH_HALF_WIDTH, NOTCH_HALF_WIDTH_HZ)
    low = np.searchsorted(freq_hz, freq_hz - reach)
    high = np.searchsorted(freq_hz, freq_hz + reach, side="right")

    def smooth(values: Float) -> Float:
        sums = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(sums[high] - sums[low])

    under = smooth(total) < 10.0 ** (NOTCH_BELOW_DB / 10.0) * smooth(power)
    turns = np.flatnonzero(np.diff(np.concatenate([[False], under, [False]])))
    found = [
        float(freq_hz[first + np.argmin((total / power)[first:end])])
        for first, end in turns.reshape(-1, 2).tolist()
        if freq_hz[end - 1] <= WIDEST_NOTCH * freq_hz[first]
    ]
    return tuple(found[:NOTCHES])


def _loss_db(band_hz: Float, level_db: Float, weights: Float) -> float:
    low, high = LOSS_SPAN_HZ
    # A tenth of a band of tolerance: the exact mid-bands of 80 Hz and 8 kHz are
    # 79.4 and 7943 Hz.
    inside = (band_hz > low * 0.98) & (band_hz < high * 1.02)
    if not inside.any() or not weights[inside].sum() > 0:
        return 0.0
    return float(-np.average(level_db[inside], weights=weights[inside]))


def sum_curve(
    spectra: PairSpectra,
    *,
    gain_db: float = 0.0,
    polarity: int = 1,
    advance_s: float = 0.0,
) -> SumCurve:
    """Predict a + b from the powers and the cross power of a pair.

    Parameters
    ----------
    spectra : PairSpectra
        Powers of a and b and their cross power.
    gain_db : float
        Gain given to b.
    polarity : {1, -1}
        -1 inverts b.
    advance_s : float
        By how much b is moved earlier.

    Returns
    -------
    SumCurve
        Against the power sum of a and the scaled b. Noise that the microphones
        do not share adds as power.
    """
    gain = amplitude_from_db(gain_db)
    power = spectra.power_a + gain**2 * spectra.power_b + LOWEST_POWER
    turn = np.exp(2j * np.pi * spectra.freq_hz * advance_s)
    total = power + 2.0 * gain * polarity * (spectra.cross * turn).real
    return against_parts(spectra.freq_hz, power, total)


def against_parts(freq_hz: Float, power: Float, total: Float) -> SumCurve:
    """Hold a sum against the power sum of its parts.

    Parameters
    ----------
    freq_hz : ndarray, shape (points,)
        Rising frequencies.
    power, total : ndarray, shape (points,)
        Power sum of the parts, above 0, and power of their sum.

    Returns
    -------
    SumCurve
        Point by point and over third octaves.
    """
    level_db = 10.0 * np.log10(np.maximum(total / power, LOWEST_POWER))
    bands = [
        (band.centre_hz, inside)
        for band in third_octave_bands()
        if (inside := (freq_hz >= band.low_hz) & (freq_hz < band.high_hz)).any()
    ]
    band_hz = np.array([centre for centre, _ in bands])
    band_power = np.array([power[inside].sum() for _, inside in bands])
    band_total = np.array([total[inside].sum() for _, inside in bands])
    ratio = np.maximum(band_total / band_power, LOWEST_POWER)
    band_level_db = 10.0 * np.log10(ratio)
    return SumCurve(
        freq_hz=freq_hz,
        level_db=level_db,
        band_hz=band_hz,
        band_level_db=band_level_db,
        band_sum_db=10.0 * np.log10(np.maximum(band_total, LOWEST_POWER)),
        notches_hz=_notches_hz(freq_hz, total, power),
        sum_loss_db=_loss_db(band_hz, band_level_db, band_power),
    )


def sum_curves(
    spectra: PairSpectra, delay_s: float, *, gain_db: float = 0.0
) -> SumCurves:
    """Predict a pair's sum as placed, aligned, flipped, and both.

    Parameters
    ----------
    spectra : PairSpectra
        Powers of a and b and their cross power.
    delay_s : float
        How much later b is than a.
    gain_db : float
        Gain given to b.

    Returns
    -------
    SumCurves
        Aligned means that b is moved earlier by `delay_s`.
    """
    return SumCurves(
        as_placed=sum_curve(spectra, gain_db=gain_db),
        aligned=sum_curve(spectra, gain_db=gain_db, advance_s=delay_s),
        flipped=sum_curve(spectra, gain_db=gain_db, polarity=-1),
        aligned_flipped=sum_curve(
            spectra, gain_db=gain_db, polarity=-1, advance_s=delay_s
        ),
    )
