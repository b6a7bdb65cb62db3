"""Judge one capture and find it on the DI's time."""

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.dsp.activity import frame_power
from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.models.record import Finding
from pipeline.run.tasks.rejection import rejection
from pipeline.stages.beside_di import judge_steadiness
from pipeline.stages.di import DiSpec, load_di
from pipeline.stages.evidence import judge_samples
from pipeline.stages.latency import Located, locate
from pipeline.stages.read import Source, SourceSpec, judge_source, open_source

_KEPT_DIS = 2
_KEPT_S = 60.0
"""A capture is held in memory while it is judged if it is not longer than twice the
DI and a minute: longer ones are searched block by block on the disk."""


@dataclass(frozen=True, slots=True)
class LocateTask:
    """Judge one capture and find it on the DI's time.

    Parameters
    ----------
    di : DiSpec
        The DI.
    source : SourceSpec
        The capture.
    front_end : FrontEnd or None
        Fitted on another capture of the same rig.
    expected : ExpectedLag or None
        Where the other passes of the night lie.
    """

    di: DiSpec
    source: SourceSpec
    front_end: FrontEnd | None = None
    expected: ExpectedLag | None = None


@dataclass(frozen=True, slots=True)
class LocateResult:
    """What became of a `LocateTask`.

    Parameters
    ----------
    findings : tuple of Finding
        Of the source and of its lag.
    located : Located or None
        None when the source itself cannot be used.
    frames : int
        Length of the capture at the DI's rate.
    """

    findings: tuple[Finding, ...]
    located: Located | None = None
    frames: int = 0

    @property
    def rejected(self) -> bool:
        """Whether the capture is out."""
        return any(finding.severity == "reject" for finding in self.findings)


def locate_capture(
    task: LocateTask, then: Callable[[Source, LocateResult], None] | None = None
) -> LocateResult:
    """Judge one capture and find it on the DI's time.

    Parameters
    ----------
    task : LocateTask
        What to judge.
    then : callable, optional
        Told of a capture that is this DI, while it is open.

    Returns
    -------
    LocateResult
        Findings and lag; an error is one too, but for those that `rejection` raises
        again.
    """
    material = load_di(task.di)
    try:
        with open_source(task.source) as source:
            source.keep(
                _KEPT_DIS * task.di.frames + int(_KEPT_S * source.sample_rate_hz)
            )
            source.scan()
            findings = judge_source(source)
            if any(finding.severity == "reject" for finding in findings):
                return LocateResult(findings, None, source.frames)
            located = locate(
                material.reference,
                source,
                front_end=task.front_end,
                expected=task.expected,
            )
            findings = (*findings, *located.findings)
            if any(finding.severity == "reject" for finding in located.findings):
                findings = (*findings, *_nobody_plays(task, source))
            else:
                findings = (*findings, *_flaws(task, source, located))
            result = LocateResult(findings, located, source.frames)
            if then is not None and not result.rejected:
                then(source, result)
            return result
    except Exception as error:  # noqa: BLE001 (one capture must not end a night)
        return LocateResult((rejection(error),))


def _nobody_plays(task: LocateTask, source: Source) -> tuple[Finding, ...]:
    """Tell stand-by from another performance, as far as the DI is long."""
    frames = min(source.frames, task.di.frames)
    return judge_steadiness(frame_power(source.read(0, frames), source.sample_rate_hz))


def _flaws(task: LocateTask, source: Source, located: Located) -> tuple[Finding, ...]:
    """Look for flat tops and drop-outs in the file's own samples beside the DI."""
    start = located.latency.samples / source.sample_rate_hz
    seconds = task.di.frames / task.di.sample_rate_hz
    rate = source.native_rate_hz
    first, last = max(0, int(start * rate)), int((start + seconds) * rate)
    if rate == source.sample_rate_hz:
        samples = source.read(first, max(0, min(last, source.frames) - first))
        return judge_samples(samples, rate, first / rate)
    native = SourceSpec(task.source.path, task.source.channel, rate)
    with open_source(native) as own:
        samples = own.read(first, max(0, min(last, own.frames) - first))
    return judge_samples(samples, rate, first / rate)
