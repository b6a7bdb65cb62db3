"""Which level do all outputs share?

One static gain a capture. If one capture's true peak would pass the ceiling, the
target of the whole session goes down with it, so that all stay comparable.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.dsp.loudness import LOWEST_TARGET_LUFS, LoudnessCells
from pipeline.errors import ReampsError
from pipeline.models.record import DiResult, LoudnessResult, LoudnessTarget

_GUARD_DB = 0.001
"""Rounding to 24 bits and to the meter's own digits must not pass the ceiling."""

_DI_GUARD_DB = 0.01


@dataclass(frozen=True, slots=True)
class Level:
    """Loudness and true peak of one source, before gain.

    Parameters
    ----------
    cells : LoudnessCells
        K-weighted power, from which the loudness after any gain follows.
    true_peak_dbtp : float
        Maximum true peak, dBTP.
    trim_db : float
        What a listener added by ear, on top of the gain to the target.
    """

    cells: LoudnessCells
    true_peak_dbtp: float
    trim_db: float = 0.0


def decide_target(
    levels: Mapping[str, Level], wanted_lufs: float, ceiling_dbtp: float
) -> LoudnessTarget:
    """Decide the session's effective target.

    Parameters
    ----------
    levels : mapping of str to Level
        Every output's source level by id.
    wanted_lufs : float
        The manifest's target, LUFS.
    ceiling_dbtp : float
        The manifest's true-peak ceiling, dBTP.

    Returns
    -------
    LoudnessTarget
        The wanted target, or the highest one at which no output passes the ceiling,
        with the id of the capture or blend that set it. EBU R 128 allows a lower
        level; it never allows clipping.

    Raises
    ------
    ReampsError
        If no level is left at which loudness is defined: peaks that stand 59 dB above
        the music, as a single crack in a faint recording.
    """
    effective, cause = wanted_lufs, None
    for id_, level in levels.items():
        most_gain = ceiling_dbtp - level.true_peak_dbtp - level.trim_db - _GUARD_DB
        highest = level.cells.loudness(most_gain).integrated_lufs
        if highest is None and level.cells.loudness().integrated_lufs is None:
            continue
        if highest is None or highest <= LOWEST_TARGET_LUFS:
            message = (
                f"{id_}: its true peak is {level.true_peak_dbtp:.1f} dBTP; below a "
                f"ceiling of {ceiling_dbtp:.1f} dBTP it would be quieter than "
                f"{LOWEST_TARGET_LUFS:.0f} LUFS, and all others with it. Look for a "
                "crack in it, or take it out of the manifest, or raise "
                "max_true_peak_dbtp."
            )
            raise ReampsError(message)
        if highest < effective:
            effective, cause = highest, id_
    return LoudnessTarget(
        target_lufs=wanted_lufs,
        effective_target_lufs=effective,
        max_true_peak_dbtp=ceiling_dbtp,
        lowered_for=cause,
    )


def level_di(di: DiResult, target: LoudnessTarget) -> LoudnessResult:
    """Bring the DI to the captures' level, or as far as its peaks allow.

    Parameters
    ----------
    di : DiResult
        Measures of the DI.
    target : LoudnessTarget
        The level of the session; the DI, which nobody mixes, never lowers it.

    Returns
    -------
    LoudnessResult
        Before and after its one static gain.
    """
    wanted = target.effective_target_lufs - (
        di.lufs if di.lufs is not None else target.effective_target_lufs
    )
    peak = di.true_peak_dbtp or 0.0
    gain = min(wanted, target.max_true_peak_dbtp - peak - _DI_GUARD_DB)
    return LoudnessResult(
        source_lufs=di.lufs,
        gain_db=gain,
        lufs=None if di.lufs is None else di.lufs + gain,
        lra_lu=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
        true_peak_dbtp=peak + gain,
    )
