"""What does a rig do, whatever was played through it?

Two captures of different DIs cannot be compared by their spectra: those say what
was played. Four things belong to the rig alone:

response
    Level of the capture against the DI in each third octave, as far as the DI
    explains the capture: ``capture - DI + 10 log10(share explained)``. That is
    coherent output power over input power (Bendat and Piersol, Random Data). For
    a memoryless distortion between two filters it keeps the shape of both filters
    (Bussgang's theorem, for Gaussian input), so it survives high gain; harmonics
    that fill bands which the DI lacks are not explained and drop out.
saturation
    Unexplained against explained power in each third octave, dB.
compression
    Level of the capture against the level of the DI.
filling
    Shape of the capture's own spectrum from 2 to 8 kHz as far as the DI explains
    neither of both: under distortion the speaker's and the microphone's roll-off
    colour a dense row of harmonics, whatever was played.

A level offset says how the preamp stood and is taken out of all but saturation. The
distance is stated in dB::

    sqrt(response^2 + (0.7 compression)^2 + (0.2 saturation)^2 + (0.7 filling)^2)

response, compression and filling are standard deviations of the difference
(weighted by the product of both shares explained; over the DI levels that both
reached; weighted by the product of both shares unexplained and shrunk where these
are few bands), saturation is a root mean square. The factors are our own, chosen on
invented rigs; `tests/benchmarks/library_bench.py` shows what they do on others.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.models.record import Axes, Curves, DiResult

Float = NDArray[np.float64]
Single = NDArray[np.float32]

BANDS_HZ = 1000.0 * 10.0 ** (np.arange(-11, 10) / 10.0)
"""Third octaves from 80 Hz to 8 kHz, IEC 61260-1 base ten."""
STEPS_DB = np.arange(-60.0, -5.0, 3.0)
"""DI levels at which compression curves are compared, dBFS."""

COMPRESSION_FACTOR = 0.7
SATURATION_FACTOR = 0.2
FILLING_FACTOR = 0.7
FACTORS = (1.0, COMPRESSION_FACTOR, SATURATION_FACTOR, FILLING_FACTOR)
LEAST_SHARED = 0.1
"""Bands, each counted by both shares explained, below which nothing is said."""
LEAST_EXPLAINED = 0.5
"""Bands, each counted by its share explained, below which a capture has no tone."""
LEAST_STEPS = 3
_LIMIT_DB = 20.0
_SHRUNK = 1.0
"""Bands that speak against a difference in filling."""
_LEAST_SHARE = 1e-3

_FILLED = 14
"""First band, 2 kHz, in which filling is looked at."""
_COUNT, _STEPS = len(BANDS_HZ), len(STEPS_DB)
_PARTS = np.cumsum([_COUNT, _COUNT, _COUNT, _STEPS, _STEPS])
WIDTH = 4 * _COUNT + 2 * _STEPS
"""Numbers in a tone: response, weight, saturation, levels, reached, spectrum."""


@dataclass(frozen=True, slots=True)
class Distance:
    """How far two rigs are from each other.

    Parameters
    ----------
    total_db : float
        The distance that ranks.
    response_db, compression_db, saturation_db, filling_db : float
        Its parts, before their factors.
    """

    total_db: float
    response_db: float
    compression_db: float
    saturation_db: float
    filling_db: float


def _on_bands(hz: tuple[float, ...], values: tuple[float, ...]) -> Float:
    """Values at the bands' centres; NaN, for this module only, where there is none."""
    found = np.full(_COUNT, np.nan)
    if len(hz) != len(values) or not hz:
        return found
    centres = np.asarray(hz)
    nearest = np.abs(np.log2(centres[None, :] / BANDS_HZ[:, None])).argmin(axis=1)
    close = np.abs(np.log2(centres[nearest] / BANDS_HZ)) < 1 / 12
    found[close] = np.asarray(values)[nearest[close]]
    return found


def spectrum_of(hz: tuple[float, ...], levels_db: tuple[float, ...]) -> Float | None:
    """Put third-octave levels on the library's bands.

    Parameters
    ----------
    hz : tuple of float
        Centres in Hz.
    levels_db : tuple of float
        Levels, dB.

    Returns
    -------
    ndarray, shape (21,), or None
        Without their mean over the bands; None if a band from 80 Hz to 8 kHz is
        missing.
    """
    found = _on_bands(hz, levels_db)
    return None if np.isnan(found).any() else found - found.mean()


