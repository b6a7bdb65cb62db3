"""Blends: sums of two or more microphones of one pass, made and measured."""

from collections.abc import Sequence

from pydantic import JsonValue, TypeAdapter

from pipeline.run.around import Sources, Surroundings
from pipeline.run.blend_plan import BlendPlan
from pipeline.run.keeping import Step, Strand
from pipeline.run.relating import cut_parts
from pipeline.run.tasks import MeasureResult, measure_blend

_MEASURE_RESULT = TypeAdapter(MeasureResult)


def measure_blends(
    plans: Sequence[BlendPlan], sources: Sources, around: Surroundings
) -> dict[str, MeasureResult]:
    """Sum and measure blends.

    Parameters
    ----------
    plans : sequence of BlendPlan
        What is made.
    sources : Sources
        The session's files.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    dict of str to MeasureResult
        By blend id.
    """
    steps = [Step(plan.id, plan.task, blend_parts(plan, sources)) for plan in plans]
    around.progress.begin("blending", len(steps))
    return around.do(Strand("blend", steps, measure_blend, _MEASURE_RESULT))


def blend_parts(plan: BlendPlan, sources: Sources) -> dict[str, JsonValue]:
    """Name everything that a blend depends on.

    Parameters
    ----------
    plan : BlendPlan
        The blend.
    sources : Sources
        The session's files.

    Returns
    -------
    dict
        For a key.
    """
    captures = {capture.id: capture for capture in sources.plan.captures}
    return {
        **sources.di_parts(),
        "microphones": [
            {
                **cut_parts(sources, captures[id_], part.cut),
                "gain": part.gain_db,
                "polarity": part.polarity,
                "lag": part.lag_samples,
            }
            for id_, part in zip(plan.captures, plan.task.parts, strict=True)
        ],
    }
