"""The record of a session, put together from all that was found."""

from collections.abc import Mapping

from pipeline import __version__
from pipeline.models.metrics import METRIC_KEYS
from pipeline.models.plan import DI_NAME, CapturePlan
from pipeline.models.record import (
    Blend,
    BlendPart,
    Capture,
    Finding,
    Nearest,
    Output,
    Pair,
    Record,
    Status,
)
from pipeline.run.around import Surroundings
from pipeline.run.blend_plan import BlendPlan
from pipeline.run.bouncing import reflections
from pipeline.run.context import Along
from pipeline.run.levelling import Levelled
from pipeline.stages.axes import record_axes
from pipeline.stages.blend import Tone, describe_nearest
from pipeline.stages.compare import compare_captures
from pipeline.stages.measure import Finished
from pipeline.stages.night import judge_night
from pipeline.stages.playout import describe_played
from pipeline.stages.relate import describe_pair

_UNKNOWN: dict[str, float | None] = dict.fromkeys(METRIC_KEYS)


def _status(findings: tuple[Finding, ...]) -> Status:
    severities = {finding.severity for finding in findings}
    if "reject" in severities:
        return "rejected"
    return "flagged" if "warn" in severities else "ok"


def _capture(
    levelled: Levelled, capture: CapturePlan, output: Output | None
) -> Capture:
    judged = levelled.judged
    written = capture.written
    finished = levelled.finished.get(capture.id)
    playout = judged.playouts.get(capture.id)
    findings = judged.findings(capture.id)
    cut = judged.cuts.get(capture.id)
    return Capture(
        id=capture.id,
        file=written.file,
        channel=written.channel,
        pass_id=capture.pass_id,
        setup=written.setup,
        mic=written.mic,
        place=capture.place,
        control=written.control,
        tags=written.tags,
        notes=written.notes,
        photo=written.photo,
        private=written.private,
        status=_status(findings),
        findings=findings,
        latency=judged.latency(capture.id),
        shift_samples=cut.shift_samples if cut else None,
        loudness=finished.loudness if finished else None,
        metrics=_UNKNOWN | (finished.metrics if finished else {}),
        curves=finished.curves if finished else None,
        output=output,
        playout=playout.reading if playout else None,
    )


def _with_the_night(captures: tuple[Capture, ...]) -> tuple[Capture, ...]:
    """Add what only the order of the night shows: swapped mics, a warming amp."""
    found = judge_night(captures)
    return tuple(
        capture.model_copy(
            update={
                "findings": (findings := (*capture.findings, *found[capture.id])),
                "status": _status(findings),
            }
        )
        if capture.id in found
        else capture
        for capture in captures
    )


def _pairs(levelled: Levelled) -> tuple[Pair, ...]:
    judged = levelled.judged
    gains = {
        id_: finished.loudness.gain_db
        for id_ in judged.measured
        if (finished := levelled.finished.get(id_))
    }
    return tuple(
        describe_pair(
            relation,
            pass_id,
            judged.sources.di.sample_rate_hz,
            gain_db=gains[relation.b] - gains[relation.a],
            temperature_c=judged.plan.manifest.session.temperature_c,
        )
        for pass_id, relations in judged.relations.items()
        for relation in relations
        if relation.a in gains and relation.b in gains
    )


def _blends(levelled: Levelled, outputs: Mapping[str, Output]) -> tuple[Blend, ...]:
    blends = []
    for plan in levelled.blends:
        finished = levelled.finished.get(plan.id)
        if finished is None or finished.curves is None:
            continue
        parts = tuple(
            BlendPart(
                capture=id_,
                gain_db=part.gain_db,
                polarity=part.polarity,
                lag_samples=part.lag_samples,
            )
            for id_, part in zip(plan.captures, plan.task.parts, strict=True)
        )
        blends.append(
            Blend(
                id=plan.id,
                pass_id=plan.pass_id,
                reason=plan.reason,
                aligned=plan.aligned,
                parts=parts,
                sum_loss_db=plan.sum_loss_db,
                other_loss_db=plan.other_loss_db,
                nearest=_nearest(levelled, plan, finished),
                loudness=finished.loudness,
                metrics=finished.metrics,
                curves=finished.curves,
                output=outputs.get(plan.id),
            )
        )
    return tuple(blends)


def _nearest(levelled: Levelled, plan: BlendPlan, finished: Finished) -> Nearest | None:
    lufs = finished.loudness.lufs
    if plan.wanted is None or finished.curves is None or lufs is None:
        return None
    return describe_nearest(
        plan.wanted,
        levelled.wishes.tones[plan.id],
        Tone(finished.curves.erb_db, lufs),
        {id_: levelled.tones[id_] for id_ in plan.captures},
    )


def make_record(
    levelled: Levelled,
    outputs: Mapping[str, Output],
    along: Along,
    around: Surroundings,
) -> Record:
    """Put a session's record together.

    Parameters
    ----------
    levelled : Levelled
        The session at its level.
    outputs : mapping of str to Output
        What was written, by id.
    along : Along
        The backing track.
    around : Surroundings
        With the date of the run.

    Returns
    -------
    Record
        Everything that the page needs.

    Raises
    ------
    ValueError
        If the DI was not measured.
    """
    judged = levelled.judged
    plan = judged.plan
    manifest = plan.manifest
    layout = judged.sources.played.layout
    if judged.di_result is None:
        message = "a record needs the DI's measures"
        raise ValueError(message)
    captures = tuple(
        _capture(levelled, capture, outputs.get(capture.id))
        for capture in plan.captures
    )
    captures = _with_the_night(captures)
    compared = compare_captures(
        captures, manifest.compare.reference, manifest.compare.shortlist
    )
    pairs = _pairs(levelled)
    return Record(
        format=1,
        created=around.created,
        version=__version__,
        session=manifest.session.model_dump(mode="json"),
        align_mode=manifest.align.mode,
        di=judged.di_result.model_copy(
            update={
                "file": manifest.di.file,
                "output": outputs.get(DI_NAME),
                # They stand among the session's.
                "findings": (),
            }
        ),
        loopback=judged.loopback,
        context=along.result,
        playout=describe_played(layout) if layout else None,
        loudness=levelled.target,
        recall=plan.recalls,
        axes=record_axes(judged.sources.di.sample_rate_hz),
        findings=(*judged.session_findings, *levelled.findings, *along.findings),
        captures=captures,
        pairs=pairs,
        blends=_blends(levelled, outputs),
        reflections=reflections(judged),
        repeatability=compared.repeatability,
        comparison=compared.comparison,
        shortlist=compared.shortlist,
    )
