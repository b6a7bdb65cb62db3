"""Kinds of chains a capture may have gone through, as sums of atoms.

The logarithm of a response of minimum phase is a sum of atoms: first-order
corners and resonant bumps, whose amplitude and phase belong together. Three
kinds differ in what they may do near half the rate, worth up to two samples of
delay: analogue chains; digital filters, which see a frequency bent by the
bilinear transform; and impulse responses folded from a magnitude at the
capture's own rate, whose phase knows nothing above half of it.

Source of the folding: Oppenheim and Schafer, Discrete-Time Signal Processing.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.pairs.colour import Family, colours

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

LOWEST_HZ = 90.0
HIGHEST_HZ = 20000.0
HIGHEST_SHARE = 0.448
BANDS_AN_OCTAVE = 12
LEAST_BINS = 3
INNER_POINTS = 4
LEVEL_VARIANCE = 1e4
DELAY_VARIANCE = 400.0
# Standard deviations beforehand: change of slope within an octave in units of
# 6 dB an octave, height of a bump in nepers.
SPREADS = ((0.4, 0.1), (1.0, 0.3))
# Analogue electronics and microphones end somewhere above the audible.
ANALOGUE_POLES = 1.0
POLES_FROM_HZ = 9000.0
POLES_TO_HZ = 40000.0


@dataclass(frozen=True, slots=True)
class Kind:
    """Atoms of one kind of chain on the layout's bands.

    Attributes
    ----------
    at_bands : Float
        Level, delay, corners, bumps; real parts above imaginary parts.
    between : Complex
        Corners and bumps on the finer grid.
    variances : tuple[Float, ...]
        Variance of each weight, for each spread.
    mean : Float
        Expected weights.
    """

    at_bands: Float
    between: Complex
    variances: tuple[Float, ...]
    mean: Float


@dataclass(frozen=True, slots=True)
class Layout:
    """Bands of a frame's spectrum and the kinds of chains on them.

    Attributes
    ----------
    edges : NDArray[np.int64]
        First bin of each band and the bin after the last.
    grid_hz : Float
        Four points a band, on which colours are interpolated.
    kinds : tuple[Kind, ...]
        Analogue, digital, folded.
    """

    edges: NDArray[np.int64]
    grid_hz: Float
    kinds: tuple[Kind, ...]


def stacked(values: Complex) -> Float:
    """Put real parts above imaginary parts.

    Parameters
    ----------
    values : Complex
        Shape (n, ...).

    Returns
    -------
    Float
        Shape (2 n, ...).
    """
    return np.concatenate([values.real, values.imag])


def _kind(centre_hz: Float, grid_hz: Float, rate_hz: int, family: Family) -> Kind:
    """Atoms of one kind at the bands' centres and between them."""
    freq = np.concatenate([centre_hz, grid_hz])
    atoms = np.hstack(colours(freq, rate_hz, family))
    corners = colours(centre_hz[:1], rate_hz, Family.ANALOGUE)[0]
    # A corner's place shows in its response at one frequency f: 1 + j f / place.
    places = centre_hz[0] / np.exp(-corners[0]).imag
    high = (places >= POLES_FROM_HZ) & (places <= POLES_TO_HZ)
    mean = np.zeros(2 + atoms.shape[1])
    if family is Family.ANALOGUE:
        mean[2 : 2 + places.size][high] = ANALOGUE_POLES / high.sum()
    an_octave = 1.0 / np.log2(places[1] / places[0])
    bumps = atoms.shape[1] - places.size
    variances = tuple(
        np.concatenate([
            [LEVEL_VARIANCE, DELAY_VARIANCE],
            np.full(places.size, kink**2 / an_octave),
            np.full(bumps, bump**2),
        ])
        for kink, bump in SPREADS
    )  # fmt: skip
    bands = centre_hz.size
    level = np.ones((bands, 1), dtype=np.complex128)
    delay = -2j * np.pi * centre_hz[:, np.newaxis] / rate_hz
    at_bands = stacked(np.hstack([level, delay, atoms[:bands]]))
    return Kind(at_bands, atoms[bands:], variances, mean)


@lru_cache(maxsize=4)
def bands_and_kinds(rate_hz: int, nfft: int, bins: int) -> Layout:
    """Cut a frame's spectrum into bands of a twelfth of an octave.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in Hz.
    nfft : int
        Frame length.
    bins : int
        Bins of the spectrum that are there.

    Returns
    -------
    Layout
        Bands from 90 Hz, three bins wide at least; kept for the next capture.
    """
    step = rate_hz / nfft
    edges = [int(np.ceil(LOWEST_HZ / step))]
    top = min(min(HIGHEST_HZ, HIGHEST_SHARE * rate_hz) / step, bins - 1)
    while True:
        wide = round(edges[-1] * 2.0 ** (1.0 / BANDS_AN_OCTAVE))
        following = max(edges[-1] + LEAST_BINS, int(wide))
        if following > top:
            break
        edges.append(following)
    bounds = np.asarray(edges, dtype=np.int64)
    bounds_hz = bounds * step
    places = np.arange(INNER_POINTS * (bounds.size - 1) + 1) / INNER_POINTS
    grid = np.interp(places, np.arange(bounds.size), bounds_hz)
    centre = np.sqrt(bounds_hz[:-1] * bounds_hz[1:])
    kinds = tuple(_kind(centre, grid, rate_hz, family) for family in Family)
    return Layout(bounds, grid, kinds)
