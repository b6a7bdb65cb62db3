"""What is wrong with a capture that can be heard in its rests or seen in its peaks?

Levels are before any gain; what counts is their distance from the music.
"""

from dataclasses import dataclass

from pipeline.models.record import Finding

NOISY_DB = -35.0
"""Noise this close below the music is heard in every rest (common practice)."""
HUM_DB = -45.0
"""Hum this close below the music is heard in every rest (common practice)."""


@dataclass(frozen=True, slots=True)
class Symptoms:
    """What measuring a capture told about its faults.

    Parameters
    ----------
    measurable : bool
        Whether enough of it overlaps the DI's playing.
    music_dbfs : float
        Level while the DI plays.
    noise_dbfs : float or None
        Level while the DI is silent; None where it never is.
    hum_db : float or None
        Hum against the music.
    hum_hz : int or None
        Its mains frequency.
    """

    measurable: bool
    music_dbfs: float
    noise_dbfs: float | None
    hum_db: float | None
    hum_hz: int | None


def judge_measures(symptoms: Symptoms) -> tuple[Finding, ...]:
    """Judge a measured capture.

    Parameters
    ----------
    symptoms : Symptoms
        What measuring told.

    Returns
    -------
    tuple of Finding
        A rejection where no loudness can be told; warnings with their figures.
    """
    if not symptoms.measurable:
        return (
            Finding(
                code="too_short",
                severity="reject",
                message="Too little of it overlaps the DI's playing to be measured.",
                fix="Record the whole DI.",
            ),
        )
    found = [_judge_hum(symptoms), _judge_noise(symptoms)]
    return tuple(finding for finding in found if finding is not None)


def _judge_hum(symptoms: Symptoms) -> Finding | None:
    if symptoms.hum_db is None or symptoms.hum_db < HUM_DB:
        return None
    return Finding(
        code="hum",
        severity="warn",
        message=(
            f"{symptoms.hum_hz} Hz hum and its harmonics lie {-symptoms.hum_db:.0f} dB "
            "below the music."
        ),
        fix=(
            "Look for a ground loop: use the reamp box's isolating transformer or "
            "ground lift on the signal. Never lift the mains earth."
        ),
    )


def _judge_noise(symptoms: Symptoms) -> Finding | None:
    if symptoms.noise_dbfs is None:
        return None
    below = symptoms.music_dbfs - symptoms.noise_dbfs
    if below > -NOISY_DB:
        return None
    return Finding(
        code="noisy",
        severity="warn",
        message=f"Noise in the DI's silences lies only {below:.0f} dB below the music.",
        fix="Send more level into the amplifier, or turn its gain down.",
    )
