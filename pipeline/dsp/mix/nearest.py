"""The gains at which a sum of microphones comes nearest to a wanted tone.

Nearest is what it is everywhere: the root mean square of the level difference over
38 bands, each one ERB wide (Glasberg and Moore 1990), both at one loudness. The
loudness of a sum is taken from its bands, weighted as in ITU-R BS.1770, without the
gates, which need the sum's samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.kweighting import k_weighting_db
from pipeline.dsp.mix.several import MicSpectra, MixPart, as_mixed
from pipeline.dsp.spectrum import AUDIBLE_RANGE_DB, ERB_NUMBERS, erb_frequency

Float = NDArray[np.float64]

RANGE_DB = 24.0
COARSE_DB = 4.0
FINE_DB = 0.5
MOST_MICS = 5
LOWEST_POWER = 1e-30


@dataclass(frozen=True, slots=True)
class NearestGains:
    """The gains that were found.

    Attributes
    ----------
    gains_db : tuple of float
        On top of each part's own; 0 for the first.
    distance_db : float
        Of the sum from the wanted tone, as predicted.
    """

    gains_db: tuple[float, ...]
    distance_db: float


class _Bands:
    """Bands of a sum for many gains at once."""

    def __init__(
        self,
        spectra: MicSpectra,
        parts: Sequence[MixPart],
        levels_db: Float,
        wanted: tuple[Float, NDArray[np.bool_]],
    ) -> None:
        mixed = as_mixed(spectra, parts)
        own = np.array([10.0 ** (part.gain_db / 10.0) for part in parts])
        power = own[:, np.newaxis] * 10.0 ** (levels_db / 10.0)
        self._shared = np.array(
            [
                _coherence(mixed[..., inside]) * np.sqrt(np.outer(level, level))
                for level, inside in zip(power.T, _points(spectra.freq_hz), strict=True)
            ]
        )
        self._wanted_db, self._within = wanted
        self._heard = 10.0 ** (k_weighting_db(erb_frequency(ERB_NUMBERS)) / 10.0)

    def distances_db(self, gains_db: Float) -> Float:
        """Distance of each of some sums, by rows of gains."""
        amplitude = 10.0 ** (gains_db / 20.0)
        weights = np.einsum("ci,cj->cij", amplitude, amplitude)
        power = np.einsum("cij,bij->cb", weights, self._shared)
        lowest = power.max(axis=1, keepdims=True) * 10.0 ** (-AUDIBLE_RANGE_DB / 10.0)
        power = np.maximum(power, np.maximum(lowest, LOWEST_POWER))
        wanted = 10.0 ** (self._wanted_db / 10.0)
        louder = 10.0 * np.log10((power @ self._heard) / (wanted @ self._heard))
        level_db = 10.0 * np.log10(power)
        off = level_db - self._wanted_db - louder[:, np.newaxis]
        return np.asarray(np.sqrt(np.mean(np.square(off[:, self._within]), axis=1)))


def _points(freq_hz: Float) -> list[NDArray[np.bool_]]:
    # Points of a band; of the narrowest ones, at least the nearest point.
    low, high = erb_frequency(ERB_NUMBERS - 0.5), erb_frequency(ERB_NUMBERS + 0.5)
    found = []
    for below, above in zip(low.tolist(), high.tolist(), strict=True):
        inside = (freq_hz >= below) & (freq_hz < above)
        if not inside.any():
            inside[np.argmin(np.abs(freq_hz - (below + above) / 2.0))] = True
        found.append(inside)
    return found


def _coherence(mixed: NDArray[np.complex128]) -> Float:
    # What each two share of their powers within a band, with its sign; 1 for itself.
    total = mixed.sum(axis=-1).real
    power = np.diagonal(total)
    return np.asarray(total / (np.sqrt(np.outer(power, power)) + LOWEST_POWER))


def nearest_gains(
    spectra: MicSpectra,
    parts: Sequence[MixPart],
    levels_db: NDArray[np.floating],
    wanted_db: NDArray[np.floating],
    *,
    within: NDArray[np.bool_] | None = None,
) -> NearestGains:
    """Search the gains at which a sum comes nearest to a wanted tone.

    Parameters
    ----------
    spectra : MicSpectra
        What each two of the microphones share.
    parts : sequence of MixPart
        How each goes in, two to five. Their gains are where the search starts,
        best so that all are equally loud.
    levels_db : ndarray, shape (mics, 38)
        `erb_band_levels` of each before those gains.
    wanted_db : ndarray, shape (38,)
        The same of the wanted tone, at any level.
    within : ndarray of bool, shape (38,), optional
        Bands that the wanted tone can hold; all of them if left out.

    Returns
    -------
    NearestGains
        Each from -24 to +24 dB against the first, in steps of 0.5 dB: a grid of
        4 dB, then the best of all neighbours until none is better, in halved
        steps. Of equally near ones, that with the smaller gains.

    Raises
    ------
    ValueError
        If there are not two to five microphones, or shapes do not match.
    """
    mics, bands = len(parts), ERB_NUMBERS.size
    if not 2 <= mics <= MOST_MICS:
        msg = f"two to {MOST_MICS} microphones can be searched, not {mics}"
        raise ValueError(msg)
    if levels_db.shape != (mics, bands) or wanted_db.shape != (bands,):
        msg = (
            f"{mics} rows of {bands} levels and {bands} wanted ones expected, not "
            f"{levels_db.shape} and {wanted_db.shape}"
        )
        raise ValueError(msg)
    kept = np.ones(bands, dtype=np.bool_) if within is None else within
    held = _Bands(
        spectra,
        parts,
        np.asarray(levels_db, dtype=np.float64),
        (np.asarray(wanted_db, dtype=np.float64), kept),
    )
    coarse = np.arange(-RANGE_DB, RANGE_DB + 1.0, COARSE_DB)
    best = _best(held, np.zeros(mics), [tuple(coarse)] * (mics - 1))
    step = COARSE_DB / 2.0
    while step >= FINE_DB:
        near = [(g - step, g, g + step) for g in best.gains_db[1:]]
        better = _best(held, np.array(best.gains_db), near)
        if better.gains_db == best.gains_db:
            step /= 2.0
        best = better
    return best


def _best(held: _Bands, now: Float, tried: Sequence[Sequence[float]]) -> NearestGains:
    others = np.array(list(product(*tried)))
    others = others[(np.abs(others) <= RANGE_DB).all(axis=1)]
    rows = np.vstack([now, np.column_stack([np.zeros(len(others)), others])])
    distances = np.round(held.distances_db(rows), 6)
    chosen = np.lexsort((np.abs(rows).sum(axis=1), distances))[0]
    return NearestGains(tuple(rows[chosen].tolist()), float(distances[chosen]))
