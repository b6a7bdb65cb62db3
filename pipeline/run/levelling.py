"""The level that a whole session shares: captures, blends and the DI."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.models.record import (
    DiResult,
    Finding,
    LoudnessResult,
    LoudnessTarget,
)
from pipeline.run.around import Surroundings
from pipeline.run.blend_plan import BlendPlan, plan_blends
from pipeline.run.blending import measure_blends
from pipeline.run.judging import Judged
from pipeline.run.tasks import MeasureResult
from pipeline.run.wanted import Wishes, hear_wishes
from pipeline.stages.blend import Tone
from pipeline.stages.measure import Finished, Measured, finish
from pipeline.stages.target import Level, decide_target, level_di


@dataclass(frozen=True, slots=True)
class Levelled:
    """A session with its blends and its level.

    Parameters
    ----------
    judged : Judged
        Every capture found and measured.
    blends : sequence of BlendPlan
        What is summed.
    blended : mapping of str to MeasureResult
        Their measures by id.
    target : LoudnessTarget
        The level that all share.
    tones : mapping of str to Tone
        Of the usable captures before gain.
    wishes : Wishes
        Tones that blends come near to.
    finished : mapping of str to Finished
        Measures after gain of the usable captures and the blends, by id; without
        those whose loudness is undefined.
    findings : tuple of Finding
        Of blends that were asked for and not made.
    """

    judged: Judged
    blends: Sequence[BlendPlan]
    blended: Mapping[str, MeasureResult]
    target: LoudnessTarget
    tones: Mapping[str, Tone]
    wishes: Wishes
    finished: Mapping[str, Finished]
    findings: tuple[Finding, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every blend was measured."""
        return not self.wishes.pending and len(self.blended) == len(self.blends)

    def di(self, di: DiResult) -> LoudnessResult:
        """Bring the DI to the captures' level, or as far as its peaks allow."""
        return level_di(di, self.target)


def level_session(
    judged: Judged, around: Surroundings, bench: Path | None, *, blends: bool = True
) -> Levelled:
    """Make the blends and decide the level that everything shares.

    Parameters
    ----------
    judged : Judged
        Every capture found and measured.
    around : Surroundings
        Workers, progress and what was kept.
    bench : Path or None
        Folder for the sums.
    blends : bool
        Whether blends are made.

    Returns
    -------
    Levelled
        With the wanted target, or a lower one that fits everybody's peaks.
    """
    usable = {
        id_: result.measured
        for id_, result in judged.measured.items()
        if judged.usable(id_) and result.measured
    }
    tones = {
        id_: tone
        for id_, measured in usable.items()
        if (tone := _tone(measured)) is not None
    }
    asked = judged.plan.manifest.blend
    wishes = hear_wishes(asked, judged.plan.manifest_path.parent, tones, around)
    planned, findings = plan_blends(
        judged.sources,
        judged.pass_cuts,
        judged.relations,
        tones=tones,
        wishes=wishes,
        bench=bench,
    )
    plans = planned if blends else []
    blended = measure_blends(plans, judged.sources, around)
    everything = usable | {
        id_: result.measured for id_, result in blended.items() if result.measured
    }
    wanted = judged.plan.manifest.loudness
    target = decide_target(
        {
            id_: Level(
                measured.cells, measured.true_peak_dbtp, around.trims.get(id_, 0.0)
            )
            for id_, measured in everything.items()
        },
        wanted.target_lufs,
        wanted.max_true_peak_dbtp,
    )
    return Levelled(
        judged=judged,
        blends=plans,
        blended=blended,
        target=target,
        tones=tones,
        wishes=wishes,
        finished={
            id_: finished
            for id_, measured in everything.items()
            if (finished := finish(measured, target, around.trims.get(id_, 0.0)))
        },
        findings=findings,
    )


def _tone(measured: Measured) -> Tone | None:
    """Bands and loudness before any gain; None where the loudness is undefined."""
    lufs = measured.loudness.integrated_lufs
    if lufs is None:
        return None
    return Tone(measured.curves.erb_db if measured.curves else (), lufs)
