"""Microphones of one pass: how they relate."""

from collections.abc import Mapping

from pydantic import JsonValue, TypeAdapter

from pipeline.models.plan import CapturePlan
from pipeline.run.around import Sources, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.run.tasks import (
    Cut,
    RelateResult,
    RelateTask,
    relate_pass,
)
from pipeline.stages.relate import Relation, relate_together

_RELATE_RESULT = TypeAdapter(RelateResult)

Cuts = Mapping[str, Cut]


def cut_parts(sources: Sources, capture: CapturePlan, cut: Cut) -> dict[str, JsonValue]:
    """Name everything that a capture's aligned samples depend on.

    Parameters
    ----------
    sources : Sources
        The session's files.
    capture : CapturePlan
        The capture.
    cut : Cut
        How it is cut.

    Returns
    -------
    dict
        For a key.
    """
    return {
        **sources.parts(capture),
        "shift": cut.shift_samples,
        "drift": cut.drift_ppm,
        "jumps": [[jump.at_s, jump.samples] for jump in cut.jumps],
    }


def relate_all(
    sources: Sources, cuts: Cuts, around: Surroundings
) -> dict[str, tuple[Relation, ...]]:
    """Relate the microphones of every pass that has two or more.

    Parameters
    ----------
    sources : Sources
        The session's files.
    cuts : mapping of str to Cut
        Samples by capture id, the mutual timing of a pass kept.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    dict of str to tuple of Relation
        By pass. What is kept is each pair as measured alone; what the pairs tell each
        other is added afterwards.
    """
    temperature = sources.plan.manifest.session.temperature_c
    passes: dict[str, list[CapturePlan]] = {}
    for capture in sources.plan.captures:
        if capture.id in cuts:
            passes.setdefault(capture.pass_id, []).append(capture)
    steps = [
        Step(
            pass_id,
            RelateTask(tuple((c.id, cuts[c.id]) for c in members), temperature),
            {
                "temperature": temperature,
                "microphones": [
                    {"id": c.id, **cut_parts(sources, c, cuts[c.id])} for c in members
                ],
            },
        )
        for pass_id, members in passes.items()
        if len(members) > 1
    ]
    around.progress.begin("relating microphones", len(steps))
    found = around.do(Strand("relate", steps, relate_pass, _RELATE_RESULT))
    return relate_together(
        {pass_id: result.relations for pass_id, result in found.items()},
        sources.di.sample_rate_hz,
        temperature_c=temperature,
    )
