"""What is wrong with a capture that can be heard in its rests or seen in its peaks?

Levels are before any gain; what counts is their distance from the music.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.dsp.noise import find_hum
from pipeline.dsp.spectrum import PowerSpectrum
from pipeline.models.record import Evidence, EvidenceLine, Finding

NOISY_DB = -35.0
"""Noise this close below the music is heard in every rest (common practice)."""
HUM_DB = -45.0
"""Hum this close below the music is heard in every rest (common practice)."""
OVER_DBTP = 0.1
"""The true-peak meter over-reads a tone by 0.02 dB at most; this much is certain."""
SHOWN_HZ = (20.0, 1000.0)


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
    noise : PowerSpectrum or None
        Noise print of the DI's silences, which the hum was found in.
    true_peak_dbtp : float or None
        Maximum true peak before any gain; None where nobody measured it.
    """

    measurable: bool
    music_dbfs: float
    noise_dbfs: float | None
    hum_db: float | None
    hum_hz: int | None
    noise: PowerSpectrum | None = None
    true_peak_dbtp: float | None = None


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
    found = [_judge_hum(symptoms), _judge_noise(symptoms), _judge_peak(symptoms)]
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
        evidence=_hum_evidence(symptoms),
    )


def _hum_evidence(symptoms: Symptoms) -> Evidence | None:
    """Draw the noise print up to 1 kHz, with the lines that were found."""
    noise, hum = symptoms.noise, find_hum(symptoms.noise)
    if noise is None or hum is None or symptoms.hum_db is None:
        return None
    shown = (noise.freq_hz >= SHOWN_HZ[0]) & (noise.freq_hz <= SHOWN_HZ[1])
    step_hz = float(noise.freq_hz[1] - noise.freq_hz[0])
    power = np.maximum(noise.power[shown] * step_hz, 1e-20)
    below_music = 10.0 * np.log10(power) - symptoms.music_dbfs
    return Evidence(
        lines=(
            EvidenceLine(
                name="noise",
                x=tuple(np.round(noise.freq_hz[shown], 2).tolist()),
                y=tuple(np.round(below_music, 2).tolist()),
            ),
        ),
        marks=tuple(round(line.hz, 2) for line in hum.lines),
        numbers={
            "mains_hz": hum.base_hz,
            "hum_db": symptoms.hum_db,
            "harmonics": len(hum.lines),
            "prominence_db": max(line.prominence_db for line in hum.lines),
        },
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


def _judge_peak(symptoms: Symptoms) -> Finding | None:
    peak = symptoms.true_peak_dbtp
    if peak is None or peak < OVER_DBTP:
        return None
    return Finding(
        code="over",
        severity="note",
        message=(
            f"Its true peak lies {peak:.1f} dB above full scale: the curve rises over "
            "what a converter can play, between samples if not in them. The levelled "
            "copy stays under the ceiling."
        ),
        fix="Leave 6 dB of headroom when you record; never normalise to full scale.",
    )
