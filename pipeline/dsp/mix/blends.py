"""Blends: sums of several captures, and the ratio of two that loses least."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.mix.curves import sum_curve
from pipeline.dsp.pairs import PairSpectra
from pipeline.dsp.shift import shift_segment
from pipeline.units import amplitude_from_db


@dataclass(frozen=True, slots=True)
class BestRatio:
    """The gain of b against a at which their sum loses least.

    Attributes
    ----------
    gain_db : float
        Gain of b; that of a is 0.
    sum_loss_db : float
        Of the sum at that gain, as in `SumCurve`.
    """

    gain_db: float
    sum_loss_db: float


def blend(
    signals: Sequence[NDArray[np.floating]],
    gains_db: Sequence[float],
    polarities: Sequence[int],
    lags_samples: Sequence[float],
) -> NDArray[np.float32]:
    """Add signals at given gains, polarities and lags.

    Parameters
    ----------
    signals : sequence of ndarray, each shape (frames,)
        On one time and of one length.
    gains_db : sequence of float
        Gain of each.
    polarities : sequence of {1, -1}
        -1 inverts the signal.
    lags_samples : sequence of float
        By how many samples each is late; it is moved earlier by that much.

    Returns
    -------
    ndarray of float32, shape (frames,)
        The sum; not limited and not brought to a level.

    Raises
    ------
    ValueError
        If there is no signal, or lengths or counts differ.
    """
    counts = {len(signals), len(gains_db), len(polarities), len(lags_samples)}
    if counts == {0} or len(counts) != 1 or len({s.shape for s in signals}) != 1:
        msg = "a blend needs one gain, polarity and lag for each of its equal lengths"
        raise ValueError(msg)
    frames = signals[0].size
    total = np.zeros(frames, dtype=np.float32)
    for signal, gain_db, polarity, lag in zip(
        signals, gains_db, polarities, lags_samples, strict=True
    ):
        gain = np.float32(polarity * amplitude_from_db(gain_db))
        total += gain * shift_segment(signal, lag, frames)
    return total


def best_ratio(
    spectra: PairSpectra,
    *,
    polarity: int = 1,
    advance_s: float = 0.0,
    range_db: float = 12.0,
) -> BestRatio:
    """Find the gain of b at which the sum loses least.

    Parameters
    ----------
    spectra : PairSpectra
        Powers of a and b and their cross power.
    polarity : {1, -1}
        -1 inverts b.
    advance_s : float
        By how much b is moved earlier.
    range_db : float
        Gains from -range to +range are tried, in steps of 0.5 dB.

    Returns
    -------
    BestRatio
        With the gain nearest to 0 dB among equally good ones.
    """
    gains = np.arange(-2.0 * range_db, 2.0 * range_db + 1.0) / 2.0
    found: list[BestRatio] = []
    for gain_db in gains.tolist():
        curve = sum_curve(
            spectra, gain_db=gain_db, polarity=polarity, advance_s=advance_s
        )
        found.append(BestRatio(gain_db, curve.sum_loss_db))
    return min(found, key=lambda one: (round(one.sum_loss_db, 6), abs(one.gain_db)))
