"""Relate two microphones: coarse lag, averaged spectra, fine fit, in that order."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.pairs.echo import Echo
from pipeline.dsp.pairs.families import Families, Reading
from pipeline.dsp.pairs.fit import Fit, fit
from pipeline.dsp.pairs.spectra import (
    BLOCKS_A_FRAME,
    Averages,
    PairSpectra,
    average,
    block_levels,
    coarse_lag,
    frame_length,
    points,
    swapped,
)
from pipeline.units import (
    ROOM_TEMPERATURE_C,
    db_from_amplitude,
    mm_from_samples,
    speed_of_sound_m_s,
)

EXPECTED_WITHIN_S = 0.002
MOST_RIVAL = 0.75


@dataclass(frozen=True, slots=True)
class PairEcho:
    """A strong reflection, or second speaker, in one of two microphones.

    Attributes
    ----------
    mic : {"a", "b"}
        The one that hears it.
    delay_samples : float
        Later than its direct sound by.
    level_db : float
        Against the direct sound at low frequencies; above 0 where it is louder.
    """

    mic: Literal["a", "b"]
    delay_samples: float
    level_db: float


@dataclass(frozen=True, slots=True)
class PairEstimate:
    """How microphone b relates to microphone a of the same pass.

    Attributes
    ----------
    delay_samples : float
        b against a, positive = b later: difference of the sound's flight. The
        colours of both are taken as of minimum phase with their onset at 0.
    distance_mm : float
        The same as a way in air, at the given temperature.
    polarity : {1, -1} or None
        Sign of b against a; None if undetermined.
    confidence : float
        0..1. How well one delay and one sign explain the phase.
    uncertainty_samples : float
        Half width of the 95 percent interval around `delay_samples`.
    usable_from_hz, usable_to_hz : float
        Band in which both share enough.
    families : Families
        Both answers that the delay was weighed from, and how.
    spectra : PairSpectra
        Powers and cross power, for predictions of the sum.
    echo : PairEcho or None
        A strong reflection in one of both, told apart from the direct sound.
    """

    delay_samples: float
    distance_mm: float
    polarity: int | None
    confidence: float
    uncertainty_samples: float
    usable_from_hz: float
    usable_to_hz: float
    families: Families
    spectra: PairSpectra
    echo: PairEcho | None = None


def _reach(
    rate_hz: int, expected_samples: float | None, search_mm: float, temperature_c: float
) -> tuple[int, int]:
    if expected_samples is None:
        widest = search_mm / 1000.0 / speed_of_sound_m_s(temperature_c) * rate_hz
        return -int(np.ceil(widest)), int(np.ceil(widest))
    near = EXPECTED_WITHIN_S * rate_hz
    return int(expected_samples - near), int(np.ceil(expected_samples + near))


def _confidence(found: Fit, deviation_samples: float) -> float:
    # Full marks for a phase that one delay explains to 0.9, a rival of the other
    # sign at a half or less, and an interval well below a sample.
    clear = min(1.0, found.agreement / 0.9)
    signed = min(1.0, 2.0 * (1.0 - min(1.0, found.rival)))
    sharp = 1.0 / (1.0 + deviation_samples**2)
    return float(clear * signed * sharp)


def _echo(echo: Echo | None, *, turned: bool) -> PairEcho | None:
    if echo is None:
        return None
    return PairEcho(
        mic="b" if (echo.side > 0) is not turned else "a",
        delay_samples=echo.delay_samples,
        level_db=db_from_amplitude(abs(echo.gain)),
    )


def _fine(averages: Averages, rate_hz: int) -> tuple[Families, Fit] | None:
    # The earlier microphone is the reference: its room is the lesser part of it.
    turned = averages.lag < 0
    found = fit(swapped(averages) if turned else averages, rate_hz)
    if found is None:
        return None

    def whole(reading: Reading) -> Reading:
        delay = abs(averages.lag) + reading.delay_samples
        return Reading(-delay if turned else delay, reading.deviation_samples)

    return found.families.each(whole), found


def relate_mics(
    a: NDArray[np.floating],
    b: NDArray[np.floating],
    sample_rate_hz: int,
    *,
    quiet: NDArray[np.bool_] | None = None,
    expected_samples: float | None = None,
    search_mm: float = 5000.0,
    temperature_c: float = ROOM_TEMPERATURE_C,
) -> PairEstimate | None:
    """Measure how microphone b relates to microphone a of the same pass.

    Parameters
    ----------
    a, b : ndarray of float, shape (samples,)
        Both microphones on one time; the longer one is cut.
    sample_rate_hz : int
        Sampling rate in Hz.
    quiet : ndarray of bool, shape (samples,), optional
        Where nothing is played, for the noise. Without it the quietest 1/60 of
        the file serves.
    expected_samples : float, optional
        Where the delay is expected; only 2 ms around it are searched.
    search_mm : float
        Largest distance between the microphones that is looked for.
    temperature_c : float
        Air temperature, for distances.

    Returns
    -------
    PairEstimate or None
        None if the two share no usable band: silence, noise, another performance.

    Raises
    ------
    ValueError
        If a microphone is not one-dimensional.
    """
    if a.ndim != 1 or b.ndim != 1:
        msg = f"microphones must be one-dimensional, not {a.shape} and {b.shape}"
        raise ValueError(msg)
    size = min(a.size, b.size)
    a, b = a[:size], b[:size]
    block = frame_length(sample_rate_hz) // BLOCKS_A_FRAME
    levels = np.minimum(block_levels(a, block), block_levels(b, block))
    if levels.size <= BLOCKS_A_FRAME**2 or not levels.any():
        return None
    reach = _reach(sample_rate_hz, expected_samples, search_mm, temperature_c)
    lag = coarse_lag(a, b, levels, sample_rate_hz, reach=reach)
    if lag is None:
        return None
    averages = average(a, b, levels, sample_rate_hz, lag=lag, quiet=quiet)
    fine = _fine(averages, sample_rate_hz) if averages is not None else None
    if averages is None or fine is None:
        return None
    families, found = fine
    settled = families.settled()
    return PairEstimate(
        delay_samples=settled.delay_samples,
        distance_mm=mm_from_samples(
            settled.delay_samples, sample_rate_hz, temperature_c
        ),
        polarity=found.polarity if found.rival <= MOST_RIVAL else None,
        confidence=_confidence(found, settled.deviation_samples),
        uncertainty_samples=settled.half_width_samples,
        usable_from_hz=found.usable_hz[0],
        usable_to_hz=found.usable_hz[1],
        families=families,
        spectra=points(averages, sample_rate_hz),
        echo=_echo(found.echo, turned=averages.lag < 0),
    )
