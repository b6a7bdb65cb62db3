"""Delay and polarity of a linear relation whose colours are of minimum phase.

The averaged transfer is H = p exp(-j w tau) C, with p = +-1 and C of minimum phase.
In narrow bands its logarithm is a sum of level, delay and the atoms of `colour`,
all unknown, so amplitude and phase together give tau by linear regression, with
its variance. A strong reflection in one microphone is fitted along (see `echo`).

How much colours vary, how far reality departs from the model, and whether the chain
is analogue or sampled (see `families`), is not known either: a grid of such
assumptions is weighed by its evidence, and the spread between plausible ones is part
of the uncertainty.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.pairs.bands import TINY, Bands, usable_bands
from pipeline.dsp.pairs.colour import Family
from pipeline.dsp.pairs.echo import Echo, suspect_echo
from pipeline.dsp.pairs.families import Families, compare_families
from pipeline.dsp.pairs.regression import START_FLOOR, Regression, Solved
from pipeline.dsp.pairs.spectra import Averages

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

SEARCH_SAMPLES = 20.0
SEARCH_STEP = 0.5
CLEAR_RIVAL = 0.5
SMOOTH_FLOOR = 0.3
ECHO_ROUNDS = 8
EXTRA_SAMPLES = 0.03
# Phase that one delay leaves unexplained: a room the bands did not gate away.
UNEXPLAINED_SAMPLES = 1.0


@dataclass(frozen=True, slots=True)
class Fit:
    """Delay and polarity of b against a, after the whole lag.

    Attributes
    ----------
    families : Families
        The delay, as either family of circuits has it.
    polarity : {1, -1}
        The more likely sign.
    rival : float
        Best phase agreement of the other sign over that of this one, 0..1.
    agreement : float
        Share of the weighted phase that one delay explains, 0..1.
    usable_hz : tuple of float
        The band that was used.
    echo : Echo or None
        A strong reflection in one of both.
    """

    families: Families
    polarity: int
    rival: float
    agreement: float
    usable_hz: tuple[float, float]
    echo: Echo | None


def _phase_search(
    bands: Bands, model: Complex
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


def _start(regression: Regression) -> Float:
    # Amplitude alone: the phase is given no say yet.
    bands = regression.bands
    power = bands.total(bands.weight * np.abs(bands.transfer) ** 2).real
    level = 0.5 * np.log(power / bands.total(bands.weight).real + TINY)
    target = np.concatenate([level, np.zeros_like(level)])
    variance = np.repeat([0.01, 1e6], level.size)
    state = regression.solve(target, variance)
    state[1] = 0.0
    return state


@dataclass(frozen=True, slots=True)
class _Heard:
    # One explanation of a pair: with or without an echo, of either sign.
    regression: Regression
    solved: Solved
    sign: int


def _cheapest(heard: _Heard, variance: Float) -> float:
    weighed = heard.regression.weigh(heard.solved.target, variance)
    return min(one.cost for one in weighed)


def _explained(plain: _Heard) -> _Heard:
    # Smooth colour only: a colour that follows the notches would hide them.
    regression, solved = plain.regression, plain.solved
    bands = regression.bands
    smooth = regression.solve(solved.target, solved.variance + SMOOTH_FLOOR**2)
    residual = plain.sign * bands.transfer / regression.model(smooth)
    best = plain
    for suspect in suspect_echo(residual, bands.weight, bands.freq_hz, bands.rate_hz):
        begin = smooth.copy()
        begin[1] += suspect.shift_samples
        other = Regression(bands, Family.ANALOGUE, suspect.echo)
        # A louder path that comes inverted turns the sign of its own gain.
        sign = plain.sign * suspect.sign
        found = _Heard(other, other.refine(begin, sign, rounds=ECHO_ROUNDS), sign)
        # Noise belongs to the bands, so both are judged by the same.
        variance = np.maximum(best.solved.variance, found.solved.variance)
        if _cheapest(found, variance) < _cheapest(best, variance):
            best = found
    return best


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
    bands = usable_bands(averages, sample_rate_hz)
    if bands is None:
        return None
    plain = Regression(bands, Family.ANALOGUE)
    start = _start(plain)
    delays, agreements = _phase_search(bands, plain.model(start))
    likely = 1 if agreements[1] >= agreements[-1] else -1
    rival = max(0.0, agreements[-likely]) / max(agreements[likely], TINY)
    outcomes = {}
    for sign in [likely] if rival < CLEAR_RIVAL else [likely, -likely]:
        begin = start.copy()
        begin[1] = delays[sign]
        outcomes[sign] = plain.refine(begin, sign)
    sign = min(outcomes, key=lambda s: plain.cost(outcomes[s]))
    heard = _explained(_Heard(plain, outcomes[sign], sign))
    families = _over_families(heard)
    echo = heard.regression.echo
    if echo is not None:
        # Without the echo the phase may agree with one delay, and with one sign.
        state = _start(heard.regression)
        state[1] = heard.solved.state[1]
        alone = _phase_search(bands, heard.regression.model(state))[1]
        agreements = max(agreements, alone, key=lambda a: a[heard.sign])
    agreement = min(1.0, max(TINY, agreements[heard.sign]))
    blur = float(np.hypot(UNEXPLAINED_SAMPLES * (1.0 - agreement), EXTRA_SAMPLES))
    return Fit(
        families=families.each(lambda reading: reading.blurred(blur)),
        polarity=heard.sign,
        rival=min(1.0, max(0.0, agreements[-heard.sign]) / agreement),
        agreement=agreement,
        usable_hz=(float(bands.freq_hz[0]), float(bands.freq_hz[-1])),
        echo=echo,
    )


def _over_families(heard: _Heard) -> Families:
    # All are judged by one noise of the bands.
    analogue, solved = heard.regression, heard.solved
    solutions = [(analogue, solved)]
    for family in (Family.DIGITAL, Family.FOLDED):
        other = Regression(analogue.bands, family, analogue.echo)
        begin = other.solve(solved.target, solved.variance + START_FLOOR**2)
        solutions.append((other, other.refine(begin, heard.sign)))
    variance = np.max([found.variance for _, found in solutions], axis=0)
    return compare_families(
        *(other.weigh(found.target, variance) for other, found in solutions)
    )
