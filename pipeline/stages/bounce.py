"""What does the floor send back to a microphone, and can treating it matter?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.reflection import (
    MeasuredReflection,
    floor_reflection,
    measure_reflection,
)
from pipeline.dsp.spectrum import bin_frequencies
from pipeline.models.record import Reflection

_SURE = 0.3
_BAND_HZ = (150.0, 6000.0)
# Tape measures, and speakers that sound from behind their grille.
_NEAR_SHARE = 0.1
_NEAR_MS = 0.15


@dataclass(frozen=True, slots=True)
class Stand:
    """Where speaker and microphone stand above the floor.

    Parameters
    ----------
    speaker_mm, mic_mm : float
        Heights of their centres above the floor, mm.
    distance_mm : float
        From speaker to microphone along the floor, mm.
    temperature_c : float
        Air temperature in degrees Celsius.
    """

    speaker_mm: float
    mic_mm: float
    distance_mm: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class Heard:
    """A reflection that shows against another microphone of the pass.

    Parameters
    ----------
    against : str
        Id of that microphone's capture.
    delay_ms : float
        Later than the direct sound by.
    level_db : float
        Against the direct sound.
    """

    against: str
    delay_ms: float
    level_db: float


def describe_reflection(
    id_: str,
    stand: Stand,
    response_db: NDArray[np.float32],
    *,
    sample_rate_hz: int,
    against: tuple[str, NDArray[np.float32]] | None,
    echo: Heard | None = None,
) -> Reflection:
    """Predict the floor's reflection and look for it.

    Parameters
    ----------
    id_ : str
        The capture.
    stand : Stand
        Heights and distance.
    response_db : ndarray of float32, shape (bins,)
        Level of its response to the DI in dB, 150 Hz to 6 kHz, bin by bin; empty
        where there is none, so that nothing is measured.
    sample_rate_hz : int
        The DI's rate.
    against : tuple or None
        Id and such a response of the capture that differs in its treatment alone.
    echo : Heard or None
        What another microphone of the pass showed this one to hear late; taken
        where no treatment is compared and it comes when the floor's should.

    Returns
    -------
    Reflection
        Predicted, measured where it is sure enough, and said in words.
    """
    predicted = floor_reflection(
        stand.speaker_mm,
        stand.mic_mm,
        stand.distance_mm,
        temperature_c=stand.temperature_c,
    )
    measured = None
    if predicted.delay_ms > 0.0:
        levels = response_db
        if against is not None and len(against[1]) == len(response_db):
            levels = response_db - against[1]
        measured = _measure(levels, sample_rate_hz, predicted.delay_ms)
    if predicted.matters:
        message = (
            "The floor's reflection can move the response by "
            f"+-{predicted.ripple_db:.1f} dB here, first hole near "
            f"{predicted.first_notch_hz:.0f} Hz: treating the floor, or raising or "
            "tilting the cabinet, can matter."
        )
    else:
        message = (
            f"The floor's reflection is {-predicted.level_db:.0f} dB down here "
            f"(+-{predicted.ripple_db:.1f} dB): treating the floor changes next to "
            "nothing at this distance."
        )
    delay_ms = level_db = None
    other = against[0] if against else None
    if measured is not None:
        delay_ms, level_db = measured.reflection.delay_ms, measured.reflection.level_db
    if other is not None:
        message += f" {_say_treated(id_, other, measured)}"
    if echo is not None and other is None and _expected(echo, predicted.delay_ms):
        delay_ms, level_db, other = echo.delay_ms, echo.level_db, echo.against
    return Reflection(
        capture=id_,
        predicted_delay_ms=round(predicted.delay_ms, 4),
        predicted_level_db=round(predicted.level_db, 2),
        predicted_notch_hz=round(predicted.first_notch_hz, 1),
        measured_delay_ms=None if delay_ms is None else round(delay_ms, 4),
        measured_level_db=None if level_db is None else round(level_db, 2),
        against=other,
        matters=predicted.matters,
        message=message,
    )


def _say_treated(id_: str, other: str, found: MeasuredReflection | None) -> str:
    if found is None:
        return f"Between {id_} and {other} no difference of that kind shows."
    reflection = found.reflection
    verdict = "that matters" if reflection.matters else "next to nothing"
    return (
        f"Between {id_} and {other}, whose treatment differs, a reflection "
        f"{-reflection.level_db:.0f} dB down comes or goes: up to "
        f"+-{reflection.ripple_db:.1f} dB, {verdict}."
    )


def _expected(echo: Heard, predicted_ms: float) -> bool:
    reach_ms = _NEAR_SHARE * predicted_ms + _NEAR_MS
    return abs(echo.delay_ms - predicted_ms) <= reach_ms


def _measure(
    levels_db: NDArray[np.float32], sample_rate_hz: int, expected_ms: float
) -> MeasuredReflection | None:
    freq = bin_frequencies(sample_rate_hz)
    chosen = freq[(freq >= _BAND_HZ[0]) & (freq <= _BAND_HZ[1])]
    if len(chosen) != len(levels_db) or len(chosen) < 64:
        return None
    found = measure_reflection(chosen, levels_db, expected_ms)
    return found if found is not None and found.confidence >= _SURE else None
