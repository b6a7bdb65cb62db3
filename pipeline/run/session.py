"""One session from its plan to its record.

Per capture: find it, cut it, measure it, write it; in between, the decisions that
need all of them: the shift of every pass, the level of the session.
"""

import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import mkdtemp

from pydantic import JsonValue, TypeAdapter

from pipeline import __version__
from pipeline.errors import AudioError
from pipeline.files.atomic import make_folder
from pipeline.files.audio import sha256_of
from pipeline.files.bext import BextFields
from pipeline.files.names import unique_names
from pipeline.files.store import AUDIO_FOLDER
from pipeline.files.wave_chunks import read_bext
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.record import (
    Blend,
    BlendPart,
    Capture,
    Finding,
    LoudnessTarget,
    Output,
    Pair,
    Record,
    Status,
)
from pipeline.run.around import Surroundings
from pipeline.run.bouncing import reflections
from pipeline.run.judging import Judged, judge_session
from pipeline.run.keeping import Decision, Step
from pipeline.run.relating import (
    BlendPlan,
    blend_parts,
    cut_parts,
    measure_blends,
    plan_blends,
)
from pipeline.run.tasks import BlendTask, Cut, MeasureResult, WriteTask, write_capture
from pipeline.stages.axes import record_axes
from pipeline.stages.compare import compare_captures
from pipeline.stages.measure import Finished, finish
from pipeline.stages.output import describe_output
from pipeline.stages.relate import describe_pair
from pipeline.stages.target import Level, decide_target

_BENCH = ".aligned-"
_OUTPUT = TypeAdapter(Output)


def check_session(plan: Plan, around: Surroundings) -> Record:
    """Read and judge a session; write nothing.

    Parameters
    ----------
    plan : Plan
        What the session is.
    around : Surroundings
        Workers, progress and clock.

    Returns
    -------
    Record
        As a run would write it, without outputs and blends.
    """
    judged = judge_session(plan, around, None)
    target = _target(judged, {})
    return _record(_Levelled(judged, (), {}, target, {}), around)


@dataclass(frozen=True, slots=True)
class _Levelled:
    """A session with its blends, its level and its outputs."""

    judged: Judged
    blends: Sequence[BlendPlan]
    blended: Mapping[str, MeasureResult]
    target: LoudnessTarget
    outputs: Mapping[str, Output]


def run_session(plan: Plan, folder: Path, around: Surroundings) -> Record:
    """Process a session into a folder.

    Parameters
    ----------
    plan : Plan
        What the session is.
    folder : Path
        Where audio goes; it exists, and this run holds it.
    around : Surroundings
        Workers, progress, clock and what was kept.

    Returns
    -------
    Record
        The session with its outputs; not yet written.
    """
    make_folder(folder / AUDIO_FOLDER)
    with _workbench(folder) as bench:
        judged = judge_session(plan, around, bench)
        blends, blended, target = _level(judged, around, bench)
        outputs = _write(judged, blends, blended, target, folder, around)
    around.keeper.close()
    return _record(_Levelled(judged, blends, blended, target, outputs), around)


def explain_session(
    plan: Plan, folder: Path, around: Surroundings
) -> tuple[Decision, ...]:
    """Say what a run would do and why, without doing it.

    Parameters
    ----------
    plan : Plan
        What the session is.
    folder : Path
        The run's folder.
    around : Surroundings
        With a keeper that only decides.

    Returns
    -------
    tuple of Decision
        Per capture and stage; where an earlier stage has to run first, the later one
        will run too.
    """
    judged = judge_session(plan, around, None)
    known = set(judged.measured)
    complete = known == set(judged.cuts) and len(judged.located) == len(plan.captures)
    if complete:
        blends, blended, target = _level(judged, around, None)
        if len(blended) == len(blends):
            _write(judged, blends, blended, target, folder, around)
    waiting = [
        Decision(stage, capture.id, reuse=False, reason="an earlier stage has to run")
        for capture in plan.captures
        for stage, done in (
            ("measure", judged.cuts),
            ("write", known if complete else ()),
        )
        if capture.id not in done and not _known_bad(judged, capture.id)
    ]
    return (*around.keeper.decisions, *waiting)


def _known_bad(judged: Judged, id_: str) -> bool:
    located = judged.located.get(id_)
    return located is not None and located.rejected


@contextmanager
def _workbench(folder: Path) -> Iterator[Path]:
    """Make room for aligned samples; clear what a killed run left."""
    for old in folder.glob(f"{_BENCH}*"):
        shutil.rmtree(old, ignore_errors=True)
    bench = Path(mkdtemp(prefix=_BENCH, dir=folder))
    try:
        yield bench
    finally:
        shutil.rmtree(bench, ignore_errors=True)


def _level(
    judged: Judged, around: Surroundings, bench: Path | None
) -> tuple[list[BlendPlan], dict[str, MeasureResult], LoudnessTarget]:
    """Make the blends and decide the level that everything shares."""
    loudness = {
        id_: lufs
        for id_, result in judged.measured.items()
        if judged.usable(id_)
        and result.measured
        and (lufs := result.measured.cells.loudness().integrated_lufs) is not None
    }
    plans = plan_blends(
        judged.sources,
        judged.pass_cuts,
        judged.relations,
        loudness=loudness,
        bench=bench,
    )
    blended = measure_blends(plans, judged.sources, around)
    return plans, blended, _target(judged, blended)


def _target(judged: Judged, blended: Mapping[str, MeasureResult]) -> LoudnessTarget:
    wanted = judged.plan.manifest.loudness
    usable = {id_: r for id_, r in judged.measured.items() if judged.usable(id_)}
    levels = {
        id_: Level(result.measured.cells, result.measured.true_peak_dbtp)
        for id_, result in (usable | dict(blended)).items()
        if result.measured
    }
    return decide_target(levels, wanted.target_lufs, wanted.max_true_peak_dbtp)


