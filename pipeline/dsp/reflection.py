"""What the floor sends back: predicted from a tape measure, and measured.

Answers "at which delay and level does the floor's reflection arrive, where does it
cut its first notch, and can treating the floor matter at this distance".

Image source: the floor acts like a second speaker as far below it as the real one
is above. Heights are above the floor, the distance is along it, all in mm. Delays
are against the direct sound, levels in dB against its level.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.units import (
    ROOM_TEMPERATURE_C,
    SILENCE_DB,
    amplitude_from_db,
    db_from_amplitude,
    speed_of_sound_m_s,
)

Float = NDArray[np.float64]

# A ripple of a decibel is the least that blankets are worth carrying for.
MATTERS_RIPPLE_DB = 1.0
SEARCH_S = 0.0003
ANALYSIS_HZ = (150.0, 6000.0)
LEAST_PERIODS = 0.75
# A reflection as strong as the direct sound would leave nothing in its dips.
MOST_GAIN = 0.98


@dataclass(frozen=True, slots=True)
class Reflection:
    """One reflection against the direct sound.

    Attributes
    ----------
    delay_ms : float
        Later than the direct sound by.
    level_db : float
        Level against the direct sound; -300 for a floor that absorbs all.
    """

    delay_ms: float
    level_db: float

    @property
    def first_notch_hz(self) -> float:
        """Half the inverse of the delay."""
        return 500.0 / self.delay_ms

    @property
    def ripple_db(self) -> float:
        """Half the way from the comb's dips to its peaks, "+-" in handbooks."""
        gain = min(amplitude_from_db(self.level_db), MOST_GAIN)
        return 0.5 * db_from_amplitude((1.0 + gain) / (1.0 - gain))

    @property
    def matters(self) -> bool:
        """Whether treating the floor can change the response by a decibel."""
        return self.ripple_db >= MATTERS_RIPPLE_DB

    def delay_samples(self, sample_rate_hz: int) -> float:
        """Delay in samples.

        Parameters
        ----------
        sample_rate_hz : int
            Sampling rate in Hz.

        Returns
        -------
        float
            Positive: later than the direct sound.
        """
        return self.delay_ms / 1000.0 * sample_rate_hz


@dataclass(frozen=True, slots=True)
class MeasuredReflection:
    """A reflection found in a response, beside the confidence in it.

    Attributes
    ----------
    reflection : Reflection
        Its delay and level.
    inverted : bool
        Whether it comes back with the opposite sign.
    confidence : float
        0..1: share of the ripple's power that one reflection explains.
    """

    reflection: Reflection
    inverted: bool
    confidence: float


def floor_reflection(
    speaker_height_mm: float,
    mic_height_mm: float,
    distance_mm: float,
    *,
    absorption: float = 0.0,
    temperature_c: float = ROOM_TEMPERATURE_C,
) -> Reflection:
    """Predict the reflection of a floor by its image source.

    Parameters
    ----------
    speaker_height_mm, mic_height_mm : float
        Heights of the speaker's and the microphone's centre above the floor.
    distance_mm : float
        From speaker to microphone along the floor.
    absorption : float
        Absorption coefficient of the floor, 0..1: the part of the power it keeps.
    temperature_c : float
        Air temperature in degrees Celsius.

    Returns
    -------
    Reflection
        Level: ratio of the ways times sqrt(1 - absorption). The speaker is taken
        as a point; real ones beam, so that the floor gets less treble.

    Raises
    ------
    ValueError
        If a height or the distance is not positive, or the absorption not 0..1.
    """
    if min(speaker_height_mm, mic_height_mm, distance_mm) <= 0:
        msg = "heights above the floor and distance must be positive"
        raise ValueError(msg)
    if not 0.0 <= absorption <= 1.0:
        msg = f"absorption must be 0..1, not {absorption:g}"
        raise ValueError(msg)
    direct = np.hypot(distance_mm, speaker_height_mm - mic_height_mm)
    image = np.hypot(distance_mm, speaker_height_mm + mic_height_mm)
    gain = direct / image * np.sqrt(1.0 - absorption)
    return Reflection(
        delay_ms=float((image - direct) / speed_of_sound_m_s(temperature_c)),
        level_db=max(db_from_amplitude(float(gain)), SILENCE_DB),
    )


