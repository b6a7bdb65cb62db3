"""One session from its plan to its record: the order of the steps.

Per capture: find it, cut it, measure it, write it; in between, the decisions that
need all of them: the shift of every pass, the level of the session.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline import __version__
from pipeline.files.atomic import make_folder
from pipeline.files.bext import BextFields
from pipeline.files.names import unique_names
from pipeline.files.store import AUDIO_FOLDER
from pipeline.files.wave_chunks import read_bext
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.record import (
    Capture,
    DiResult,
    Finding,
    LoudnessTarget,
    Output,
    Record,
    Status,
)
from pipeline.run.executor import Workers
from pipeline.run.locating import find_duplicates, locate_all
from pipeline.run.progress import Progress
from pipeline.run.tasks import (
    LocateResult,
    MeasureResult,
    MeasureTask,
    WriteTask,
    describe_di,
    measure_capture,
    write_capture,
)
from pipeline.stages.align import Lagged, decide_shifts, judge_buffer, judge_polarity
from pipeline.stages.axes import record_axes
from pipeline.stages.compare import compare_captures
from pipeline.stages.di import DiSpec, inspect_di
from pipeline.stages.measure import Finished, finish
from pipeline.stages.output import describe_output
from pipeline.stages.read import SourceSpec
from pipeline.stages.target import Level, decide_target


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a session needs besides its plan.

    Parameters
    ----------
    workers : Workers
        Who does the work.
    progress : Progress
        Who is told.
    created : str
        Date and time of the run, ISO 8601.
    """

    workers: Workers
    progress: Progress
    created: str


