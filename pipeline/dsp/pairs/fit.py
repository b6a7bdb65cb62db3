"""Delay and polarity of a linear relation whose colours are of minimum phase.

The averaged transfer is H = p exp(-j w tau) C, with p = +-1 and C of minimum phase.
In narrow bands its logarithm is a sum of level, delay and the atoms of `colour`,
all unknown, so amplitude and phase together give tau by linear regression, with
its variance. Bands are averaged as complex ratios to the current model, which also
gates the response in time: reflections turn within a band and drop out.

How much colours vary, how far reality departs from the model, and whether the chain
is analogue or digital, is not known either: a grid of such assumptions is weighed by
its evidence, and the spread between plausible ones is part of the uncertainty.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky, solve_triangular

from pipeline.dsp.pairs.colour import (
    DELAY_VARIANCE,
    Atoms,
    Family,
    Spread,
    atoms,
    colours,
    covariance,
    weights,
)
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
LEAST_SIGNAL_SHARE = 0.2
# Hann-windowed bins and decaying rooms tie neighbours together.
NEIGHBOUR_VARIANCE = 2.0
NOISE_CORRECTION_ERROR = 0.3
SEARCH_SAMPLES = 20.0
SEARCH_STEP = 0.5
CLEAR_RIVAL = 0.5
START_FLOOR = 0.03
FLOORS = (0.003, 0.01, 0.03, 0.1, 0.3)
SPREADS = (Spread(0.4, 0.1), Spread(1.0, 0.3))
START_SPREAD = SPREADS[-1]
LOGARITHMIC_ROUNDS = 2
ROUNDS = 4
# Bands are not as independent as the evidence takes them to be.
EVIDENCE_TEMPERATURE = 10.0
EXTRA_SAMPLES = 0.03
# Phase that one delay leaves unexplained: a room the bands did not gate away.
UNEXPLAINED_SAMPLES = 2.0
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Fit:
    """Delay and polarity of b against a, after the whole lag.

    Attributes
    ----------
    delay_samples, deviation_samples : float
        Estimate and its standard deviation.
    polarity : {1, -1}
        The more likely sign.
    rival : float
        Best phase agreement of the other sign over that of this one, 0..1.
    agreement : float
        Share of the weighted phase that one delay explains, 0..1.
    usable_hz : tuple of float
        The band that was used.
    """

    delay_samples: float
    deviation_samples: float
    polarity: int
    rival: float
    agreement: float
    usable_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Bands:
    # Transfer, weights and bands inside the usable range.
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


def _bands(averages: Averages, rate_hz: int) -> _Bands | None:
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
    share = coherence / (1.0 - coherence)
    weight = (np.minimum(share, MOST_WEIGHT) * (coherence > 0.1) + 1e-9)[inside]
    noise = (averages.noise_a / (averages.power_a + TINY))[inside]
    edges_hz = averages.freq_hz[edges]
    quarters = np.arange(4 * starts.size + 1) / 4.0
    return _Bands(
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


class _Regression:
    # One family of colours against the bands of one pair.

    def __init__(self, bands: _Bands, family: Family) -> None:
        self.bands = bands
        self.parts: Atoms = atoms(bands.centre_hz, bands.rate_hz, family)
        self._grid = np.hstack(colours(bands.grid_hz, bands.rate_hz, family))
        self._ramp = -2j * np.pi * bands.freq_hz / bands.rate_hz
        self._start_covariance = covariance(self.parts, START_SPREAD)

    def model(self, state: Float) -> Complex:
        # The smooth colour is interpolated, the delay is exact.
        logarithm = self._grid @ state[2:]
        grid, freq = self.bands.grid_hz, self.bands.freq_hz
        real = np.interp(freq, grid, logarithm.real) + state[0]
        imaginary = np.interp(freq, grid, logarithm.imag)
        exponent = np.clip(real, -60.0, 60.0) + 1j * imaginary
        return np.asarray(np.exp(exponent + state[1] * self._ramp))

    def predicted(self, state: Float) -> Float:
        parts = self.parts
        stacked = np.hstack([parts.base, parts.kinks, parts.bumps])
        return np.asarray(stacked @ state)

    def solve(self, target: Float, variance: Float) -> Float:
        factor = cholesky(self._start_covariance + np.diag(variance), lower=True)
        alpha = cho_solve((factor, True), target)
        return weights(self.parts, START_SPREAD, alpha)

    def ratios(self, model: Complex) -> tuple[Complex, Float]:
        # Mean ratio of each band to the model, and its variance a component.
        bands = self.bands
        ratio = bands.transfer / model
        total = bands.total(bands.weight)
        mean = np.asarray(bands.total(bands.weight * ratio) / total)
        scatter = np.abs(ratio - np.repeat(mean, bands.counts)) ** 2
        # Three bins say little about their own scatter; neighbours help.
        near = np.ones(7)
        within = bands.total(bands.weight * scatter)
        free = total * (bands.counts - 1) / bands.counts
        smooth = np.convolve(within, near, "same") / np.convolve(free, near, "same")
        variance = smooth * bands.total(bands.weight**2) / total**2
        return mean, np.minimum(0.5 * NEIGHBOUR_VARIANCE * variance, 4.0).real

    def refine(self, state: Float, polarity: int) -> tuple[Float, Float, Float]:
        # Gauss-Newton: returns the state, the linearised target, its variance.
        target = variance = np.zeros(0)
        for turn in range(ROUNDS):
            mean, band_variance = self.ratios(polarity * self.model(state))
            # The logarithm reaches far but is biased by scatter; it only starts.
            near = (turn >= LOGARITHMIC_ROUNDS) & (np.abs(mean - 1.0) < 0.7)
            step = np.where(near, mean - 1.0, np.log(mean + TINY))
            target = np.concatenate([step.real, step.imag]) + self.predicted(state)
            corrected = (NOISE_CORRECTION_ERROR * self.bands.correction) ** 2
            variance = np.concatenate([band_variance + corrected, band_variance])
            state = self.solve(target, variance + START_FLOOR**2)
        return state, target, variance


def _posterior(
    parts: Atoms, prior: Float, target: Float, variance: Float
) -> tuple[float, float, float]:
    # Delay, its variance, and minus twice the logarithm of the evidence.
    factor = cholesky(prior + np.diag(variance), lower=True)
    known = np.column_stack([target, DELAY_VARIANCE * parts.base[:, 1]])
    white = solve_triangular(factor, known, lower=True)
    volume = float(np.sum(np.log(np.diag(factor))))
    cost = float(white[:, 0] @ white[:, 0]) + 2.0 * volume
    left = max(DELAY_VARIANCE - float(white[:, 1] @ white[:, 1]), 1e-12)
    return float(white[:, 1] @ white[:, 0]), left, cost


def _weigh(
    parts: Atoms, target: Float, variance: Float
) -> Iterable[tuple[float, float, float]]:
    for spread in SPREADS:
        prior = covariance(parts, spread)
        for floor in FLOORS:
            yield _posterior(parts, prior, target, variance + floor**2)


def _phase_search(
    bands: _Bands, model: Complex
) -> tuple[dict[int, float], dict[int, float]]:
    # Best delay and agreement for either sign, from the excess phase.
    excess = bands.transfer / model
    excess = excess / (np.abs(excess) + TINY) * bands.weight / bands.weight.sum()
    delays = np.arange(-SEARCH_SAMPLES, SEARCH_SAMPLES + 0.1, SEARCH_STEP)
    ramp = 2j * np.pi / bands.rate_hz * bands.freq_hz
    turns = np.exp(np.outer(ramp, delays))
    agreement = (excess @ turns).real
    best = {1: int(np.argmax(agreement)), -1: int(np.argmin(agreement))}
    return (
        {sign: float(delays[index]) for sign, index in best.items()},
        {sign: float(sign * agreement[index]) for sign, index in best.items()},
    )


def _start(regression: _Regression) -> Float:
    # Amplitude alone: the phase is given no say yet.
    bands = regression.bands
    power = bands.total(bands.weight * np.abs(bands.transfer) ** 2).real
    level = 0.5 * np.log(power / bands.total(bands.weight).real + TINY)
    target = np.concatenate([level, np.zeros_like(level)])
    variance = np.repeat([0.01, 1e6], level.size)
    state = regression.solve(target, variance)
    state[1] = 0.0
    return state


def _outcome(
    regression: _Regression, start: Float, sign: int, delay: float
) -> tuple[float, int, Float, Float]:
    # Cost of a sign, with the target and variance it leads to.
    begin = start.copy()
    begin[1] = delay
    _, target, variance = regression.refine(begin, sign)
    parts = regression.parts
    prior = covariance(parts, START_SPREAD)
    cost = _posterior(parts, prior, target, variance + START_FLOOR**2)[2]
    return cost, sign, target, variance


def fit(averages: Averages, sample_rate_hz: int) -> Fit | None:
    """Estimate delay and polarity from averaged spectra.

    Parameters
    ----------
    averages : Averages
        The microphone that hears first must be a, for the other's reverberation
        is what the bands gate away.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Fit or None
        None if the two share too narrow a band.
    """
    bands = _bands(averages, sample_rate_hz)
    if bands is None:
        return None
    first = _Regression(bands, Family.ANALOGUE)
    start = _start(first)
    delays, agreements = _phase_search(bands, first.model(start))
    likely = 1 if agreements[1] >= agreements[-1] else -1
    rival = max(0.0, agreements[-likely]) / max(agreements[likely], TINY)
    signs = [likely] if rival < CLEAR_RIVAL else [likely, -likely]
    outcomes = [_outcome(first, start, sign, delays[sign]) for sign in signs]
    _, sign, target, variance = min(outcomes, key=lambda outcome: outcome[0])
    candidates = list(_weigh(first.parts, target, variance))
    second = _Regression(bands, Family.DIGITAL)
    begin = second.solve(target, variance + START_FLOOR**2)
    _, target, variance = second.refine(begin, sign)
    candidates += _weigh(second.parts, target, variance)
    delay, deviation = _mix(np.array(candidates))
    unexplained = UNEXPLAINED_SAMPLES * (1.0 - min(1.0, agreements[sign]))
    return Fit(
        delay_samples=delay,
        deviation_samples=float(np.hypot(deviation, unexplained)),
        polarity=sign,
        rival=rival if sign == likely else 1.0,
        agreement=max(0.0, min(1.0, agreements[sign])),
        usable_hz=(float(bands.freq_hz[0]), float(bands.freq_hz[-1])),
    )


def _mix(candidates: Float) -> tuple[float, float]:
    # Mean and deviation over all assumptions, weighed by their evidence.
    delays, variances, costs = candidates.T
    share = np.exp(-0.5 * (costs - costs.min()) / EVIDENCE_TEMPERATURE)
    share /= share.sum()
    mean = float(share @ delays)
    spread = share @ (variances + (delays - mean) ** 2) + EXTRA_SAMPLES**2
    return mean, float(np.sqrt(spread))
