"""What to do about a pair: at the amp before recording, or in the mix after it.

Polarity comes first and is judged by the measured sign alone; the delay is a second
step with its own cure. A room microphone's lateness is its sound and is left alone.
"""

from dataclasses import dataclass
from typing import Literal

from pipeline.dsp.mix.curves import SumCurve, sum_curve
from pipeline.dsp.pairs import PairEstimate
from pipeline.units import ROOM_TEMPERATURE_C, mm_from_samples

ROOM_MM = 500.0
"""A microphone this much farther away is a room mic: common practice, no source."""
MOVE_MM = 150.0
LEAST_CONFIDENCE = 0.5
LEAST_GAIN_DB = 0.3


@dataclass(frozen=True, slots=True)
class Advice:
    """One step that a person can take.

    Attributes
    ----------
    kind : {"leave", "flip", "move", "align"}
        Leave it; flip polarity on one input; move a microphone; move its track
        in the mix.
    reason : {"room", "unsure", "in_step", "small", "polarity", "delay"}
        Why.
    mic : {"a", "b"} or None
        The one to move or align: the later one. None for "leave", and for "flip",
        where either input will do.
    move_mm : float or None
        How far towards the speaker (or, for "align", the way that the shift
        stands for); positive.
    uncertainty_mm : float or None
        Half width of its 95 percent interval.
    before, after : SumCurve
        Predicted sum without and with this step, earlier steps taken. Levels are
        kept, though a microphone that moves changes its own tone and level too.
    """

    kind: Literal["leave", "flip", "move", "align"]
    reason: Literal["room", "unsure", "in_step", "small", "polarity", "delay"]
    mic: Literal["a", "b"] | None
    move_mm: float | None
    uncertainty_mm: float | None
    before: SumCurve
    after: SumCurve

    @property
    def loss_before_db(self) -> float:
        """The `sum_loss_db` without this step."""
        return self.before.sum_loss_db

    @property
    def loss_after_db(self) -> float:
        """The `sum_loss_db` once this step is taken."""
        return self.after.sum_loss_db


def _leave(
    reason: Literal["room", "unsure", "in_step", "small"], now: SumCurve
) -> Advice:
    return Advice("leave", reason, None, None, None, now, now)


def _delay_step(pair: PairEstimate, now: SumCurve, then: SumCurve, mm: float) -> Advice:
    if abs(pair.delay_samples) <= pair.uncertainty_samples:
        return _leave("in_step", now)
    if now.sum_loss_db - then.sum_loss_db < LEAST_GAIN_DB:
        return _leave("small", now)
    distance = abs(pair.delay_samples) * mm
    return Advice(
        kind="move" if distance <= MOVE_MM else "align",
        reason="delay",
        mic="b" if pair.delay_samples > 0 else "a",
        move_mm=distance,
        uncertainty_mm=pair.uncertainty_samples * mm,
        before=now,
        after=then,
    )


def advise_pair(
    pair: PairEstimate,
    sample_rate_hz: int,
    *,
    gain_db: float = 0.0,
    temperature_c: float = ROOM_TEMPERATURE_C,
) -> tuple[Advice, ...]:
    """Advise on a pair that is to be added.

    Parameters
    ----------
    pair : PairEstimate
        As measured by `relate_mics`.
    sample_rate_hz : int
        Sampling rate in Hz.
    gain_db : float
        Gain of b in the sum.
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    tuple of Advice
        One or two steps in the order in which to take them: a flip where the
        polarities differ, then what the delay asks for. "leave" stands alone.
    """

    def curve(polarity: int, advance_s: float) -> SumCurve:
        return sum_curve(
            pair.spectra, gain_db=gain_db, polarity=polarity, advance_s=advance_s
        )

    placed = curve(1, 0.0)
    mm = mm_from_samples(1.0, sample_rate_hz, temperature_c)
    if pair.polarity is None or pair.confidence < LEAST_CONFIDENCE:
        return (_leave("unsure", placed),)
    if abs(pair.delay_samples) * mm > ROOM_MM:
        return (_leave("room", placed),)
    signed = curve(pair.polarity, 0.0)
    aligned = curve(pair.polarity, pair.delay_samples / sample_rate_hz)
    step = _delay_step(pair, signed, aligned, mm)
    if pair.polarity == 1:
        return (step,)
    flip = Advice("flip", "polarity", None, None, None, placed, signed)
    return (flip,) if step.kind == "leave" else (flip, step)
