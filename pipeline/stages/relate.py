"""How do two microphones of a pass relate, and what does their sum do?

Measured mic to mic: their relation is linear whatever the amplifier does. Positive
delay: b is later than a.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict

from pipeline.dsp.mix import (
    Advice,
    BestRatio,
    SumCurve,
    advise_pair,
    best_ratio,
    sum_curves,
)
from pipeline.dsp.pairs import (
    Families,
    PairEcho,
    PairEstimate,
    PairSpectra,
    odds_from_others,
    relate_mics,
)
from pipeline.models.record import Advice as AdviceText
from pipeline.models.record import Pair, Polarity, SumResult, Sums
from pipeline.stages.axes import on_axis, third_octave_axis
from pipeline.units import mm_from_samples

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Relation:
    """Two microphones of one pass, as measured.

    Parameters
    ----------
    a, b : str
        Ids of the captures.
    delay_samples : float
        b against a.
    uncertainty_samples : float
        Half width of the 95 percent interval.
    distance_mm : float
        The delay as a way through the air.
    polarity : {1, -1} or None
        Sign of b against a.
    confidence : float
        0 to 1.
    usable_hz : tuple of float
        Band in which both share enough.
    families : Families
        The delay for either family of circuits, and what the pair tells of them.
    points : bytes
        Frequency, power of a, power of b, real and imaginary cross power: five rows
        of little-endian float64.
    echo : PairEcho or None
        A strong reflection in one of both.
    """

    __pydantic_config__ = ConfigDict(ser_json_bytes="base64", val_json_bytes="base64")

    a: str
    b: str
    delay_samples: float
    uncertainty_samples: float
    distance_mm: float
    polarity: Polarity | None
    confidence: float
    usable_hz: tuple[float, float]
    families: Families
    points: bytes
    echo: PairEcho | None = None

    @property
    def estimate(self) -> PairEstimate:
        """The measurement, as the sums take it."""
        rows = np.frombuffer(self.points, dtype="<f8").reshape(5, -1)
        spectra = PairSpectra(rows[0], rows[1], rows[2], rows[3] + 1j * rows[4])
        return PairEstimate(
            delay_samples=self.delay_samples,
            distance_mm=self.distance_mm,
            polarity=self.polarity,
            confidence=self.confidence,
            uncertainty_samples=self.uncertainty_samples,
            usable_from_hz=self.usable_hz[0],
            usable_to_hz=self.usable_hz[1],
            families=self.families,
            spectra=spectra,
            echo=self.echo,
        )

    @property
    def lag_samples(self) -> float:
        """The delay, or 0 where the two are in step as far as can be told."""
        in_step = abs(self.delay_samples) <= self.uncertainty_samples
        return 0.0 if in_step else self.delay_samples

    def best_gain(self, sample_rate_hz: int, gain_db: float) -> BestRatio:
        """Find the ratio that loses least when the two are aligned.

        Parameters
        ----------
        sample_rate_hz : int
            The DI's rate.
        gain_db : float
            Gain that makes b as loud as a.

        Returns
        -------
        BestRatio
            Its gain is on top of that.
        """
        spectra = self.estimate.spectra
        loud = PairSpectra(
            spectra.freq_hz,
            spectra.power_a,
            spectra.power_b * 10.0 ** (gain_db / 10.0),
            spectra.cross * 10.0 ** (gain_db / 20.0),
        )
        return best_ratio(
            loud,
            polarity=self.polarity or 1,
            advance_s=self.lag_samples / sample_rate_hz,
        )


def relate(
    names: tuple[str, str],
    samples: tuple[Samples, Samples],
    sample_rate_hz: int,
    *,
    quiet: NDArray[np.bool_],
    temperature_c: float,
) -> Relation | None:
    """Measure how microphone b relates to microphone a.

    Parameters
    ----------
    names : tuple of str
        Ids of a and b.
    samples : tuple of ndarray of float32, each shape (frames,)
        Both, before gain, with their mutual timing kept.
    sample_rate_hz : int
        The DI's rate.
    quiet : ndarray of bool, shape (frames,)
        Where the DI is silent.
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    Relation or None
        None where they share no usable band.
    """
    found = relate_mics(
        *samples, sample_rate_hz, quiet=quiet, temperature_c=temperature_c
    )
    if found is None:
        return None
    spectra = found.spectra
    rows = np.array(
        [
            spectra.freq_hz,
            spectra.power_a,
            spectra.power_b,
            spectra.cross.real,
            spectra.cross.imag,
        ]
    )
    return Relation(
        a=names[0],
        b=names[1],
        delay_samples=found.delay_samples,
        uncertainty_samples=found.uncertainty_samples,
        distance_mm=found.distance_mm,
        polarity=None if found.polarity is None else (1 if found.polarity > 0 else -1),
        confidence=min(max(found.confidence, 0.0), 1.0),
        usable_hz=(found.usable_from_hz, found.usable_to_hz),
        families=found.families,
        points=rows.astype("<f8").tobytes(),
        echo=found.echo,
    )


def relate_together(
    relations: Mapping[str, tuple[Relation, ...]],
    sample_rate_hz: int,
    *,
    temperature_c: float,
) -> dict[str, tuple[Relation, ...]]:
    """Let all pairs of a night tell each other what circuits they went through.

    Parameters
    ----------
    relations : mapping of str to tuple of Relation
        By pass, each as measured alone.
    sample_rate_hz : int
        The DI's rate.
    temperature_c : float
        Air temperature.

    Returns
    -------
    dict of str to tuple of Relation
        The same with delays, their intervals and distances as settled together.
    """
    alone = [relation for members in relations.values() for relation in members]
    others = iter(odds_from_others([relation.families.odds for relation in alone]))

    def settled(relation: Relation) -> Relation:
        reading = relation.families.settled(next(others))
        return replace(
            relation,
            delay_samples=reading.delay_samples,
            uncertainty_samples=reading.half_width_samples,
            distance_mm=mm_from_samples(
                reading.delay_samples, sample_rate_hz, temperature_c
            ),
        )

    return {
        pass_id: tuple(settled(relation) for relation in members)
        for pass_id, members in relations.items()
    }


def describe_pair(
    relation: Relation,
    pass_id: str,
    sample_rate_hz: int,
    *,
    gain_db: float,
    temperature_c: float,
) -> Pair:
    """Say what the sum of two equally loud microphones does, and what to do.

    Parameters
    ----------
    relation : Relation
        As measured.
    pass_id : str
        Their pass.
    sample_rate_hz : int
        The DI's rate.
    gain_db : float
        Gain in dB that makes b as loud as a.
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    Pair
        For the record.
    """
    estimate = relation.estimate
    curves = sum_curves(
        estimate.spectra, relation.delay_samples / sample_rate_hz, gain_db=gain_db
    )
    steps = advise_pair(
        estimate, sample_rate_hz, gain_db=gain_db, temperature_c=temperature_c
    )
    told = _say_steps(steps, relation)
    return Pair(
        pass_id=pass_id,
        a=relation.a,
        b=relation.b,
        delay_samples=relation.delay_samples,
        uncertainty_samples=relation.uncertainty_samples,
        distance_mm=relation.distance_mm,
        polarity=relation.polarity,
        confidence=relation.confidence,
        sums=Sums(
            as_placed=_sum_result(curves.as_placed, sample_rate_hz),
            aligned=_sum_result(curves.aligned, sample_rate_hz),
            flipped=_sum_result(curves.flipped, sample_rate_hz),
            aligned_flipped=_sum_result(curves.aligned_flipped, sample_rate_hz),
        ),
        advice=AdviceText(kind=steps[0].kind, message=" ".join(told), steps=told),
    )


def _sum_result(curve: SumCurve, sample_rate_hz: int) -> SumResult:
    axis = third_octave_axis(sample_rate_hz)
    levels = on_axis(axis, curve.band_hz, curve.band_level_db)
    return SumResult(
        loss_db=round(curve.sum_loss_db, 3),
        notches_hz=tuple(round(hz, 1) for hz in curve.notches_hz),
        curve_db=tuple(np.round(levels, 2).tolist()),
    )


def _say_steps(steps: tuple[Advice, ...], relation: Relation) -> tuple[str, ...]:
    """Word the steps; what a sum does, in the words of its table."""
    if len(steps) == 1:
        before = f", which {_does(steps[0].loss_before_db)} as it is,"
        return (_say(steps[0], relation, before),)
    flip, move = steps
    alone = (
        "By itself that makes the sum worse"
        if flip.loss_after_db > flip.loss_before_db
        else "That alone is not enough"
    )
    first = (
        "Flip the polarity of one of the two inputs. "
        f"{alone}: as it is it {_does(flip.loss_before_db)}, flipped it "
        f"{_does(flip.loss_after_db)}."
    )
    return first, _say(move, relation, "")


def _does(loss_db: float) -> str:
    if abs(loss_db) < 0.05:
        return "neither helps nor costs"
    return f"{'costs' if loss_db > 0 else 'helps by'} {abs(loss_db):.1f} dB"


def _say(step: Advice, relation: Relation, before: str) -> str:
    change = f"the sum{before} then {_does(step.loss_after_db)}"
    late = relation.b if relation.delay_samples > 0 else relation.a
    reach = f"{step.move_mm or 0:.0f} +- {max(step.uncertainty_mm or 0, 1):.0f} mm"
    if step.kind == "flip":
        return f"Flip the polarity of one of the two inputs: {change}."
    if step.kind == "move":
        return (
            f"Move {late} {reach} towards the speaker: {change}. Moving it changes its "
            "own tone too."
        )
    if step.kind == "align":
        return (
            f"{late} stands {reach} farther away. Align it in the mix: {change}. Or "
            "leave it, if that depth is its sound."
        )
    reasons = {
        "room": (
            f"Leave it: {late} stands {abs(relation.distance_mm):.0f} mm farther away, "
            "and a room mic's lateness is its sound."
        ),
        "unsure": "Leave it: the two share too little to tell.",
        "in_step": "Leave it: the two are in step.",
        "small": "Leave it: aligning would change the sum by less than 0.3 dB.",
    }
    return reasons[step.reason]
