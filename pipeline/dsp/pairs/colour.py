"""Minimum-phase colours as sums of atoms, and what is known of them beforehand.

The logarithm of a minimum-phase response is analytic in the right half-plane, and
so is every sum of such logarithms. So a colour is written as a sum of atoms whose
amplitude and phase belong together exactly: first-order corners on a fine grid
(one unit bends the slope by 6 dB an octave; Bode's straight lines) and resonant
bumps. The weights are unknown, small and independent beforehand. That makes the
colour a Gaussian process whose phase beyond the usable band stays as uncertain as
its amplitude there is, instead of being extrapolated by a fixed rule.

Three families: "analogue" uses the frequency itself, "digital" the frequency that a
bilinear filter sees, tan(pi f / rate) rate / pi, for chains made of filters at the
capture's own rate (software amplifiers), "folded" the analogue amplitudes with the
phase of impulse responses made from them at the capture's own rate, which knows
nothing above half of it. They differ in what the response may do near half the rate
and beyond, which is worth half a sample of delay.

Source: H. W. Bode, "Network analysis and feedback amplifier design", 1945 (the
relation of amplitude and phase); Oppenheim and Schafer, "Discrete-time signal
processing" (the folded cepstrum); Rasmussen and Williams, "Gaussian processes for
machine learning", 2006, ch. 2 (the estimate). Their combination is our own.
"""

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.cepstrum import minimum_phase_of

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEVEL_VARIANCE = 1e4
DELAY_VARIANCE = 400.0

_KINKS_HZ = 15.0 * 2.0 ** (np.arange(90) / 6.0)
_WIDE_HZ = 60.0 * 2.0 ** (np.arange(54) / 6.0)
_WIDE_Q = 3.0
_NARROW_HZ = 200.0 * 2.0 ** (np.arange(56) / 8.0)
_NARROW_Q = 8.0
_KINKS_AN_OCTAVE = 6.0
_FOLDING_NFFT = 1 << 13


class Family(Enum):
    """What kind of circuit the colours belong to."""

    ANALOGUE = "analogue"
    DIGITAL = "digital"
    FOLDED = "folded"


@dataclass(frozen=True, slots=True)
class Spread:
    """How much colours vary beforehand.

    Attributes
    ----------
    kink : float
        Standard deviation of the change of slope within an octave, in units of
        6 dB an octave.
    bump : float
        Standard deviation of a bump's height in nepers (1 = 8.7 dB).
    """

    kink: float
    bump: float


@dataclass(frozen=True, slots=True)
class Atoms:
    """Atoms at chosen frequencies; real parts above imaginary parts.

    Attributes
    ----------
    base : ndarray, shape (2 n, 2)
        Level (a neper) and delay (a sample).
    kinks, bumps : ndarray, shape (2 n, atoms)
        Corners and resonances.
    """

    base: Float
    kinks: Float
    bumps: Float


def _stack(values: Complex) -> Float:
    return np.concatenate([values.real, values.imag])


def _bumps(frequency_hz: Float, centres_hz: Float, q: float) -> Complex:
    s = 1j * frequency_hz[:, np.newaxis] / centres_hz
    return np.asarray((s / q) / (1.0 + s / q + s * s))