def _on_steps(levels: tuple[tuple[float, float], ...]) -> tuple[Float, Float]:
    """Compression curve at the steps, and 1 where the DI reached them."""
    if len(levels) < LEAST_STEPS:
        return np.zeros(_STEPS), np.zeros(_STEPS)
    di, capture = np.array(sorted(levels)).T
    reached = (di[0] <= STEPS_DB) & (di[-1] >= STEPS_DB)
    values = np.interp(STEPS_DB, di, capture)
    middle = values[reached].mean() if reached.any() else 0.0
    return np.where(reached, values - middle, 0.0), reached.astype(float)


def tone(curves: Curves, di: DiResult, axes: Axes) -> Single | None:
    """Describe the rig behind one capture.

    Parameters
    ----------
    curves : Curves
        Of the capture.
    di : DiResult
        The DI that was played.
    axes : Axes
        Frequencies of the curves.

    Returns
    -------
    ndarray of float32, shape (WIDTH,), or None
        Response, weight, saturation (21 bands each), compression and steps reached
        (19 each), spectrum (21). None if the record's bands do not reach from 80 Hz
        to 8 kHz or the DI explains nothing.
    """
    hz = axes.third_octave_hz
    capture_db = _on_bands(hz, curves.third_octave_db)
    di_db = _on_bands(hz, di.third_octave_db)
    share = _on_bands(hz, curves.coherence)
    if np.isnan(capture_db + di_db + share).any():
        return None
    share = np.clip(share, _LEAST_SHARE, 1.0 - _LEAST_SHARE)
    weight = np.where(share > 2 * _LEAST_SHARE, share, 0.0)
    if weight.sum() < LEAST_EXPLAINED:
        return None
    response = capture_db - di_db + 10.0 * np.log10(share)
    response -= (weight * response).sum() / weight.sum()
    saturation = np.clip(10.0 * np.log10((1 - share) / share), -_LIMIT_DB, _LIMIT_DB)
    levels, reached = _on_steps(curves.levels)
    spectrum = capture_db - capture_db.mean()
    parts = (response, weight, saturation, levels, reached, spectrum)
    return np.concatenate(parts).astype(np.float32)


def expand(tones: Single) -> Single:
    """Lay tones out so that distances to all of them are matrix products.

    Parameters
    ----------
    tones : ndarray of float32, shape (n, WIDTH)
        One row a capture.

    Returns
    -------
    ndarray of float32, shape (n, EXPANDED_WIDTH)
        w, w r, w r^2, m, m l, m l^2, u, u f, u f^2, s, s^2, c, c^2 of response r with
        weight w, levels l with mask m, spectrum f from 2 kHz with u = 1 - w,
        saturation s, spectrum c (sums of squares as one column each for s and c).
    """
    r, w, s, levels, m, c = np.split(tones, _PARTS, axis=1)
    s2 = np.square(s).sum(axis=1, keepdims=True)
    c2 = np.square(c).sum(axis=1, keepdims=True)
    u, f = 1 - w[:, _FILLED:], c[:, _FILLED:]
    pairs = ((w, r), (m, levels), (u, f))
    weighted = [part for p, x in pairs for part in (p, p * x, p * x * x)]
    parts = (*weighted, s, s2, c, c2)
    return np.ascontiguousarray(np.concatenate(parts, axis=1), dtype=np.float32)


_FILLING = _COUNT - _FILLED
_EXPANDED = np.cumsum([3 * _COUNT, 3 * _STEPS, 3 * _FILLING, _COUNT, 1, _COUNT, 1])
EXPANDED_WIDTH = int(_EXPANDED[-1])


def _spread_columns(value: Float, weight: Float) -> Float:
    """Columns for sum p, sum p d, sum p d^2 with d = x - value and p = w weight."""
    none = np.zeros_like(value)
    total = np.concatenate([weight, none, none])
    first = np.concatenate([-weight * value, weight, none])
    second = np.concatenate([weight * value**2, -2 * weight * value, weight])
    return np.stack([total, first, second], axis=1)