def _log_ripple(freq_hz: Float, level_db: Float) -> tuple[Float, Float]:
    # Evenly spaced frequencies, and the curve in nepers less its slow course.
    inside = (freq_hz >= ANALYSIS_HZ[0]) & (freq_hz <= ANALYSIS_HZ[1])
    if inside.sum() < 32:
        msg = f"a curve of 32 points or more in {ANALYSIS_HZ} Hz is needed"
        raise ValueError(msg)
    step = max(np.median(np.diff(freq_hz[inside])), 5.0)
    even = np.arange(freq_hz[inside][0], freq_hz[inside][-1], step)
    nepers = np.interp(even, freq_hz, level_db) / (20.0 / np.log(10.0))
    slow = np.vander(np.log(even / even[0]) / np.log(even[-1] / even[0]), 5)
    return even, nepers - slow @ np.linalg.lstsq(slow, nepers, rcond=None)[0]


def _comb_fit(freq_hz: Float, ripple: Float, delay_s: float) -> tuple[float, float]:
    # ln|1 + g e^-jx| = g cos x - g^2/2 cos 2x + ..., so its first term gives g
    # for moderate g; the whole series is then compared with the ripple.
    phase = 2.0 * np.pi * freq_hz * delay_s
    cosine = np.cos(phase)
    gain = float(np.clip(ripple @ cosine / (cosine @ cosine), -MOST_GAIN, MOST_GAIN))
    left = np.inf
    for trial in np.clip(
        gain * np.linspace(0.6, 1.4, 33), -MOST_GAIN, MOST_GAIN
    ).tolist():
        model = 0.5 * np.log(1.0 + 2.0 * trial * cosine + trial**2)
        error = float(np.sum((ripple - model) ** 2))
        if error < left:
            left, gain = error, trial
    return gain, left


def measure_reflection(
    freq_hz: NDArray[np.floating],
    level_db: NDArray[np.floating],
    expected_delay_ms: float,
) -> MeasuredReflection | None:
    """Find a reflection in a level response or in a difference of two.

    Parameters
    ----------
    freq_hz : ndarray, shape (points,)
        Rising frequencies.
    level_db : ndarray, shape (points,)
        Level of a microphone's response against a close one or the DI; or the
        difference of an untreated pass minus a treated one, which is free of the
        rig's own colour. Resolved finely enough for the comb, so not in third
        octaves.
    expected_delay_ms : float
        Where to look, from `floor_reflection`; within a quarter and 0.3 ms.

    Returns
    -------
    MeasuredReflection or None
        None where the band holds less than 3/4 of a period of the comb, or where
        no comb explains any of the ripple. In a difference of passes the level is
        that of what the treatment took away.

    Raises
    ------
    ValueError
        If the expected delay is not positive or the curve has too few points.
    """
    if expected_delay_ms <= 0:
        msg = f"the expected delay must be positive, not {expected_delay_ms:g} ms"
        raise ValueError(msg)
    even, ripple = _log_ripple(
        np.asarray(freq_hz, dtype=np.float64), np.asarray(level_db, dtype=np.float64)
    )
    expected_s = expected_delay_ms / 1000.0
    if (even[-1] - even[0]) * expected_s < LEAST_PERIODS:
        return None
    reach = 0.25 * expected_s + SEARCH_S
    delays = np.linspace(max(expected_s - reach, 1e-4), expected_s + reach, 201)
    fits = [_comb_fit(even, ripple, float(delay)) for delay in delays]
    best = int(np.argmin([left for _, left in fits]))
    gain, left = fits[best]
    power = float(np.sum(ripple**2))
    if power <= 1e-12 or gain == 0.0 or left >= power:
        return None
    return MeasuredReflection(
        reflection=Reflection(
            delay_ms=float(delays[best] * 1000.0),
            level_db=db_from_amplitude(abs(gain)),
        ),
        inverted=gain < 0,
        confidence=1.0 - left / power,
    )