@lru_cache(maxsize=4)
def _folded_table(sample_rate_hz: int) -> Complex:
    # Phase from amplitude below half the rate alone.
    grid_hz = np.linspace(0.0, sample_rate_hz / 2.0, _FOLDING_NFFT // 2 + 1)
    sizes = np.hstack(colours(grid_hz, sample_rate_hz, Family.ANALOGUE)).real.T
    return np.ascontiguousarray((sizes + 1j * minimum_phase_of(sizes)).T)


def _folded(freq_hz: Float, sample_rate_hz: int) -> Complex:
    table = _folded_table(sample_rate_hz)
    place = freq_hz * (_FOLDING_NFFT / sample_rate_hz)
    below = np.minimum(place.astype(np.int64), len(table) - 2)
    share = (place - below)[:, np.newaxis]
    return np.asarray(table[below] * (1.0 - share) + table[below + 1] * share)


def colours(
    freq_hz: Float, sample_rate_hz: int, family: Family
) -> tuple[Complex, Complex]:
    """Logarithms of the atoms at some frequencies.

    Parameters
    ----------
    freq_hz : ndarray, shape (n,)
        Below half the rate.
    sample_rate_hz : int
        Sampling rate in Hz.
    family : Family
        Kind of circuit.

    Returns
    -------
    kinks, bumps : ndarray of complex, shape (n, atoms)
        Natural logarithms of the responses of one unit of each.
    """
    if family is Family.FOLDED:
        whole = _folded(freq_hz, sample_rate_hz)
        return whole[:, : _KINKS_HZ.size], whole[:, _KINKS_HZ.size :]
    seen = freq_hz
    if family is Family.DIGITAL:
        seen = np.tan(np.pi * freq_hz / sample_rate_hz) * sample_rate_hz / np.pi
    # The logarithm of 1 + js by its parts, in half the time of the complex one.
    s = seen[:, np.newaxis] / _KINKS_HZ
    kinks = -0.5 * np.log1p(s * s) - 1j * np.arctan(s)
    wide = _bumps(seen, _WIDE_HZ, _WIDE_Q)
    return kinks, np.hstack([wide, _bumps(seen, _NARROW_HZ, _NARROW_Q)])


def atoms(freq_hz: Float, sample_rate_hz: int, family: Family) -> Atoms:
    """Level, delay and colours at some frequencies, as real matrices.

    Parameters
    ----------
    freq_hz : ndarray, shape (n,)
        Below half the rate.
    sample_rate_hz : int
        Sampling rate in Hz.
    family : Family
        Kind of circuit.

    Returns
    -------
    Atoms
        With 2 n rows.
    """
    kinks, bumps = colours(freq_hz, sample_rate_hz, family)
    level = np.ones(freq_hz.size, dtype=np.complex128)
    delay = np.asarray(-2j * np.pi * freq_hz / sample_rate_hz, dtype=np.complex128)
    return Atoms(
        base=np.column_stack([_stack(level), _stack(delay)]),
        kinks=_stack(kinks),
        bumps=_stack(bumps),
    )


def covariance(parts: Atoms, spread: Spread) -> Float:
    """Covariance of the logarithmic response before any measurement.

    Parameters
    ----------
    parts : Atoms
        At n frequencies.
    spread : Spread
        How much colours vary.

    Returns
    -------
    ndarray, shape (2 n, 2 n)
        Level and delay are nearly free.
    """
    base = parts.base * np.array([LEVEL_VARIANCE, DELAY_VARIANCE])
    kink = spread.kink**2 / _KINKS_AN_OCTAVE
    return np.asarray(
        base @ parts.base.T
        + kink * (parts.kinks @ parts.kinks.T)
        + spread.bump**2 * (parts.bumps @ parts.bumps.T)
    )


def weights(parts: Atoms, spread: Spread, alpha: Float) -> Float:
    """Weights of all atoms that explain a measurement.

    Parameters
    ----------
    parts : Atoms
        At n frequencies.
    spread : Spread
        As in `covariance`.
    alpha : ndarray, shape (2 n,)
        Inverse of the measured covariance times the measurement.

    Returns
    -------
    ndarray, shape (2 + kinks + bumps,)
        Level, delay in samples, kinks, bumps.
    """
    return np.concatenate(
        [
            np.array([LEVEL_VARIANCE, DELAY_VARIANCE]) * (parts.base.T @ alpha),
            spread.kink**2 / _KINKS_AN_OCTAVE * (parts.kinks.T @ alpha),
            spread.bump**2 * (parts.bumps.T @ alpha),
        ]
    )
