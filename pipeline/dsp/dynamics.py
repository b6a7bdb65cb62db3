"""What amp and speaker do to the player's dynamics.

The aligned DI shows how hard each moment was played, so a capture's level is
held against it in frames of 50 ms. A clean chain answers each dB with one dB;
compression and saturation answer with less. None of this has a unit of "feel".
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.dsp.activity import Activity
from pipeline.units import db_from_amplitude, db_from_power

Float = NDArray[np.float64]

BIN_DB = 2.0
LEAST_IN_BIN = 4
LEAST_SPAN_DB = 6.0
ABOVE_NOISE_DB = 10.0
ONSET_RISE_DB = 10.0
LEAST_ONSETS = 4
ATTACK_FRAMES = (0, 2)
HOLD_FRAMES = (4, 8)

_FLOOR = 1e-20


@dataclass(frozen=True, slots=True)
class LevelCurve:
    """Level of a capture against the level of its DI.

    Attributes
    ----------
    di_db, capture_db : ndarray, shape (points,)
        Median levels of the frames in each 2 dB step of DI level, dB re a mean
        square of 1.0, rising in DI level.
    frames : ndarray of int, shape (points,)
        Frames behind each point.
    slope_db_per_db : float
        Theil-Sen slope through all points, each pair weighted by the frames
        behind it: 1 is a clean chain, 0 full limiting.
    spread_db : float
        Median absolute distance of the frames from the curve; a slope from
        frames that spread by many dB says little.
    """

    di_db: Float
    capture_db: Float
    frames: NDArray[np.int64]
    slope_db_per_db: float
    spread_db: float


def crest_db(peak: float, mean_square: float) -> float | None:
    """Crest factor: sample peak over RMS while the DI plays.

    Parameters
    ----------
    peak : float
        Largest absolute sample, linear.
    mean_square : float
        Mean square over the active frames.

    Returns
    -------
    float or None
        dB; a sine 3.01, a square 0, clean strums 15 and more, lower is denser.
        None for silence.
    """
    if peak <= 0.0 or mean_square <= 0.0:
        return None
    return db_from_amplitude(peak) - db_from_power(mean_square)


def plr_db(true_peak: float, integrated_lufs: float | None) -> float | None:
    """Peak to loudness ratio: true peak minus integrated loudness.

    Parameters
    ----------
    true_peak : float
        True peak, linear amplitude (BS.1770 Annex 2).
    integrated_lufs : float or None
        Integrated loudness in LUFS (BS.1770).

    Returns
    -------
    float or None
        dB (LU); lower is denser. None where the loudness is undefined.
    """
    if integrated_lufs is None or true_peak <= 0.0:
        return None
    return db_from_amplitude(true_peak) - integrated_lufs


def active_mean_square(power: Float, activity: Activity) -> float:
    """Mean square over the frames in which the DI plays.

    Parameters
    ----------
    power : ndarray, shape (frames,)
        `activity.frame_power` of a capture on the DI's time.
    activity : Activity
        Of the DI.

    Returns
    -------
    float
        Mean square without offset; 0 if no frame is active.
    """
    chosen = power[: len(activity.active)][activity.active[: len(power)]]
    return float(chosen.mean()) if len(chosen) else 0.0


def level_curve(
    di_power: Float, capture_power: Float, activity: Activity
) -> LevelCurve | None:
    """Hold the levels of a capture against those of its DI.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair.
    activity : Activity
        Of the DI, narrowed to where the capture has samples of its own. Frames
        less than 10 dB above the capture's noise in silences are left out.

    Returns
    -------
    LevelCurve or None
        None if the playing covers less than 6 dB of DI level.
    """
    quiet = capture_power[activity.quiet]
    noise = float(np.median(quiet)) if len(quiet) else 0.0
    audible = capture_power > max(noise * 10.0 ** (ABOVE_NOISE_DB / 10.0), _FLOOR)
    used = activity.active & audible & (di_power > _FLOOR)
    di_db = 10.0 * np.log10(di_power[used])
    capture_db = 10.0 * np.log10(capture_power[used])
    points = _bin_medians(di_db, capture_db)
    if len(points) < 2 or points[-1, 0] - points[0, 0] < LEAST_SPAN_DB:
        return None
    x, y, count = points.T
    return LevelCurve(
        di_db=x,
        capture_db=y,
        frames=count.astype(np.int64),
        slope_db_per_db=_theil_sen(x, y, count),
        spread_db=float(np.median(np.abs(capture_db - np.interp(di_db, x, y)))),
    )


def _bin_medians(x: Float, y: Float) -> Float:
    """Take rows of median x, median y and count per step of x."""
    step = np.floor(x / BIN_DB)
    rows = [
        (float(np.median(x[inside])), float(np.median(y[inside])), int(inside.sum()))
        for value in np.unique(step)
        if (inside := step == value).sum() >= LEAST_IN_BIN
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _theil_sen(x: Float, y: Float, count: Float) -> float:
    """Weighted median of the slopes between all pairs of points."""
    i, j = np.triu_indices(len(x), 1)
    slopes = (y[j] - y[i]) / (x[j] - x[i])
    # A pair says as much as its weaker point, and more the farther it is apart.
    weights = np.sqrt(np.minimum(count[i], count[j])) * (x[j] - x[i])
    order = np.argsort(slopes)
    below = np.cumsum(weights[order])
    middle = int(np.searchsorted(below, below[-1] / 2.0))
    return float(slopes[order][middle])


def compression_db_per_db(curve: LevelCurve | None) -> float | None:
    """Slope of capture level against DI level.

    Parameters
    ----------
    curve : LevelCurve or None
        Of the aligned pair.

    Returns
    -------
    float or None
        dB per dB: 1 is a clean chain, lower is more compressed; the inverse is
        the effective ratio. Common practice, no source.
    """
    return None if curve is None else curve.slope_db_per_db


def hold_db(di_power: Float, capture_power: Float, activity: Activity) -> float | None:
    """By how much a note holds up after its attack, compared with its DI.

    Onsets are frames of 50 ms in which the DI rises by 10 dB or more above the
    louder of the two frames before and is not overtaken in the next 0.4 s. The
    measure is the median over onsets of how far the capture falls from attack
    (0 to 100 ms) to sustain (200 to 400 ms), less how far the DI falls.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair.
    activity : Activity
        Of the DI, narrowed to where the capture has samples of its own.

    Returns
    -------
    float or None
        dB; 0 is a clean chain, positive means that the sustain is held up
        (compression, saturation, supply sag recovering), negative that the
        attack is stressed. None with fewer than 4 onsets. Our own definition.
    """
    onsets = _onsets(di_power, activity)
    if len(onsets) < LEAST_ONSETS:
        return None
    falls = [_fall_db(p, onsets) for p in (di_power, capture_power)]
    return float(np.median(falls[0] - falls[1]))


def _onsets(di_power: Float, activity: Activity) -> NDArray[np.int64]:
    reach = HOLD_FRAMES[1]
    if len(di_power) <= reach + 2:
        return np.zeros(0, dtype=np.int64)
    rise = 10.0 ** (ONSET_RISE_DB / 10.0)
    # Row k holds frames k - 2 to k + 7 around a possible onset at frame k.
    around = sliding_window_view(di_power, reach + 2)[:-1]
    playing = sliding_window_view(activity.active[: len(di_power)], reach)[2:]
    loudest = around[:, 2:4].max(axis=1)
    starts = loudest > rise * np.maximum(around[:, :2].max(axis=1), _FLOOR)
    alone = around[:, 4:].max(axis=1) <= loudest
    count = min(len(around), len(playing))
    chosen = (starts & alone)[:count] & playing[:count].all(axis=1)
    return np.asarray(np.flatnonzero(chosen) + 2, dtype=np.int64)


def _fall_db(power: Float, onsets: NDArray[np.int64]) -> Float:
    def mean(span: tuple[int, int]) -> Float:
        frames = onsets[:, None] + np.arange(*span)
        return np.asarray(np.maximum(power[frames].mean(axis=1), _FLOOR))

    return 10.0 * np.log10(mean(ATTACK_FRAMES) / mean(HOLD_FRAMES))
