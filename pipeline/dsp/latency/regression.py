"""The delay of a chain whose colours are of minimum phase, with its uncertainty.

The cepstral minimum phase needs the magnitude at every frequency and so a rule
for what cannot be heard. Here nothing is continued by rule. In narrow bands the
logarithm of the transfer is a level, a delay and a sum of atoms (corners and
bumps) whose amplitude and phase belong together; their weights are unknown and
small. Amplitude and phase then give the delay together by linear regression,
and what colours might do beyond the usable band widens its interval.

Which kind of chain a capture went through (see `chains`) is not known, so the
kinds are weighed by their evidence, and the excess phase is heard as well.

Source: H. W. Bode, "Network analysis and feedback amplifier design", 1945;
Rasmussen and Williams, "Gaussian processes for machine learning", 2006, ch. 2.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.chains import (
    DELAY_VARIANCE,
    INNER_POINTS,
    Kind,
    Layout,
    bands_and_kinds,
    stacked,
)
from pipeline.dsp.latency.excess import ExcessDelay
from pipeline.dsp.latency.spectra import ClipSpectra

Float = NDArray[np.float64]
# Delay, its variance and minus twice the log evidence.
Outcome = tuple[float, float, float]
Complex = NDArray[np.complex128]

LEAST_COHERENCE = 0.15
LEAST_BANDS = 20
MOST_GAP_BANDS = 4
MOST_WEIGHT = 30.0
SEARCH_SAMPLES = 4.0
SEARCH_STEP = 0.25
# Misfits of a band that are thought possible.
FLOORS = (0.01, 0.03, 0.1, 0.3)
START_FLOOR = 0.03
LOGARITHMIC_ROUNDS = 2
ROUNDS = 4
NEAR = 0.7
# Bands are not as independent as the evidence takes them to be.
EVIDENCE_TEMPERATURE = 3.0
# Which kind the evidence prefers hangs on the last few bands, which differ from DI to
# DI. The excess phase leans on one rule for what cannot be heard, and so errs alike
# for every DI and otherwise than the kinds do; reflections spoil its agreement.
EXCESS_WEIGHT = 0.45
AGREEMENT = (0.94, 0.98)
# Where all kinds say the same, as of a chain without colour, they are right.
APART = (0.4, 1.0)
LEAST_DEVIATION = 0.05
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class FittedDelay:
    """Delay over the lag already taken out.

    Attributes
    ----------
    samples : float
        Positive = later.
    deviation_samples : float
        Its standard deviation, kinds of chains included.
    """

    samples: float
    deviation_samples: float


@dataclass(frozen=True, slots=True)
class _Bands:
    """Transfer inside the usable bands, with its weights."""

    first: int
    last: int
    turn: Complex
    freq_hz: Float
    grid_hz: Float
    transfer: Complex
    weight: Float
    starts: NDArray[np.int64]
    counts: NDArray[np.int64]


def _longest(usable: NDArray[np.bool_]) -> tuple[int, int]:
    """First and one past the last band of the longest run; small gaps bridged."""
    places = np.flatnonzero(usable)
    if not places.size:
        return 0, 0
    cuts = np.flatnonzero(np.diff(places) > MOST_GAP_BANDS) + 1
    run = max(np.split(places, cuts), key=lambda part: int(part[-1] - part[0]))
    return int(run[0]), int(run[-1]) + 1


def _bands(spectra: ClipSpectra, layout: Layout) -> _Bands | None:
    """Cut the coherent part of the transfer into bands."""
    edges, coherence = layout.edges, spectra.coherence()
    mean = np.add.reduceat(coherence, edges)[:-1] / np.diff(edges)
    first, last = _longest(mean > LEAST_COHERENCE)
    if last - first < LEAST_BANDS:
        return None
    inside = slice(int(edges[first]), int(edges[last]))
    # The DI carries no noise of its own, so H1 is free of the capture's noise.
    power = spectra.power_di.sum(axis=0, dtype=np.float64)[inside]
    cross = spectra.cross.sum(axis=0, dtype=np.complex128)[inside]
    share = coherence[inside]
    freq = spectra.freq_hz[inside]
    return _Bands(
        first,
        last,
        np.asarray(-2j * np.pi * freq / spectra.sample_rate_hz),
        freq,
        layout.grid_hz[INNER_POINTS * first : INNER_POINTS * last + 1],
        cross / (power + TINY),
        np.minimum(share / (1.0 - share), MOST_WEIGHT) * (share > 0.05) + 1e-6,
        edges[first:last] - edges[first],
        np.diff(edges[first : last + 1]),
    )


def _ratios(bands: _Bands, model: Complex) -> tuple[Complex, Float]:
    """Mean ratio of each band to a model, and the variance of its parts."""
    # A reflection turns within a band and drops out of the complex mean.
    total = np.add.reduceat(bands.weight, bands.starts)
    ratio = bands.transfer / model
    mean = np.add.reduceat(bands.weight * ratio, bands.starts) / total
    scatter = np.abs(ratio - np.repeat(mean, bands.counts)) ** 2
    # Three bins say little about their own scatter; neighbours help.
    near = np.ones(7)
    within = np.add.reduceat(bands.weight * scatter, bands.starts)
    free = total * (bands.counts - 1) / bands.counts
    smooth = np.convolve(within, near, "same") / np.convolve(free, near, "same")
    squares = np.add.reduceat(bands.weight**2, bands.starts)
    variance: Float = np.minimum(smooth * squares / total**2, 4.0)
    return np.asarray(mean), variance


class _Regression:
    """One kind of chain against the bands of one capture."""

    def __init__(self, bands: _Bands, kind: Kind) -> None:
        self.bands = bands
        count = kind.at_bands.shape[0] // 2
        rows = np.r_[bands.first : bands.last]
        self.atoms = kind.at_bands[np.concatenate([rows, rows + count])]
        grid = slice(INNER_POINTS * bands.first, INNER_POINTS * bands.last + 1)
        self.between = kind.between[grid]
        self.kind = kind
        self.expected = self.atoms @ kind.mean
        self.priors = [(self.atoms * v) @ self.atoms.T for v in kind.variances]

    def solve(self, target: Float, variance: Float) -> Float:
        """Most likely weights of the widest prior."""
        factor = scipy.linalg.cholesky(
            self.priors[-1] + np.diag(variance), lower=True, check_finite=False
        )
        alpha = scipy.linalg.cho_solve(
            (factor, True), target - self.expected, check_finite=False
        )
        moved = self.kind.variances[-1] * (self.atoms.T @ alpha)
        return np.asarray(self.kind.mean + moved)

    def model(self, state: Float) -> Complex:
        """Response at each bin: the smooth colour interpolated, the delay exact."""
        bands, shape = self.bands, self.between @ state[2:]
        size = np.interp(bands.freq_hz, bands.grid_hz, shape.real) + state[0]
        turn = np.interp(bands.freq_hz, bands.grid_hz, shape.imag)
        exponent = np.clip(size, -60.0, 60.0) + 1j * turn + state[1] * bands.turn
        return np.asarray(np.exp(exponent))

    def refine(self, state: Float) -> tuple[Float, Float]:
        """Gauss-Newton: the linearised target and its variance."""
        target = variance = np.zeros(0)
        for turn in range(ROUNDS):
            mean, spread = _ratios(self.bands, self.model(state))
            # The logarithm reaches far but is biased by scatter; it only starts.
            near = (turn >= LOGARITHMIC_ROUNDS) & (np.abs(mean - 1.0) < NEAR)
            step = np.where(near, mean - 1.0, np.log(mean + TINY))
            target = stacked(step) + self.atoms @ state
            variance = np.concatenate([spread, spread])
            state = self.solve(target, variance + START_FLOOR**2)
        return target, variance

    def outcomes(self, target: Float, variance: Float) -> list[Outcome]:
        """Delay, its variance and minus twice the log evidence, per assumption."""
        delay = DELAY_VARIANCE * self.atoms[:, 1]
        known = np.column_stack([target - self.expected, delay])
        found = []
        for prior in self.priors:
            for floor in FLOORS:
                total = prior + np.diag(variance + floor**2)
                factor = scipy.linalg.cholesky(total, lower=True, check_finite=False)
                white = scipy.linalg.solve_triangular(
                    factor, known, lower=True, check_finite=False
                )
                cost = white[:, 0] @ white[:, 0]
                cost += 2.0 * np.sum(np.log(np.diag(factor)))
                left = DELAY_VARIANCE - white[:, 1] @ white[:, 1]
                mean = white[:, 1] @ white[:, 0]
                found.append((float(mean), max(float(left), 1e-12), float(cost)))
        return found


def _first_guess(regression: _Regression, bands: _Bands, delay: float) -> Float:
    """Amplitude alone; the phase has no say yet."""
    power = np.abs(bands.transfer) ** 2
    total = np.add.reduceat(bands.weight, bands.starts)
    mean = np.add.reduceat(bands.weight * power, bands.starts) / total
    level = 0.5 * np.log(mean + TINY)
    target = np.concatenate([level, np.zeros_like(level)])
    state = regression.solve(target, np.repeat([0.01, 1e6], level.size))
    # The phase may turn by half a turn between a wrong delay and the right one,
    # so the best of a row of delays is where the regression starts.
    state[1] = delay
    ratio = bands.transfer / regression.model(state)
    left = bands.weight * ratio / (np.abs(ratio) + TINY)
    row = np.arange(-SEARCH_SAMPLES, SEARCH_SAMPLES + SEARCH_STEP, SEARCH_STEP)
    agreement = (np.exp(-np.outer(row, bands.turn)) @ left).real
    state[1] = delay + row[np.argmax(agreement)]
    return state


def _excess_weight(excess: ExcessDelay, found: list[list[Outcome]]) -> float:
    """Weight of the excess phase: some where it agrees and the kinds do not."""
    own = [min(outcomes, key=lambda outcome: outcome[2])[0] for outcomes in found]
    agrees = np.interp(excess.agreement, AGREEMENT, (0.0, 1.0))
    apart = np.interp(max(own) - min(own), APART, (0.0, 1.0))
    return float(EXCESS_WEIGHT * agrees * apart)


def fit_delay(spectra: ClipSpectra, excess: ExcessDelay) -> FittedDelay | None:
    """Fit delay, level and a colour of minimum phase to a measured transfer.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips, plain or behind a front end.
    excess : ExcessDelay
        Where to start, and the sign, which is not decided here. Where it agrees
        well, nearly half of the delay.

    Returns
    -------
    FittedDelay or None
        None where fewer than 20 bands of a twelfth of an octave are coherent.
    """
    layout = bands_and_kinds(spectra.sample_rate_hz, spectra.nfft, spectra.freq_hz.size)
    bands = _bands(spectra, layout)
    if bands is None:
        return None
    bands.transfer[:] *= excess.sign
    target = variance = None
    found = []
    for kind in layout.kinds:
        regression = _Regression(bands, kind)
        if target is None or variance is None:
            state = _first_guess(regression, bands, excess.delay_samples)
        else:
            state = regression.solve(target, variance + START_FLOOR**2)
        target, variance = regression.refine(state)
        found.append(regression.outcomes(target, variance))
    delays, variances, costs = np.concatenate(found).T
    share = np.exp(-0.5 * (costs - costs.min()) / EVIDENCE_TEMPERATURE)
    share /= share.sum()
    mean = float(share @ delays)
    mean += _excess_weight(excess, found) * (excess.delay_samples - mean)
    spread = share @ (variances + (delays - mean) ** 2) + LEAST_DEVIATION**2
    return FittedDelay(mean, float(np.sqrt(spread)))
