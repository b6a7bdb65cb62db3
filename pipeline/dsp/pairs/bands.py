"""Bands in which both microphones of a pair hear the same, and what a bin is worth."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.pairs.spectra import Averages

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

LOWEST_HZ = 90.0
HIGHEST_SHARE = 0.448
BANDS_AN_OCTAVE = 12
LEAST_BINS = 3
LEAST_COHERENCE = 0.3
MOST_GAP_BANDS = 4
LEAST_BANDS = 24
MOST_WEIGHT = 30.0
LEAST_SHARE = 0.1
LEAST_SIGNAL_SHARE = 0.2
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Bands:
    """Transfer, weights and bands inside the usable range.

    Attributes
    ----------
    freq_hz, transfer, weight : ndarray, shape (bins,)
        Bins, their averaged transfer from a to b, and what each is worth.
    starts, counts : ndarray of int, shape (bands,)
        First bin of each band and how many it holds.
    centre_hz : ndarray, shape (bands,)
        Centres.
    grid_hz : ndarray, shape (4 bands + 1,)
        Where a smooth colour is evaluated.
    correction : ndarray, shape (bands,)
        Share of a's power that is noise.
    rate_hz : int
        Sampling rate in Hz.
    """

    freq_hz: Float
    transfer: Complex
    weight: Float
    starts: NDArray[np.int64]
    counts: NDArray[np.int64]
    centre_hz: Float
    grid_hz: Float
    correction: Float
    rate_hz: int

    def total(self, values: NDArray[np.inexact]) -> NDArray[np.inexact]:
        """Add up the bins of each band.

        Parameters
        ----------
        values : ndarray, shape (bins,)
            One value a bin.

        Returns
        -------
        ndarray, shape (bands,)
            Sums.
        """
        return np.asarray(np.add.reduceat(values, self.starts))


def _coherence(averages: Averages) -> Float:
    # Frames overlap by three quarters at most, hence 0.6 independent ones each.
    independent = max(2.0, 0.6 * averages.frames)
    raw = np.abs(averages.cross) ** 2
    raw = raw / (averages.power_a * averages.power_b + TINY)
    debiased = (raw - 1.0 / independent) / (1.0 - 1.0 / independent)
    return np.asarray(np.clip(debiased, 0.0, 0.9999))


def _band_edges(freq_hz: Float, rate_hz: int) -> NDArray[np.int64]:
    step = freq_hz[1]
    edges = [int(np.ceil(LOWEST_HZ / step))]
    top = min(21_500.0, HIGHEST_SHARE * rate_hz) / step
    while edges[-1] < top:
        wide = round(edges[-1] * 2.0 ** (1.0 / BANDS_AN_OCTAVE))
        edges.append(max(edges[-1] + LEAST_BINS, int(wide)))
    return np.array(edges, dtype=np.int64)


def _longest_run(usable: NDArray[np.bool_]) -> tuple[int, int]:
    best = (0, 0)
    start = last = None
    for index in np.flatnonzero(usable).tolist():
        if start is None or last is None or index - last > MOST_GAP_BANDS:
            start = index
        last = index
        if last + 1 - start > best[1] - best[0]:
            best = (start, last + 1)
    return best


def _weight(averages: Averages, coherence: Float, edges: NDArray[np.int64]) -> Float:
    # Signal to noise of b as its band and a have it. The bin's own coherence rises
    # where the room of b happens to add, and would choose those bins for their gain.
    inside = slice(edges[0], edges[-1])
    counts = np.diff(edges)

    def over_bands(power: Float) -> Float:
        totals = np.add.reduceat(power[inside], edges[:-1] - edges[0])
        return np.asarray(np.repeat(totals / counts, counts))

    shared = over_bands(coherence * averages.power_b)
    left = over_bands((1.0 - coherence) * averages.power_b) + TINY
    level = averages.power_a[inside] / (over_bands(averages.power_a) + TINY)
    share = shared / left * level
    return np.minimum(share, MOST_WEIGHT) * (share > LEAST_SHARE) + 1e-9


def usable_bands(averages: Averages, rate_hz: int) -> Bands | None:
    """Choose the longest run of bands that both microphones share.

    Parameters
    ----------
    averages : Averages
        Of one pair.
    rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Bands or None
        None if they share less than two octaves.
    """
    coherence = _coherence(averages)
    edges = _band_edges(averages.freq_hz, rate_hz)
    mean = np.add.reduceat(coherence, edges)[:-1] / np.diff(edges)
    first, last = _longest_run(mean > LEAST_COHERENCE)
    if last - first < LEAST_BANDS:
        return None
    edges = edges[first : last + 1]
    inside = slice(edges[0], edges[-1])
    starts = edges[:-1] - edges[0]
    clean = averages.power_a - averages.noise_a
    clean = np.maximum(clean, LEAST_SIGNAL_SHARE * averages.power_a) + TINY
    weight = _weight(averages, coherence, edges)
    noise = (averages.noise_a / (averages.power_a + TINY))[inside]
    edges_hz = averages.freq_hz[edges]
    quarters = np.arange(4 * starts.size + 1) / 4.0
    return Bands(
        freq_hz=averages.freq_hz[inside],
        transfer=(averages.cross / clean)[inside],
        weight=weight,
        starts=starts,
        counts=np.diff(edges),
        centre_hz=np.sqrt(edges_hz[:-1] * edges_hz[1:]),
        grid_hz=np.interp(quarters, np.arange(edges.size), edges_hz),
        correction=np.add.reduceat(weight * noise, starts)
        / np.add.reduceat(weight, starts),
        rate_hz=rate_hz,
    )
