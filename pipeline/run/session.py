"""One session from its plan to its record.

Per capture: find it, cut it, measure it, write it; in between, the decisions that
need all of them: the shift of every pass, the level of the session.
"""

import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from tempfile import mkdtemp

from pydantic import TypeAdapter

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
    Capture,
    Finding,
    LoudnessTarget,
    Output,
    Record,
    Status,
)
from pipeline.run.around import Surroundings
from pipeline.run.judging import Judged, cut_parts, judge_session
from pipeline.run.keeping import Decision, Step
from pipeline.run.tasks import WriteTask, write_capture
from pipeline.stages.axes import record_axes
from pipeline.stages.compare import compare_captures
from pipeline.stages.measure import Finished, finish
from pipeline.stages.output import describe_output
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
        As a run would write it, without outputs.
    """
    judged = judge_session(plan, around, None)
    target = _target(judged)
    return _record(judged, target, {}, around)


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
        target = _target(judged)
        outputs = _write(judged, target, folder, around)
    around.keeper.close()
    return _record(judged, target, outputs, around)


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
        _write(judged, _target(judged), folder, around)
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


def _target(judged: Judged) -> LoudnessTarget:
    wanted = judged.plan.manifest.loudness
    levels = {
        id_: Level(result.measured.cells, result.measured.true_peak_dbtp)
        for id_, result in judged.measured.items()
        if result.measured and judged.usable(id_)
    }
    return decide_target(levels, wanted.target_lufs, wanted.max_true_peak_dbtp)


def _finish(judged: Judged, target: LoudnessTarget, id_: str) -> Finished | None:
    result = judged.measured.get(id_)
    if result is None or result.measured is None or not judged.usable(id_):
        return None
    return finish(result.measured, target)


def _write(
    judged: Judged, target: LoudnessTarget, folder: Path, around: Surroundings
) -> dict[str, Output]:
    names = unique_names(capture.id for capture in judged.plan.captures)
    origin = _origin(judged.plan.di_path)
    steps = []
    for capture in judged.plan.captures:
        finished = _finish(judged, target, capture.id)
        if finished is None:
            continue
        relative = f"{AUDIO_FOLDER}/{names[capture.id]}.wav"
        task = WriteTask(
            cut=judged.cuts[capture.id],
            gain_db=finished.loudness.gain_db,
            path=folder / relative,
            relative=relative,
            bext=describe_output(
                f"{judged.plan.name} | {capture.id} | aligned to the DI",
                finished.loudness,
                judged.sources.di.sample_rate_hz,
                origin,
            ),
        )
        parts = {
            **cut_parts(judged.sources, capture, task.cut),
            "gain": task.gain_db,
            "name": relative,
            "description": asdict(task.bext),
        }
        steps.append(Step(capture.id, task, parts))
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


def _capture(
    judged: Judged,
    target: LoudnessTarget,
    capture: CapturePlan,
    output: Output | None,
) -> Capture:
    written = capture.written
    located = judged.located[capture.id].located
    finished = _finish(judged, target, capture.id)
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
        latency=located.latency if located else None,
        shift_samples=cut.shift_samples if cut else None,
        loudness=finished.loudness if finished else None,
        metrics=finished.metrics if finished else {},
        curves=finished.curves if finished else None,
        output=output,
    )


def _record(
    judged: Judged,
    target: LoudnessTarget,
    outputs: Mapping[str, Output],
    around: Surroundings,
) -> Record:
    plan = judged.plan
    manifest = plan.manifest
    if judged.di_result is None:
        message = "a record needs the DI's measures"
        raise ValueError(message)
    captures = tuple(
        _capture(judged, target, capture, outputs.get(capture.id))
        for capture in plan.captures
    )
    compared = compare_captures(
        captures, manifest.compare.reference, manifest.compare.shortlist
    )
    return Record(
        format=1,
        created=around.created,
        version=__version__,
        session=manifest.session.model_dump(mode="json"),
        align_mode=manifest.align.mode,
        di=judged.di_result.model_copy(update={"file": manifest.di.file}),
        loudness=target,
        recall=plan.recalls,
        axes=record_axes(judged.sources.di.sample_rate_hz),
        captures=captures,
        repeatability=compared.repeatability,
        comparison=compared.comparison,
        shortlist=compared.shortlist,
    )
