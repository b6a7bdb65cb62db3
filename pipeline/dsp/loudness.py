"""How loud a signal is, by ITU-R BS.1770-5 and EBU Tech 3341 and 3342.

The signal is K-weighted once and summed into cells of 10 ms; momentary,
short-term, integrated loudness and loudness range are all sums of the same
cells. Levels are LUFS (equal to LKFS), ranges LU; full scale is 1.0.

pyloudnorm's `Meter` is not used because it has no momentary or short-term maxima and
no range, and copies the whole signal several times; its filter coefficients are, see
`kweighting`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.kweighting import k_weighted_energy, k_weighting_sections

Float = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

CELL_S = 0.01
MOMENTARY_CELLS = 40
SHORT_TERM_CELLS = 300
GATING_STEP_CELLS = 10
OFFSET_DB = -0.691
ABSOLUTE_GATE_LUFS = -70.0
INTEGRATED_GATE_LU = -10.0
LOWEST_TARGET_LUFS = ABSOLUTE_GATE_LUFS - INTEGRATED_GATE_LU
"""Below it, what the relative gate lets through may fall under the absolute one."""
RANGE_GATE_LU = -20.0
RANGE_TAIL_CELLS = 150
RANGE_PERCENTILES = (10, 95)
CHANNEL_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)
GAIN_STEPS = 8


@dataclass(frozen=True, slots=True)
class Loudness:
    """Loudness of one signal; None where the standard leaves it undefined.

    Attributes
    ----------
    integrated_lufs : float or None
        Programme loudness, gated (BS.1770-5). None for silence or under 400 ms.
    lra_lu : float or None
        Loudness range (Tech 3342). None for silence or under 3 s; not yet
        meaningful under a minute (Tech 3341, 2.4).
    max_momentary_lufs : float or None
        Highest 400 ms window, moved in steps of 10 ms.
    max_short_term_lufs : float or None
        Highest 3 s window, moved in steps of 10 ms. None under 3 s.
    """

    integrated_lufs: float | None
    lra_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None


@dataclass(frozen=True, slots=True)
class LoudnessCells:
    """K-weighted power of consecutive cells of 10 ms.

    Attributes
    ----------
    power : ndarray of float64, shape (cells,)
        Channel-weighted mean square of each whole cell.
    """

    power: Float

    def loudness(self, gain_db: float = 0.0) -> Loudness:
        """Loudness after a static gain, with the gates applied after it.

        Parameters
        ----------
        gain_db : float
            Gain in dB.

        Returns
        -------
        Loudness
            All four quantities.
        """
        power = self.power * 10.0 ** (gain_db / 10.0)
        momentary = _windows(power, MOMENTARY_CELLS)
        return Loudness(
            integrated_lufs=_integrated(momentary[::GATING_STEP_CELLS]),
            lra_lu=_range_of_cells(power),
            max_momentary_lufs=_max_level(momentary),
            max_short_term_lufs=_max_level(_windows(power, SHORT_TERM_CELLS)),
        )

    def gain_to(self, target_lufs: float) -> float | None:
        """Find the static gain that brings the integrated loudness to a target.

        Parameters
        ----------
        target_lufs : float
            Wanted integrated loudness, above -60 LUFS.

        Returns
        -------
        float or None
            Gain in dB, exact although the absolute gate stays where it is (quiet
            passages of a faint recording may come above it with the gain).
            None where the integrated loudness is undefined.

        Raises
        ------
        ValueError
            If the target is not above -60 LUFS.
        """
        if not target_lufs > LOWEST_TARGET_LUFS:
            msg = (
                f"target loudness must be above {LOWEST_TARGET_LUFS:.0f} LUFS, got "
                f"{target_lufs}"
            )
            raise ValueError(msg)
        blocks = _windows(self.power, MOMENTARY_CELLS)[::GATING_STEP_CELLS]
        gain_db = 0.0
        for _ in range(GAIN_STEPS):
            level = _integrated(blocks * 10.0 ** (gain_db / 10.0))
            if level is None:
                return None
            gain_db += target_lufs - level
            if abs(target_lufs - level) < 1e-6:
                break
        return gain_db


def _cell_edges(frames: int, sample_rate_hz: int) -> NDArray[np.int64]:
    cells = int(np.floor(frames / (sample_rate_hz * CELL_S) + 1e-9))
    times = np.arange(cells + 1) * (sample_rate_hz * CELL_S)
    return np.asarray(np.rint(times[times < frames + 0.5]), dtype=np.int64)


def _channel_power(x: Samples, sample_rate_hz: int) -> Float:
    """Mean square of the K-weighted channel in each whole cell."""
    edges = _cell_edges(len(x), sample_rate_hz)
    energy = k_weighted_energy(x, sample_rate_hz, edges)
    if not np.isfinite(energy).all():
        # Absurdly large samples overflow in single precision; others are refused.
        energy = k_weighted_energy(x.astype(np.float64), sample_rate_hz, edges)
    return energy / np.diff(edges) if len(energy) else energy


def loudness_cells(
    x: Samples, sample_rate_hz: int, weights: Sequence[float] | None = None
) -> LoudnessCells:
    """K-weight a signal and sum its power into cells of 10 ms.

    Parameters
    ----------
    x : ndarray of float, shape (frames,) or (frames, channels)
        Signal, full scale 1.0; not changed. Up to five channels are taken as L,
        R, C, Ls, Rs unless `weights` says otherwise. One channel is one channel:
        the same signal on two channels reads 3.01 LU higher.
    sample_rate_hz : int
        Sampling rate in Hz, 8000 or more.
    weights : sequence of float, optional
        Power weight of each channel; 1, 1, 1, 1.41, 1.41 by default.

    Returns
    -------
    LoudnessCells
        Whole cells only; an incomplete last one is dropped.

    Raises
    ------
    ValueError
        If the shape, the rate or the number of weights does not fit, or a sample
        is not finite.
    """
    k_weighting_sections(sample_rate_hz)
    channels = x[:, None] if x.ndim == 1 else x
    used = CHANNEL_WEIGHTS[: channels.shape[-1]] if weights is None else weights
    if channels.ndim != 2 or len(used) != channels.shape[1]:
        msg = f"no channel weights for a signal of shape {x.shape}"
        raise ValueError(msg)
    power = np.zeros(max(len(_cell_edges(len(x), sample_rate_hz)) - 1, 0))
    for weight, channel in zip(used, channels.T, strict=True):
        power += weight * _channel_power(channel, sample_rate_hz)
    if not np.isfinite(power).all():
        msg = "loudness of a signal with samples that are not finite"
        raise ValueError(msg)
    return LoudnessCells(power)


def _windows(power: Float, cells: int) -> Float:
    """Mean power of every window of so many cells, in steps of one cell."""
    if len(power) < cells:
        return np.zeros(0)
    total = np.zeros(len(power) - cells + 1)
    run, length, done = power, 1, 0
    # Runs of 1, 2, 4 ... cells: those that the binary number of cells is made of.
    while length <= cells:
        if cells & length:
            total += run[done : done + len(total)]
            done += length
        run, length = run[:-length] + run[length:], 2 * length
    return total / cells


def _level(power: float) -> float:
    return float(OFFSET_DB + 10.0 * np.log10(power))


def _power(level_lufs: float) -> float:
    return float(10.0 ** ((level_lufs - OFFSET_DB) / 10.0))


def _max_level(power: Float) -> float | None:
    highest = float(power.max(initial=0.0))
    return _level(highest) if highest > 0.0 else None


def _integrated(blocks: Float) -> float | None:
    loud = blocks[blocks > _power(ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return None
    threshold = float(loud.mean()) * 10.0 ** (INTEGRATED_GATE_LU / 10.0)
    return _level(float(loud[loud > threshold].mean()))


def _range_of_cells(power: Float) -> float | None:
    """Loudness range, with the silence that Tech 3342 appends to a file."""
    if len(power) < SHORT_TERM_CELLS:
        return None
    padded = np.concatenate([power, np.zeros(RANGE_TAIL_CELLS)])
    windows = _windows(padded, SHORT_TERM_CELLS)[::GATING_STEP_CELLS]
    audible = windows[windows > 0.0]
    return loudness_range(OFFSET_DB + 10.0 * np.log10(audible))


def loudness_range(short_term_lufs: Float) -> float | None:
    """Loudness range of a series of short-term levels (Tech 3342, clause 5).

    Parameters
    ----------
    short_term_lufs : ndarray, shape (n,)
        Short-term loudness at a steady rate of 10 Hz or more.

    Returns
    -------
    float or None
        95th minus 10th percentile in LU of the levels at or above both gates
        (-70 LUFS, and 20 LU under the power mean); None if none is.
    """
    levels = short_term_lufs[short_term_lufs >= ABSOLUTE_GATE_LUFS]
    if not len(levels):
        return None
    mean = 10.0 * np.log10(np.mean(10.0 ** (levels / 10.0)))
    kept = np.sort(levels[levels >= mean + RANGE_GATE_LU])
    low, high = (
        int(np.floor((len(kept) - 1) * p / 100.0 + 0.5)) for p in RANGE_PERCENTILES
    )
    return float(kept[high] - kept[low])
