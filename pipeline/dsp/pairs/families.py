"""Analogue or sampled? What a pair tells of the circuits behind it, and what not.

Captures of microphones are analogue up to the converter; those of software amplifiers
are filtered at their own rate, by bilinear filters or folded responses. For unlike
microphones the two disagree about the delay by up to a sample, since what an analogue
response does above half the rate has a phase below it. The phase bears out one of
them, though faintly within one pair: so both answers are kept, and weighed. All pairs
of a night went through one converter or one program, so they may tell each other.

Amplitude has no say in that. How colours vary beforehand is known of neither family,
and which of them expects the amplitude at hand would drown what the phase tells. So
the evidence is that of the phase, given the amplitude. But answers that are far apart
speak for sampled circuits: filters at the capture's own rate go to nothing at half of
it, and an analogue response would have to fall more steeply than microphones do, and
on for ever, to look like that below.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from math import fsum, sqrt

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]

# Bands are not as independent as the evidence takes them to be.
EVIDENCE_TEMPERATURE = 10.0
MOST_ODDS = 8.0
MOST_OTHERS_ODDS = 2.0
UNUSUAL_GAP_SAMPLES = 0.35
HALF_WIDTH = 1.96
CAUTION = 3.0


@dataclass(frozen=True, slots=True)
class Weighed:
    """Delay under one set of assumptions.

    Attributes
    ----------
    delay_samples, variance : float
        Mean and variance.
    cost, amplitude_cost : float
        Minus twice the logarithm of the evidence: of all, and of amplitude alone.
    """

    delay_samples: float
    variance: float
    cost: float
    amplitude_cost: float


@dataclass(frozen=True, slots=True)
class Reading:
    """Delay as a family of circuits has it.

    Attributes
    ----------
    delay_samples, deviation_samples : float
        Mean and standard deviation.
    """

    delay_samples: float
    deviation_samples: float

    @property
    def half_width_samples(self) -> float:
        """Half width of the 95 percent interval."""
        return HALF_WIDTH * self.deviation_samples

    def blurred(self, by_samples: float) -> "Reading":
        """Add one more reason to be off.

        Parameters
        ----------
        by_samples : float
            Its standard deviation.

        Returns
        -------
        Reading
            Less certain.
        """
        deviation = float(np.hypot(self.deviation_samples, by_samples))
        return Reading(self.delay_samples, deviation)


@dataclass(frozen=True, slots=True)
class Families:
    """Delay of a pair as either family has it.

    Attributes
    ----------
    analogue, sampled : Reading
        Both answers.
    odds : float
        Natural logarithm of the odds that the pair's phase gives sampled circuits,
        no farther from 0 than `MOST_ODDS`: a misfit is no proof.
    """

    analogue: Reading
    sampled: Reading
    odds: float

    def each(self, change: Callable[[Reading], Reading]) -> "Families":
        """Change both answers alike.

        Parameters
        ----------
        change : callable
            From answer to answer.

        Returns
        -------
        Families
            With the same odds.
        """
        return replace(
            self, analogue=change(self.analogue), sampled=change(self.sampled)
        )

    def settled(self, others_odds: float = 0.0) -> Reading:
        """Weigh both answers by what is known.

        Parameters
        ----------
        others_odds : float
            Natural logarithm of the odds for sampled circuits before the pair was
            measured, as from `odds_from_others`.

        Returns
        -------
        Reading
            Its deviation holds how far the two are apart.
        """
        apart = self.sampled.delay_samples - self.analogue.delay_samples
        steep = 0.5 * (apart / UNUSUAL_GAP_SAMPLES) ** 2
        odds = others_odds + self.odds / CAUTION + steep
        sampled = 1.0 / (1.0 + np.exp(-odds))
        return _mean((self.analogue, self.sampled), np.array([1.0 - sampled, sampled]))


def odds_from_others(odds: Sequence[float]) -> tuple[float, ...]:
    """Odds for sampled circuits that each pair of a night gets from the others.

    Pairs of a night share microphones, and what misleads one misleads its like: n of
    them count for the square root of n. They can show that circuits are sampled, not
    that they are analogue, for a response that levels off above the band has the
    phase of a sampled one. Whole numbers keep the answer when another pass is added.

    Parameters
    ----------
    odds : sequence of float
        Of every pair, as in `Families`.

    Returns
    -------
    tuple of float
        Natural logarithms, 0 to `MOST_OTHERS_ODDS`, whatever the order; 0 where there
        are no others.
    """
    total = fsum(odds)
    count = sqrt(max(1, len(odds) - 1))
    return tuple(
        min(MOST_OTHERS_ODDS, float(max(0, round((total - own) / count / CAUTION))))
        for own in odds
    )


def _mean(readings: Iterable[Reading], share: Float) -> Reading:
    delays, deviations = np.array(
        [(r.delay_samples, r.deviation_samples) for r in readings]
    ).T
    mean = float(share @ delays)
    variance = share @ (deviations**2 + (delays - mean) ** 2)
    return Reading(mean, float(np.sqrt(variance)))


def _share(logarithms: Float) -> Float:
    share = np.exp((logarithms - logarithms.max()) / EVIDENCE_TEMPERATURE)
    return np.asarray(share / share.sum())


def _read(weighed: Iterable[Weighed]) -> tuple[Reading, float]:
    # Over all assumptions: the delay, and the evidence of the phase.
    found = list(weighed)
    whole = np.array([-0.5 * w.cost for w in found])
    amplitude = np.array([-0.5 * w.amplitude_cost for w in found])
    each = [Reading(w.delay_samples, float(np.sqrt(w.variance))) for w in found]
    evidence = np.logaddexp.reduce(whole) - np.logaddexp.reduce(amplitude)
    return _mean(each, _share(whole)), float(evidence)


def compare_families(
    analogue: Iterable[Weighed], *sampled: Iterable[Weighed]
) -> Families:
    """Sum up a pair under all assumptions of all families.

    Parameters
    ----------
    analogue : iterable of Weighed
        Analogue circuits.
    *sampled : iterable of Weighed
        Kinds of sampled ones, the same assumptions of each.

    Returns
    -------
    Families
        Both answers, and what the pair tells of which holds.
    """
    reading, against = _read(analogue)
    kinds = [_read(weighed) for weighed in sampled]
    evidence = np.array([kind[1] for kind in kinds])
    odds = float(np.logaddexp.reduce(evidence) - np.log(len(kinds)) - against)
    return Families(
        analogue=reading,
        sampled=_mean([kind[0] for kind in kinds], _share(evidence)),
        odds=float(np.clip(odds, -MOST_ODDS, MOST_ODDS)),
    )
