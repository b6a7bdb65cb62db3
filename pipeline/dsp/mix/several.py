"""Sums of any number of microphones, from what each two of them share.

A sum's power is the power of every part plus, for every two, twice what they share
at the sum's gains, polarities and lags. So the pairs of a pass tell what the sum of
three or more does; with two it is the sum of `curves`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.mix.curves import LOWEST_POWER, SumCurve, against_parts
from pipeline.dsp.pairs import PairSpectra
from pipeline.units import amplitude_from_db

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class MicSpectra:
    """Powers of several microphones, and what each two of them share.

    Attributes
    ----------
    freq_hz : ndarray, shape (points,)
        As in `PairSpectra`.
    cross : ndarray of complex, shape (mics, mics, points)
        [i, j]: mean of conj(X_i) X_j within a point, whose phase falls with
        frequency when j is later than i; powers on the diagonal.
    """

    freq_hz: Float
    cross: Complex


@dataclass(frozen=True, slots=True)
class MixPart:
    """How one microphone goes into a sum.

    Attributes
    ----------
    gain_db : float
        Its gain.
    polarity : {1, -1}
        -1 inverts it.
    advance_s : float
        By how much it is moved earlier.
    """

    gain_db: float
    polarity: int
    advance_s: float


def gather_pairs(
    pairs: Mapping[tuple[int, int], PairSpectra], mics: int
) -> MicSpectra | None:
    """Put the pairs of a pass together.

    Parameters
    ----------
    pairs : mapping of (int, int) to PairSpectra
        By the numbers of a and b, 0 to mics - 1, each two in one order; all of one
        sampling rate. Two that are missing are taken to be unrelated.
    mics : int
        How many there are.

    Returns
    -------
    MicSpectra or None
        None where a microphone stands in no pair, so that its power is not known.
        Every pair has averaged its own frames; a microphone's power is the mean of
        its pairs, and two share the same part of it as in their own pair.
    """
    known = {number for pair in pairs for number in pair}
    if known != set(range(mics)):
        return None
    freq_hz = next(iter(pairs.values())).freq_hz
    powers: list[list[Float]] = [[] for _ in range(mics)]
    for (a, b), spectra in pairs.items():
        powers[a].append(spectra.power_a)
        powers[b].append(spectra.power_b)
    power = np.array([np.mean(found, axis=0) for found in powers])
    cross = np.zeros((mics, mics, freq_hz.size), dtype=np.complex128)
    cross[np.arange(mics), np.arange(mics)] = power
    for (a, b), spectra in pairs.items():
        own = np.sqrt(spectra.power_a * spectra.power_b) + LOWEST_POWER
        cross[a, b] = spectra.cross / own * np.sqrt(power[a] * power[b])
        cross[b, a] = cross[a, b].conj()
    return MicSpectra(freq_hz, cross)


def as_mixed(spectra: MicSpectra, parts: Sequence[MixPart]) -> Complex:
    """Powers and cross powers at a sum's gains, polarities and lags.

    Parameters
    ----------
    spectra : MicSpectra
        The microphones.
    parts : sequence of MixPart
        One for each of them, in their order.

    Returns
    -------
    ndarray of complex, shape (mics, mics, points)
        Their sum over both microphones is the power of the sum.

    Raises
    ------
    ValueError
        If there is not one part for each microphone.
    """
    if len(parts) != len(spectra.cross):
        msg = f"{len(spectra.cross)} microphones, but {len(parts)} parts"
        raise ValueError(msg)
    weights = np.array(
        [
            part.polarity
            * amplitude_from_db(part.gain_db)
            * np.exp(2j * np.pi * spectra.freq_hz * part.advance_s)
            for part in parts
        ]
    )
    mixed = weights.conj()[:, np.newaxis] * weights[np.newaxis] * spectra.cross
    return np.asarray(mixed, dtype=np.complex128)


def sum_of_several(spectra: MicSpectra, parts: Sequence[MixPart]) -> SumCurve:
    """Predict the sum of several microphones against the power sum of its parts.

    Parameters
    ----------
    spectra : MicSpectra
        The microphones.
    parts : sequence of MixPart
        One for each of them, in their order; a `ValueError` otherwise.

    Returns
    -------
    SumCurve
        Of n equal microphones in step it reaches 10 log10 n: +3.01 dB for two,
        +4.77 for three.
    """
    mixed = as_mixed(spectra, parts)
    power = np.einsum("iip->p", mixed).real + LOWEST_POWER
    # Frames differ from pair to pair, so a sum that cancels may pass below nothing.
    total = np.maximum(mixed.sum(axis=(0, 1)).real, 0.0)
    return against_parts(spectra.freq_hz, power, total)
