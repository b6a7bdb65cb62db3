"""The units of work: pure functions of files and settings, safe to send anywhere.

A failure that belongs to one capture comes back as a finding of that capture.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.errors import AudioError
from pipeline.files.audio import sha256_of
from pipeline.files.bext import BextFields
from pipeline.models.record import DiResult, Finding, Latency, Output
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiSpec, load_di
from pipeline.stages.faults import Symptoms, judge_measures
from pipeline.stages.latency import Located, drift_to_correct, locate
from pipeline.stages.measure import Measured, measure, measure_di
from pipeline.stages.output import write_output
from pipeline.stages.read import SourceSpec, judge_source, open_source, refusal

_KEPT_DIS = 2
_KEPT_S = 60.0
"""A capture is held in memory while it is judged if it is not longer than twice the
DI and a minute: longer ones are searched block by block on the disk."""


def describe_di(spec: DiSpec) -> DiResult:
    """Measure the DI itself.

    Parameters
    ----------
    spec : DiSpec
        The DI.

    Returns
    -------
    DiResult
        For the record; its file is named by whoever knows the manifest.
    """
    material = load_di(spec)
    return measure_di(material, spec, sha256_of(spec.path))


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
    sha256 : str or None
        Of the source file.
    frames : int
        Length of the capture at the DI's rate.
    """

    findings: tuple[Finding, ...]
    located: Located | None = None
    sha256: str | None = None
    frames: int = 0

    @property
    def rejected(self) -> bool:
        """Whether the capture is out."""
        return any(finding.severity == "reject" for finding in self.findings)


def locate_capture(task: LocateTask) -> LocateResult:
    """Judge one capture and find it on the DI's time.

    Parameters
    ----------
    task : LocateTask
        What to judge.

    Returns
    -------
    LocateResult
        Findings and lag.
    """
    material = load_di(task.di)
    try:
        sha256 = sha256_of(task.source.path)
        with open_source(task.source) as source:
            source.keep(
                _KEPT_DIS * task.di.frames + int(_KEPT_S * source.sample_rate_hz)
            )
            source.scan()
            findings = judge_source(source)
            if any(finding.severity == "reject" for finding in findings):
                return LocateResult(findings, None, sha256, source.frames)
            located = locate(
                material.reference,
                source,
                front_end=task.front_end,
                expected=task.expected,
            )
            return LocateResult(
                (*findings, *located.findings), located, sha256, source.frames
            )
    except AudioError as error:
        return LocateResult((refusal(error),))


@dataclass(frozen=True, slots=True)
class MeasureTask:
    """Cut one capture to the DI and measure it.

    Parameters
    ----------
    di : DiSpec
        The DI.
    source : SourceSpec
        The capture.
    latency : Latency
        Its drift and jumps.
    shift_samples : float
        Lag to take out.
    frames : int
        Length of the capture at the DI's rate.
    aligned : Path or None
        Where to leave the aligned samples for the tasks that follow; None leaves
        nothing on the disk.
    """

    di: DiSpec
    source: SourceSpec
    latency: Latency
    shift_samples: float
    frames: int
    aligned: Path | None


@dataclass(frozen=True, slots=True)
class MeasureResult:
    """What became of a `MeasureTask`.

    Parameters
    ----------
    measured : Measured or None
        None when it failed after all.
    findings : tuple of Finding
        What measuring found.
    """

    measured: Measured | None
    findings: tuple[Finding, ...]


def measure_capture(task: MeasureTask) -> MeasureResult:
    """Cut one capture to the DI, measure it and leave its samples.

    Parameters
    ----------
    task : MeasureTask
        What to measure.

    Returns
    -------
    MeasureResult
        Measures before any gain, and findings.
    """
    material = load_di(task.di)
    rate = task.di.sample_rate_hz
    try:
        with open_source(task.source) as source:
            samples = cut_to_di(
                source,
                task.shift_samples,
                frames=task.di.frames,
                sample_rate_hz=rate,
                drift_ppm=drift_to_correct(
                    task.latency.drift_ppm, task.di.frames / rate
                ),
                jumps=task.latency.jumps,
            )
    except AudioError as error:
        return MeasureResult(None, (refusal(error),))
    first = max(0, int(np.ceil(-task.shift_samples)))
    last = min(task.di.frames, int(task.frames - task.shift_samples))
    measured = measure(material, samples, rate, held=(first, last))
    if task.aligned is not None:
        samples.tofile(task.aligned)
    symptoms = Symptoms(
        measurable=measured.measurable,
        music_dbfs=measured.music_dbfs,
        noise_dbfs=measured.metrics.get("noise_dbfs"),
        hum_db=measured.metrics.get("hum_db"),
        hum_hz=measured.hum_hz,
    )
    return MeasureResult(measured, judge_measures(symptoms))


def load_aligned(path: Path) -> NDArray[np.float32]:
    """Open aligned samples that an earlier task left.

    Parameters
    ----------
    path : Path
        Where they lie.

    Returns
    -------
    ndarray of float32
        Mapped, not read.
    """
    return np.memmap(path, dtype=np.float32, mode="r")


@dataclass(frozen=True, slots=True)
class WriteTask:
    """Write one levelled file.

    Parameters
    ----------
    aligned : Path
        Samples before gain.
    gain_db : float
        The one static gain.
    sample_rate_hz : int
        The DI's rate.
    path : Path
        Where to write.
    relative : str
        The same, as the record names it.
    bext : BextFields
        Description, time reference and loudness.
    """

    aligned: Path
    gain_db: float
    sample_rate_hz: int
    path: Path
    relative: str
    bext: BextFields


def write_capture(task: WriteTask) -> Output:
    """Write one levelled file.

    Parameters
    ----------
    task : WriteTask
        What to write.

    Returns
    -------
    Output
        Where it is, and its hash.
    """
    return write_output(
        load_aligned(task.aligned),
        task.gain_db,
        task.path,
        relative=task.relative,
        sample_rate_hz=task.sample_rate_hz,
        bext=task.bext,
    )