def _finish(judged: Judged, target: LoudnessTarget, id_: str) -> Finished | None:
    result = judged.measured.get(id_)
    if result is None or result.measured is None or not judged.usable(id_):
        return None
    return finish(result.measured, target)


def _write(  # noqa: PLR0917 (private; everything that a file holds)
    judged: Judged,
    blends: Sequence[BlendPlan],
    blended: Mapping[str, MeasureResult],
    target: LoudnessTarget,
    folder: Path,
    around: Surroundings,
) -> dict[str, Output]:
    sources = judged.sources
    captures = judged.plan.captures
    names = unique_names([*(c.id for c in captures), *(plan.id for plan in blends)])
    origin = _origin(judged.plan.di_path)
    rate = sources.di.sample_rate_hz

    def step(
        id_: str,
        samples: Cut | BlendTask,
        finished: Finished,
        parts: Mapping[str, JsonValue],
    ) -> Step[WriteTask]:
        relative = f"{AUDIO_FOLDER}/{names[id_]}.wav"
        text = f"{judged.plan.name} | {id_} | aligned to the DI"
        bext = describe_output(text, finished.loudness, rate, origin)
        gain = finished.loudness.gain_db
        task = WriteTask(samples, rate, gain, folder / relative, relative, bext)
        made: dict[str, JsonValue] = {
            "gain": gain,
            "name": relative,
            "description": asdict(bext),
        }
        return Step(id_, task, {**parts, **made})

    steps = [
        step(c.id, cut, finished, cut_parts(sources, c, cut))
        for c in captures
        if (finished := _finish(judged, target, c.id)) and (cut := judged.cuts[c.id])
    ]
    steps += [
        step(plan.id, plan.task, finished, blend_parts(plan, sources))
        for plan in blends
        if (measured := blended[plan.id].measured)
        and (finished := finish(measured, target))
    ]
    around.progress.begin("writing", len(steps))
    return around.keeper.map(
        "write",
        steps,
        write_capture,
        adapter=_OUTPUT,
        workers=around.workers,
        progress=around.progress,
        valid=lambda output: _stands(folder, output),
    )


def _stands(folder: Path, output: Output) -> bool:
    """Whether an output is there as it was written."""
    try:
        return sha256_of(folder / output.file) == output.sha256
    except AudioError:
        return False


def _origin(di_path: Path) -> BextFields | None:
    try:
        return read_bext(di_path)
    except (OSError, ValueError):
        return None


def _status(findings: tuple[Finding, ...]) -> Status:
    severities = {finding.severity for finding in findings}
    if "reject" in severities:
        return "rejected"
    return "flagged" if "warn" in severities else "ok"


def _capture(levelled: _Levelled, capture: CapturePlan) -> Capture:
    judged = levelled.judged
    written = capture.written
    finished = _finish(judged, levelled.target, capture.id)
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
        private=written.private,
        status=_status(findings),
        findings=findings,
        latency=judged.latency(capture.id),
        shift_samples=cut.shift_samples if cut else None,
        loudness=finished.loudness if finished else None,
        metrics=finished.metrics if finished else {},
        curves=finished.curves if finished else None,
        output=levelled.outputs.get(capture.id),
    )


def _pairs(levelled: _Levelled) -> tuple[Pair, ...]:
    judged = levelled.judged
    gains = {
        id_: finished.loudness.gain_db
        for id_ in judged.measured
        if (finished := _finish(judged, levelled.target, id_))
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


def _blends(levelled: _Levelled, pairs: Sequence[Pair]) -> tuple[Blend, ...]:
    losses = {(pair.a, pair.b): pair for pair in pairs}
    blends = []
    for plan in levelled.blends:
        measured = levelled.blended[plan.id].measured
        finished = finish(measured, levelled.target) if measured else None
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
                sum_loss_db=_sum_loss(losses, plan),
                loudness=finished.loudness,
                metrics=finished.metrics,
                curves=finished.curves,
                output=levelled.outputs.get(plan.id),
            )
        )
    return tuple(blends)


def _sum_loss(pairs: Mapping[tuple[str, str], Pair], plan: BlendPlan) -> float | None:
    """Loss of the two first parts as predicted, where the ratio is the pair's own."""
    pair = pairs.get((plan.captures[0], plan.captures[1]))
    if pair is None or pair.sums is None or len(plan.captures) != 2:
        return None
    flipped = plan.task.parts[0].polarity != plan.task.parts[1].polarity
    sums = pair.sums
    if plan.aligned:
        return (sums.aligned_flipped if flipped else sums.aligned).loss_db
    return (sums.flipped if flipped else sums.as_placed).loss_db


def _record(levelled: _Levelled, around: Surroundings) -> Record:
    judged = levelled.judged
    plan = judged.plan
    manifest = plan.manifest
    if judged.di_result is None:
        message = "a record needs the DI's measures"
        raise ValueError(message)
    captures = tuple(_capture(levelled, capture) for capture in plan.captures)
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
        di=judged.di_result.model_copy(update={"file": manifest.di.file}),
        loopback=judged.loopback,
        loudness=levelled.target,
        recall=plan.recalls,
        axes=record_axes(judged.sources.di.sample_rate_hz),
        findings=judged.session_findings,
        captures=captures,
        pairs=pairs,
        blends=_blends(levelled, pairs),
        reflections=reflections(judged),
        repeatability=compared.repeatability,
        comparison=compared.comparison,
        shortlist=compared.shortlist,
    )