def _question(wanted: Single) -> Single:
    """Lay the wanted tone out so that one matrix product asks for every distance."""
    r, w, s, levels, m, c = np.split(wanted.astype(np.float64), _PARTS)
    columns = np.zeros((EXPANDED_WIDTH, 10))
    first, second, third, fourth = (slice(*e) for e in pairwise((0, *_EXPANDED[:4])))
    columns[first, 0:3] = _spread_columns(r, w)
    columns[second, 3:6] = _spread_columns(levels, m)
    columns[third, 6:9] = _spread_columns(c[_FILLED:], 1 - w[_FILLED:])
    columns[fourth, 9] = -2 * s
    columns[_EXPANDED[3], 9] = 1.0
    return columns.astype(np.float32)


def _variance(sums: Float, shrunk: float = 0.0) -> Float:
    """Variance from three sums; `shrunk` is a weight that speaks for no difference."""
    total = np.maximum(sums[:, 0], 1e-6)
    spread = np.maximum(sums[:, 2] - sums[:, 1] ** 2 / total, 0.0)
    return np.asarray(spread / (total + shrunk))


def rig_distances(expanded: Single, wanted: Single) -> tuple[Float, Float]:
    """Distance of one tone to all others by what the rig does.

    Parameters
    ----------
    expanded : ndarray of float32, shape (n, EXPANDED_WIDTH)
        From `expand`.
    wanted : ndarray of float32, shape (WIDTH,)
        The tone that is looked for.

    Returns
    -------
    distance_db : ndarray, shape (n,)
        See the module; infinite where too few bands are shared.
    parts : ndarray, shape (n, 4)
        Response, compression, saturation and filling, dB, before their factors.
    """
    sums = (expanded @ _question(wanted)).astype(np.float64)
    compression = _variance(sums[:, 3:6])
    compression[sums[:, 3] < LEAST_STEPS] = 0.0
    own = float(np.square(np.split(wanted, _PARTS)[2], dtype=np.float64).sum())
    saturation = np.maximum((sums[:, 9] + own) / _COUNT, 0.0)
    filling = _variance(sums[:, 6:9], _SHRUNK)
    response = _variance(sums[:, 0:3])
    squares = np.column_stack([response, compression, saturation, filling])
    total = squares @ np.square(FACTORS)
    total[sums[:, 0] < LEAST_SHARED] = np.inf
    return np.sqrt(total), np.sqrt(squares)


def spectrum_distances(expanded: Single, wanted: Float) -> Float:
    """Distance of one average spectrum to all others: what was played counts too.

    Parameters
    ----------
    expanded : ndarray of float32, shape (n, EXPANDED_WIDTH)
        From `expand`.
    wanted : ndarray, shape (21,)
        From `spectrum_of`.

    Returns
    -------
    ndarray, shape (n,)
        Root mean square level difference over the bands, dB, offset taken out.
    """
    c, c2 = np.split(expanded, _EXPANDED[:-1], axis=1)[-2:]
    products = (c @ wanted.astype(np.float32)).astype(np.float64)
    square = (c2[:, 0] - 2 * products + wanted @ wanted) / _COUNT
    found: Float = np.sqrt(np.maximum(square, 0.0))
    return found


def distance(a: Single, b: Single) -> Distance | None:
    """Distance between two tones, in double precision.

    Parameters
    ----------
    a, b : ndarray of float32, shape (WIDTH,)
        From `tone`.

    Returns
    -------
    Distance or None
        Symmetric; None where the two share too few bands.
    """
    r, w, s, levels, m, c = zip(
        *(np.split(one.astype(np.float64), _PARTS) for one in (a, b)), strict=True
    )
    explained, reached = w[0] * w[1], m[0] * m[1]
    unexplained = ((1 - w[0]) * (1 - w[1]))[_FILLED:]
    if explained.sum() < LEAST_SHARED:
        return None
    enough = reached.sum() >= LEAST_STEPS
    shrink = unexplained.sum() / (unexplained.sum() + _SHRUNK)
    parts = (
        _deviation(r[0] - r[1], explained),
        _deviation(levels[0] - levels[1], reached) if enough else 0.0,
        math.sqrt(np.mean((s[0] - s[1]) ** 2)),
        _deviation((c[0] - c[1])[_FILLED:], unexplained) * math.sqrt(shrink),
    )
    return Distance(float(np.linalg.norm(np.multiply(parts, FACTORS))), *parts)


def _deviation(difference: Float, weight: Float) -> float:
    if weight.sum() <= 0:
        return 0.0
    mean = (weight * difference).sum() / weight.sum()
    variance = float((weight * (difference - mean) ** 2).sum() / weight.sum())
    return math.sqrt(variance)
