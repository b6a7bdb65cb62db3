"""Blends: sums of two or more microphones of one pass, planned and made."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import JsonValue, TypeAdapter

from pipeline.models.manifest import Blend as WrittenBlend
from pipeline.run.around import Sources, Surroundings, bench_file
from pipeline.run.keeping import Step
from pipeline.run.relating import Cuts, cut_parts
from pipeline.run.tasks import BlendTask, MeasureResult, Part, measure_blend
from pipeline.stages.relate import Relation

_MEASURE_RESULT = TypeAdapter(MeasureResult)
_SURE = 0.5
_ROOM_MM = 500.0
"""A microphone this much farther away is a room mic: its lateness is its sound."""
_RATIOS_DB = (-6.0, 0.0, 6.0)


@dataclass(frozen=True, slots=True)
class BlendPlan:
    """A blend to be made.

    Parameters
    ----------
    id : str
        Its name.
    pass_id : str
        Its pass.
    reason : str
        Why it is made.
    aligned : bool
        Whether the parts were moved onto the first.
    captures : tuple of str
        Ids of its parts.
    task : BlendTask
        How it is summed.
    sum_loss_db : float or None
        What the sum of two loses as predicted; None where more are added, or the
        two were not related.
    """

    id: str
    pass_id: str
    reason: str
    aligned: bool
    captures: tuple[str, ...]
    task: BlendTask
    sum_loss_db: float | None = None


def plan_blends(
    sources: Sources,
    cuts: Cuts,
    relations: Mapping[str, tuple[Relation, ...]],
    *,
    loudness: Mapping[str, float],
    bench: Path | None,
) -> list[BlendPlan]:
    """Decide which blends are made.

    Parameters
    ----------
    sources : Sources
        The session's files.
    cuts : mapping of str to Cut
        Samples by capture id, the mutual timing of a pass kept.
    relations : mapping of str to tuple of Relation
        By pass.
    loudness : mapping of str to float
        Integrated loudness of the usable captures before gain, LUFS.
    bench : Path or None
        Folder for the sums.

    Returns
    -------
    list of BlendPlan
        Those that the manifest asks for, then those of the two nearest mics of every
        pass, as `[compare] blends` says.
    """
    manifest = sources.plan.manifest
    pass_of = {capture.id: capture.pass_id for capture in sources.plan.captures}
    plans = [
        _asked(
            blend, cuts, relations.get(pass_of[blend.parts[0].capture], ()), loudness
        )
        for blend in manifest.blend
        if all(part.capture in loudness for part in blend.parts)
    ]
    if manifest.compare.blends != "none":
        taken = {*pass_of, *(plan.id for plan in plans)}
        for pass_id, members in relations.items():
            near = _nearest(members, loudness)
            if near is not None:
                plans += [
                    plan
                    for plan in _made(
                        pass_id,
                        near,
                        cuts,
                        loudness,
                        ratios=manifest.compare.blends == "ratios",
                    )
                    if plan.id not in taken
                ]
    rate = sources.di.sample_rate_hz
    return [
        replace(
            plan,
            pass_id=pass_of[plan.captures[0]],
            sum_loss_db=_sum_loss(
                plan, relations.get(pass_of[plan.captures[0]], ()), rate
            ),
            task=replace(
                plan.task,
                bench=bench_file(bench, f"blend {plan.id}") if bench else None,
            ),
        )
        for plan in plans
    ]


def _sum_loss(
    plan: BlendPlan, relations: Sequence[Relation], sample_rate_hz: int
) -> float | None:
    """Loss of a sum of two at its own ratio, polarity and lag."""
    if len(plan.captures) != 2:
        return None
    parts = dict(zip(plan.captures, plan.task.parts, strict=True))
    for relation in relations:
        if {relation.a, relation.b} == set(parts):
            a, b = parts[relation.a], parts[relation.b]
            return relation.sum_loss_db(
                sample_rate_hz,
                b.gain_db - a.gain_db,
                polarity=a.polarity * b.polarity,
                lag_samples=b.lag_samples - a.lag_samples,
            )
    return None


def _nearest(
    relations: Sequence[Relation], loudness: Mapping[str, float]
) -> Relation | None:
    """Pick the two mics that a person would blend: close ones, surely related."""
    usable = [
        relation
        for relation in relations
        if relation.a in loudness
        and relation.b in loudness
        and relation.confidence >= _SURE
        and relation.polarity is not None
        and abs(relation.distance_mm) <= _ROOM_MM
    ]
    return min(usable, key=lambda r: abs(r.delay_samples), default=None)


def _asked(
    blend: WrittenBlend,
    cuts: Cuts,
    relations: Sequence[Relation],
    loudness: Mapping[str, float],
) -> BlendPlan:
    first = blend.parts[0].capture
    parts = tuple(
        Part(
            cut=cuts[part.capture],
            gain_db=loudness[first] - loudness[part.capture] + part.gain_db,
            polarity=-1 if part.flip else 1,
            lag_samples=_lag(relations, first, part.capture) if blend.align else 0.0,
        )
        for part in blend.parts
    )
    names = tuple(part.capture for part in blend.parts)
    return BlendPlan(
        blend.id, "", "Asked for by name.", blend.align, names, BlendTask(parts, None)
    )


def _lag(relations: Sequence[Relation], first: str, other: str) -> float:
    for relation in relations:
        if (relation.a, relation.b) == (first, other):
            return relation.delay_samples
        if (relation.b, relation.a) == (first, other):
            return -relation.delay_samples
    return 0.0


def _made(
    pass_id: str,
    relation: Relation,
    cuts: Cuts,
    loudness: Mapping[str, float],
    *,
    ratios: bool,
) -> list[BlendPlan]:
    rate = cuts[relation.a].di.sample_rate_hz
    even = loudness[relation.a] - loudness[relation.b]
    best = relation.best_gain(rate, even)
    wanted = [(0.0, False, "As placed, both equally loud.")]
    moved = "Aligned" if relation.lag_samples else "In step as placed"
    wanted.append(
        (
            best.gain_db,
            True,
            f"{moved}, {relation.b} at {best.gain_db:+.1f} dB: the ratio whose sum is "
            f"loudest against its parts ({-best.sum_loss_db:+.1f} dB, 80 Hz to 8 kHz).",
        )
    )
    if ratios:
        wanted += [
            (ratio, aligned, f"{relation.b} at {ratio:+.0f} dB.")
            for ratio in _RATIOS_DB
            for aligned in (False, True)
            if (ratio, aligned) != (0.0, False)
        ]
    plans: dict[str, BlendPlan] = {}
    for ratio, aligned, reason in wanted:
        how = "aligned" if aligned else "as placed"
        id_ = f"{pass_id} {relation.a} + {relation.b} {ratio:+.1f} dB {how}"
        polarity = (relation.polarity or 1) if aligned else 1
        lag = relation.lag_samples if aligned else 0.0
        parts = (
            Part(cuts[relation.a], 0.0, 1, 0.0),
            Part(cuts[relation.b], even + ratio, polarity, lag),
        )
        flipped = " Polarity of the second flipped." if polarity < 0 else ""
        plans.setdefault(
            id_,
            BlendPlan(
                id_,
                pass_id,
                reason + flipped,
                aligned,
                (relation.a, relation.b),
                BlendTask(parts, None),
            ),
        )
    return list(plans.values())


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
    return around.keeper.map(
        "blend",
        steps,
        measure_blend,
        adapter=_MEASURE_RESULT,
        workers=around.workers,
        progress=around.progress,
    )


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
