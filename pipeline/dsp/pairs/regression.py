"""Regression of level, delay, colours and perhaps one echo on the bands of a pair.

Bands are averaged as complex ratios to the current model, which also gates the
response in time: late reflections turn within a band and drop out.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.pairs.bands import TINY, Bands
from pipeline.dsp.pairs.colour import (
    DELAY_VARIANCE,
    Family,
    Spread,
    atoms,
    colours,
    covariance,
    weights,
)
from pipeline.dsp.pairs.echo import VARIANCE, Echo
from pipeline.dsp.pairs.families import Weighed

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Hann-windowed bins and decaying rooms tie neighbours together.
NEIGHBOUR_VARIANCE = 2.0
NEIGHBOURS = 7
NOISE_CORRECTION_ERROR = 0.3
START_FLOOR = 0.03
FLOORS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3)
SPREADS = (Spread(0.4, 0.1), Spread(1.0, 0.3))
START_SPREAD = SPREADS[-1]
LOGARITHMIC_ROUNDS = 2
MOST_MISS = 0.7
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Solved:
    """What a regression came to.

    Attributes
    ----------
    state : ndarray
        Level, delay in samples, kinks, bumps.
    target, variance : ndarray, shape (2 bands,)
        The linearised logarithm of the transfer, and the variance that room and
        noise give it.
    """

    state: Float
    target: Float
    variance: Float


def _neighbourly(values: Float) -> Float:
    padded = np.pad(values, NEIGHBOURS // 2, mode="edge")
    return np.convolve(padded, np.full(NEIGHBOURS, 1.0 / NEIGHBOURS), "valid")


class Regression:
    """One family of colours against the bands of one pair, perhaps with an echo.

    Parameters
    ----------
    bands : Bands
        Of the pair.
    family : Family
        Kind of circuit.
    echo : Echo, optional
        A reflection near this one is fitted together with the colours.
    """

    def __init__(self, bands: Bands, family: Family, echo: Echo | None = None) -> None:
        self.bands = bands
        self.echo = echo
        self._expected = echo
        self._pair = np.ones(bands.freq_hz.size, dtype=np.complex128)
        self._slopes = np.zeros((2 * bands.centre_hz.size, 0))
        self._weight = bands.weight
        self._parts = atoms(bands.centre_hz, bands.rate_hz, family)
        self._stack = np.hstack(
            [self._parts.base, self._parts.kinks, self._parts.bumps]
        )
        self._grid = np.hstack(colours(bands.grid_hz, bands.rate_hz, family))
        self._ramp = -2j * np.pi * bands.freq_hz / bands.rate_hz
        self._start_colours = covariance(self._parts, START_SPREAD)
        if echo is not None:
            self._hear(echo)

    def _hear(self, echo: Echo) -> None:
        # Bands that hold whole turns of the echo average its slopes away; bins in
        # its notches say little.
        bands = self.bands
        self.echo = echo
        pair = echo.response(bands.freq_hz, bands.rate_hz)
        slopes = echo.slopes(bands.freq_hz, bands.rate_hz)
        self._pair = pair**echo.side
        self._weight = bands.weight * np.minimum(1.0, np.abs(pair) ** 2)
        mean = np.add.reduceat(self._weight[:, np.newaxis] * slopes, bands.starts)
        mean /= bands.total(self._weight).real[:, np.newaxis]
        self._slopes = np.vstack([mean.real, mean.imag])

    def _prior(self, spread: Spread) -> Float:
        if spread is START_SPREAD:
            colour = self._start_colours
        else:
            colour = covariance(self._parts, spread)
        return np.asarray(
            colour + (self._slopes * VARIANCE[: self._slopes.shape[1]]) @ self._slopes.T
        )

    def model(self, state: Float) -> Complex:
        """Transfer that a state stands for, without the sign.

        Parameters
        ----------
        state : ndarray
            As in `Solved`.

        Returns
        -------
        ndarray of complex, shape (bins,)
            The smooth colour is interpolated, delay and echo are exact.
        """
        logarithm = self._grid @ state[2:]
        grid, freq = self.bands.grid_hz, self.bands.freq_hz
        real = np.interp(freq, grid, logarithm.real) + state[0]
        imaginary = np.interp(freq, grid, logarithm.imag)
        exponent = np.clip(real, -60.0, 60.0) + 1j * imaginary
        return np.asarray(np.exp(exponent + state[1] * self._ramp) * self._pair)

    def solve(self, target: Float, variance: Float) -> Float:
        """Find the state that explains a target best.

        Parameters
        ----------
        target, variance : ndarray, shape (2 bands,)
            As in `Solved`, with whatever floor is wanted.

        Returns
        -------
        ndarray
            The state; the echo stays as it is.
        """
        return weights(self._parts, START_SPREAD, self._alpha(target, variance))

    def _alpha(self, target: Float, variance: Float) -> Float:
        factor = scipy.linalg.cholesky(
            self._prior(START_SPREAD) + np.diag(variance), lower=True
        )
        return np.asarray(scipy.linalg.cho_solve((factor, True), target))

    def _ratios(self, model: Complex) -> tuple[Complex, Float]:
        # Mean ratio of each band to the model, and its variance a component.
        bands, weight = self.bands, self._weight
        ratio = bands.transfer / model
        total = bands.total(weight)
        mean = np.asarray(bands.total(weight * ratio) / total)
        scatter = np.abs(ratio - np.repeat(mean, bands.counts)) ** 2
        # Three bins say little about their own scatter; neighbours help.
        near = np.ones(NEIGHBOURS)
        within = bands.total(weight * scatter)
        free = total * (bands.counts - 1) / bands.counts
        smooth = np.convolve(within, near, "same") / np.convolve(free, near, "same")
        variance = smooth * bands.total(weight**2) / total**2
        return mean, np.minimum(0.5 * NEIGHBOUR_VARIANCE * variance, 4.0).real

    def refine(self, state: Float, polarity: int, *, rounds: int = ROUNDS) -> Solved:
        """Improve a state by Gauss and Newton's method.

        Parameters
        ----------
        state : ndarray
            Where to begin.
        polarity : {1, -1}
            Sign of the relation.
        rounds : int
            How often.

        Returns
        -------
        Solved
            With the echo, if any, at its best as well.
        """
        target = variance = np.zeros(0)
        by = np.zeros(self._slopes.shape[1])
        for turn in range(rounds):
            mean, band_variance = self._ratios(polarity * self.model(state))
            # The logarithm reaches far but is biased by scatter; it only starts.
            miss = mean - 1.0
            step = miss * np.minimum(1.0, MOST_MISS / (np.abs(miss) + TINY))
            if turn < LOGARITHMIC_ROUNDS:
                step = np.log(mean + TINY)
            if turn >= LOGARITHMIC_ROUNDS:
                # A room that decays fast moves a band's bins together, and shows
                # only in how the bands miss the model.
                missed = _neighbourly(0.5 * np.abs(miss) ** 2)
                band_variance = np.maximum(band_variance, missed)
            target = np.concatenate([step.real, step.imag]) + self._stack @ state
            target += self._slopes @ by
            corrected = (NOISE_CORRECTION_ERROR * self.bands.correction) ** 2
            variance = np.concatenate([band_variance + corrected, band_variance])
            alpha = self._alpha(target, variance + START_FLOOR**2)
            state = weights(self._parts, START_SPREAD, alpha)
            if self._expected is not None and turn + 1 < rounds:
                by = VARIANCE * (self._slopes.T @ alpha)
                self._hear(self._expected.moved(by))
        return Solved(state, target, variance)

    def weigh(self, target: Float, variance: Float) -> Iterable[Weighed]:
        """Delay under every assumption about spread and floor.

        Parameters
        ----------
        target, variance : ndarray, shape (2 bands,)
            As in `Solved`.

        Yields
        ------
        Weighed
            One for each.
        """
        for spread in SPREADS:
            prior = self._prior(spread)
            for floor in FLOORS:
                yield self._posterior(prior, target, variance + floor**2)

    def cost(self, solved: Solved) -> float:
        """Minus twice the logarithm of the evidence under the first assumptions.

        Parameters
        ----------
        solved : Solved
            Of this regression.

        Returns
        -------
        float
            The smaller, the better.
        """
        floored = solved.variance + START_FLOOR**2
        return self._posterior(self._prior(START_SPREAD), solved.target, floored).cost

    def _posterior(self, prior: Float, target: Float, variance: Float) -> Weighed:
        factor = scipy.linalg.cholesky(prior + np.diag(variance), lower=True)
        known = np.column_stack([target, DELAY_VARIANCE * self._parts.base[:, 1]])
        white = scipy.linalg.solve_triangular(factor, known, lower=True)
        # Amplitudes stand first, so theirs is the leading part of the factor.
        costs = np.cumsum(white[:, 0] ** 2 + 2.0 * np.log(np.diag(factor)))
        left = max(DELAY_VARIANCE - float(white[:, 1] @ white[:, 1]), 1e-12)
        return Weighed(
            delay_samples=float(white[:, 1] @ white[:, 0]),
            variance=left,
            cost=float(costs[-1]),
            amplitude_cost=float(costs[costs.size // 2 - 1]),
        )