@dataclass(frozen=True, slots=True)
class _Judged:
    """The session after every capture was found and measured."""

    plan: Plan
    di: DiSpec
    di_result: DiResult
    located: Mapping[str, LocateResult]
    shifts: Mapping[str, float]
    measured: Mapping[str, MeasureResult]
    night: Mapping[str, tuple[Finding, ...]]

    def findings(self, id_: str) -> tuple[Finding, ...]:
        """All that was found of one capture, the worst first."""
        found = (
            *self.located[id_].findings,
            *self.night.get(id_, ()),
            *(self.measured[id_].findings if id_ in self.measured else ()),
        )
        order = {"reject": 0, "warn": 1, "note": 2}
        return tuple(sorted(found, key=lambda finding: order[finding.severity]))

    def usable(self, id_: str) -> bool:
        """Whether a capture reaches the output."""
        return id_ in self.measured and not any(
            finding.severity == "reject" for finding in self.findings(id_)
        )


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
    judged = _judge(plan, around, None)
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
        Workers, progress and clock.

    Returns
    -------
    Record
        The session with its outputs; not yet written.
    """
    with _workbench(folder) as bench:
        judged = _judge(plan, around, bench)
        target = _target(judged)
        outputs = _write(judged, target, folder, around=around, bench=bench)
    return _record(judged, target, outputs, around)


@contextmanager
def _workbench(folder: Path) -> Iterator[Path]:
    with TemporaryDirectory(prefix=".aligned-", dir=folder) as name:
        yield Path(name)


def _judge(plan: Plan, around: Surroundings, bench: Path | None) -> _Judged:
    di = inspect_di(plan.di_path, plan.manifest.di.channel)
    (di_result,) = around.workers.map(describe_di, [di], lambda: None)
    located = locate_all(plan.captures, di, around.workers, around.progress)
    lagged = [
        Lagged(capture.id, capture.pass_id, result.located.latency)
        for capture in plan.captures
        if not (result := located[capture.id]).rejected and result.located
    ]
    shifts = decide_shifts(lagged, plan.manifest.align.mode)
    night: dict[str, tuple[Finding, ...]] = {}
    for found in (
        find_duplicates(plan.captures, located),
        judge_polarity(lagged),
        judge_buffer(lagged),
    ):
        for id_, finding in found.items():
            night[id_] = (*night.get(id_, ()), finding)
    captures = [capture for capture in plan.captures if capture.id in shifts]
    tasks = [
        _measure_task(
            capture, di, located[capture.id], shift=shifts[capture.id], bench=bench
        )
        for capture in captures
    ]
    around.progress.begin("measuring", len(tasks))
    results = around.workers.map(measure_capture, tasks, around.progress.step)
    measured = {c.id: r for c, r in zip(captures, results, strict=True)}
    return _Judged(plan, di, di_result, located, shifts, measured, night)


def _measure_task(
    capture: CapturePlan,
    di: DiSpec,
    result: LocateResult,
    *,
    shift: float,
    bench: Path | None,
) -> MeasureTask:
    if result.located is None:
        message = f"{capture.id}: measured before it was found"
        raise ValueError(message)
    return MeasureTask(
        di=di,
        source=SourceSpec(capture.path, capture.written.channel, di.sample_rate_hz),
        latency=result.located.latency,
        shift_samples=shift,
        frames=result.frames,
        aligned=_bench_file(bench, capture.id) if bench else None,
    )


def _bench_file(bench: Path, id_: str) -> Path:
    # Ids may hold anything: the bench names its files by what is always safe.
    return bench / f"{id_.encode('utf-8').hex()[-100:]}-{len(id_)}.f32"


def _target(judged: _Judged) -> LoudnessTarget:
    wanted = judged.plan.manifest.loudness
    levels = {
        id_: Level(result.measured.cells, result.measured.true_peak_dbtp)
        for id_, result in judged.measured.items()
        if result.measured and judged.usable(id_)
    }
    return decide_target(levels, wanted.target_lufs, wanted.max_true_peak_dbtp)


def _finish(judged: _Judged, target: LoudnessTarget, id_: str) -> Finished | None:
    result = judged.measured.get(id_)
    if result is None or result.measured is None or not judged.usable(id_):
        return None
    return finish(result.measured, target)


def _write(
    judged: _Judged,
    target: LoudnessTarget,
    folder: Path,
    *,
    around: Surroundings,
    bench: Path,
) -> dict[str, Output]:
    make_folder(folder / AUDIO_FOLDER)
    names = unique_names(capture.id for capture in judged.plan.captures)
    origin = _origin(judged.plan.di_path)
    tasks = {}
    for capture in judged.plan.captures:
        finished = _finish(judged, target, capture.id)
        if finished is None:
            continue
        relative = f"{AUDIO_FOLDER}/{names[capture.id]}.wav"
        tasks[capture.id] = WriteTask(
            aligned=_bench_file(bench, capture.id),
            gain_db=finished.loudness.gain_db,
            sample_rate_hz=judged.di.sample_rate_hz,
            path=folder / relative,
            relative=relative,
            bext=describe_output(
                f"{judged.plan.name} | {capture.id} | aligned to the DI",
                finished.loudness,
                judged.di.sample_rate_hz,
                origin,
            ),
        )
    around.progress.begin("writing", len(tasks))
    outputs = around.workers.map(
        write_capture, list(tasks.values()), around.progress.step
    )
    return dict(zip(tasks, outputs, strict=True))


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
    judged: _Judged,
    target: LoudnessTarget,
    capture: CapturePlan,
    output: Output | None,
) -> Capture:
    written = capture.written
    located = judged.located[capture.id].located
    finished = _finish(judged, target, capture.id)
    findings = judged.findings(capture.id)
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
        shift_samples=judged.shifts.get(capture.id),
        loudness=finished.loudness if finished else None,
        metrics=finished.metrics if finished else {},
        curves=finished.curves if finished else None,
        output=output,
    )


def _record(
    judged: _Judged,
    target: LoudnessTarget,
    outputs: Mapping[str, Output],
    around: Surroundings,
) -> Record:
    plan = judged.plan
    manifest = plan.manifest
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
        axes=record_axes(judged.di.sample_rate_hz),
        captures=captures,
        repeatability=compared.repeatability,
        comparison=compared.comparison,
        shortlist=compared.shortlist,
    )
