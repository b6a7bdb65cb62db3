"""Closed forms of the comb: two equal sounds, one of them late or weaker.

Source: the formulas of acoustics handbooks, chapters on comb filtering.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.units import amplitude_from_db, db_from_amplitude

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ripple:
    """What a second path at a lower level can do to the first.

    Attributes
    ----------
    peak_db : float
        Level where both are in phase, re the stronger path.
    dip_db : float or None
        Level where they oppose each other; None where nothing is left.
    incoherent_db : float
        Level where they are unrelated.
    """

    peak_db: float
    dip_db: float | None
    incoherent_db: float


def comb_response(
    freq_hz: NDArray[np.floating], delay_s: float, gain: float
) -> NDArray[np.complex128]:
    """Response of a signal plus a delayed copy of itself.

    Parameters
    ----------
    freq_hz : ndarray
        Frequencies in Hz.
    delay_s : float
        Delay of the copy in seconds.
    gain : float
        Linear gain of the copy; negative for inverted polarity.

    Returns
    -------
    ndarray of complex, shape of `freq_hz`
        1 + gain exp(-j 2 pi f delay), whose magnitude is
        sqrt(1 + 2 gain cos(2 pi f delay) + gain^2).
    """
    turn = np.exp(-2j * np.pi * np.asarray(freq_hz) * delay_s)
    return np.asarray(1.0 + gain * turn, dtype=np.complex128)


def comb_notches_hz(delay_s: float, count: int, *, inverted: bool = False) -> Float:
    """Frequencies at which a signal and its delayed copy cancel.

    Parameters
    ----------
    delay_s : float
        Delay in seconds, not 0.
    count : int
        How many notches, from the lowest.
    inverted : bool
        Whether the copy's polarity is inverted: peaks and notches swap.

    Returns
    -------
    ndarray, shape (count,)
        (2k + 1) / (2 delay), or k / delay for an inverted copy, k = 0, 1, ...

    Raises
    ------
    ValueError
        If the delay is 0: equal signals have no notch, opposite ones no sound.
    """
    if delay_s == 0:
        msg = "a comb needs a delay other than 0"
        raise ValueError(msg)
    order = np.arange(count) + (0.0 if inverted else 0.5)
    return np.asarray(order / abs(delay_s), dtype=np.float64)


def phase_sum_db(phase_deg: float) -> float:
    """Level of two equal tones against one of them.

    Parameters
    ----------
    phase_deg : float
        Phase between the tones in degrees.

    Returns
    -------
    float
        20 log10(2 |cos(phase / 2)|); -300 where they cancel.
    """
    return db_from_amplitude(2.0 * abs(np.cos(np.radians(phase_deg) / 2.0)))


def ripple_from_level_difference(difference_db: float) -> Ripple:
    """Peak and dip of a comb whose second path is weaker by some dB.

    Parameters
    ----------
    difference_db : float
        Level difference of the paths; its sign does not matter.

    Returns
    -------
    Ripple
        20 log10(1 + g), 20 log10(1 - g) and 10 log10(1 + g^2).
    """
    gain = amplitude_from_db(-abs(difference_db))
    return Ripple(
        peak_db=db_from_amplitude(1.0 + gain),
        dip_db=db_from_amplitude(1.0 - gain) if gain < 1.0 else None,
        incoherent_db=10.0 * float(np.log10(1.0 + gain**2)),
    )
