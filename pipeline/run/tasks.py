"""The units of work: pure functions of files and settings, safe to send anywhere.

A failure that belongs to one capture comes back as a finding of that capture.
"""

from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S, frame_power
from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.dsp.mix import blend
from pipeline.errors import AudioError
from pipeline.files.audio import sha256_of
from pipeline.files.bench import leave_samples, left_samples
from pipeline.files.bext import BextFields
from pipeline.files.opening import signature_of
from pipeline.models.record import DiResult, Finding, Jump, Output, Polarity
from pipeline.report.listening import listening_samples
from pipeline.stages.beside_di import judge_bleed, judge_levels, judge_steadiness
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiMaterial, DiSpec, load_di
from pipeline.stages.evidence import judge_di, judge_samples
from pipeline.stages.faults import Symptoms, judge_measures
from pipeline.stages.latency import Located, locate
from pipeline.stages.measure import (
    Measured,
    Observed,
    measure,
    measure_di,
    observe,
)
from pipeline.stages.output import write_output
from pipeline.stages.read import Source, SourceSpec, judge_source, open_source, refusal
from pipeline.stages.relate import Relation, relate
from pipeline.units import ROOM_TEMPERATURE_C

_KEPT_DIS = 2
_KEPT_S = 60.0
"""A capture is held in memory while it is judged if it is not longer than twice the
DI and a minute: longer ones are searched block by block on the disk."""


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What a source file holds, in 64 digits.

    Parameters
    ----------
    sha256 : str or None
        None when it cannot be read.
    findings : tuple of Finding
        Why not.
    seen : tuple of int or None
        Size and time of change before it was read.
    """

    sha256: str | None
    findings: tuple[Finding, ...] = ()
    seen: tuple[int, int] | None = None


def fingerprint(path: Path) -> Fingerprint:
    """Hash a source file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Fingerprint
        Its hash, or why there is none.
    """
    seen = signature_of(path)
    try:
        return Fingerprint(sha256_of(path), seen=seen)
    except AudioError as error:
        return Fingerprint(None, (refusal(error),))


@dataclass(frozen=True, slots=True)
class DescribeTask:
    """Measure the DI itself.

    Parameters
    ----------
    di : DiSpec
        The DI.
    sha256 : str
        Of its file.
    """

    di: DiSpec
    sha256: str


def describe_di(task: DescribeTask) -> DiResult:
    """Measure the DI itself.

    Parameters
    ----------
    task : DescribeTask
        The DI.

    Returns
    -------
    DiResult
        For the record; its file is named by whoever knows the manifest.
    """
    material = load_di(task.di)
    result = measure_di(material, task.di, task.sha256)
    rate = task.di.sample_rate_hz
    findings = judge_di(material.samples, rate, task.di.start / rate)
    return result.model_copy(update={"findings": findings})


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
            return LocateResult(findings, located, source.frames)
    except AudioError as error:
        return LocateResult((refusal(error),))


def _nobody_plays(task: LocateTask, source: Source) -> tuple[Finding, ...]:
    """Tell stand-by from another performance, as far as the DI is long."""
    frames = min(source.frames, task.di.frames)
    return judge_steadiness(frame_power(source.read(0, frames), source.sample_rate_hz))


def _flaws(task: LocateTask, source: Source, located: Located) -> tuple[Finding, ...]:
    """Look for flat tops and drop-outs in the file's own samples beside the DI."""
    start = located.latency.samples / source.sample_rate_hz
    seconds = task.di.frames / task.di.sample_rate_hz
    rate = source.native_rate_hz
    first, frames = max(0, int(start * rate)), int(seconds * rate)
    if rate == source.sample_rate_hz:
        samples = source.read(first, min(frames, source.frames - first))
        return judge_samples(samples, rate, first / rate)
    native = SourceSpec(task.source.path, task.source.channel, rate)
    with open_source(native) as own:
        samples = own.read(first, max(0, min(frames, own.frames - first)))
    return judge_samples(samples, rate, first / rate)


@dataclass(frozen=True, slots=True)
class LoopResult:
    """What became of the loopback recording.

    Parameters
    ----------
    samples : float or None
        Delay of the electronics; None where it is not this DI.
    polarity : {1, -1} or None
        Their sign.
    findings : tuple of Finding
        Why it cannot be used.
    """

    samples: float | None
    polarity: Polarity | None
    findings: tuple[Finding, ...]


def locate_loopback(task: LocateTask) -> LoopResult:
    """Find the loopback recording: a cable is linear, so it is related like a mic.

    Parameters
    ----------
    task : LocateTask
        The loopback recording as a capture of the DI.

    Returns
    -------
    LoopResult
        Delay of the electronics alone.
    """
    found = locate_capture(task)
    if found.rejected or found.located is None:
        return LoopResult(None, None, found.findings)
    latency = found.located.latency
    whole = float(round(latency.samples))
    material = load_di(task.di)
    relation = relate(
        ("DI", "loopback"),
        (
            material.samples,
            cut_capture(Cut(task.di, task.source, whole, 0.0, (), None)),
        ),
        task.di.sample_rate_hz,
        quiet=material.quiet_samples(),
        temperature_c=ROOM_TEMPERATURE_C,
    )
    if relation is None:
        return LoopResult(latency.samples, latency.polarity, ())
    return LoopResult(whole + relation.delay_samples, relation.polarity, ())


@dataclass(frozen=True, slots=True)
class Cut:
    """A capture on the DI's frames: where its samples come from.

    Parameters
    ----------
    di : DiSpec
        The DI.
    source : SourceSpec
        The capture.
    shift_samples : float
        Lag to take out.
    drift_ppm : float
        Drift to take out.
    jumps : tuple of Jump
        Jumps to take out.
    bench : Path or None
        Where the samples are left for the tasks that follow; None leaves nothing.
    """

    di: DiSpec
    source: SourceSpec
    shift_samples: float
    drift_ppm: float
    jumps: tuple[Jump, ...]
    bench: Path | None


def cut_capture(cut: Cut) -> NDArray[np.float32]:
    """Take a capture's samples from the bench, or cut them from its source.

    Parameters
    ----------
    cut : Cut
        Where they come from.

    Returns
    -------
    ndarray of float32, shape (DI's frames,)
        Before gain; not to be written to. An `AudioError` says why there are none.
    """
    if cut.bench is not None and (left := left_samples(cut.bench)) is not None:
        return left
    with open_source(cut.source) as source:
        samples = cut_to_di(
            source,
            cut.shift_samples,
            frames=cut.di.frames,
            sample_rate_hz=cut.di.sample_rate_hz,
            drift_ppm=cut.drift_ppm,
            jumps=cut.jumps,
        )
    if cut.bench is not None:
        leave_samples(cut.bench, samples)
    return samples


@dataclass(frozen=True, slots=True)
class MeasureTask:
    """Cut one capture to the DI and measure it.

    Parameters
    ----------
    cut : Cut
        Where its samples come from.
    frames : int
        Length of the capture at the DI's rate.
    """

    cut: Cut
    frames: int


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
    cut = task.cut
    try:
        samples = cut_capture(cut)
    except AudioError as error:
        return MeasureResult(None, (refusal(error),))
    held = (
        max(0, int(np.ceil(-cut.shift_samples))),
        min(cut.di.frames, int(task.frames - cut.shift_samples)),
    )
    material, rate = load_di(cut.di), cut.di.sample_rate_hz
    observed = observe(material, samples, rate, held=held)
    measured = measure(material, samples, rate, observed)
    symptoms = Symptoms(
        measurable=measured.measurable,
        music_dbfs=measured.music_dbfs,
        noise_dbfs=measured.metrics.get("noise_dbfs"),
        hum_db=measured.metrics.get("hum_db"),
        hum_hz=measured.hum_hz,
        noise=observed.spectra.noise if observed.spectra else None,
        true_peak_dbtp=measured.true_peak_dbtp,
    )
    found = (*judge_measures(symptoms), *_hidden(material, observed, rate))
    if observed.spectra is not None:
        found = (*found, *judge_bleed(observed.spectra, cut.shift_samples))
    return MeasureResult(measured, found)


def _hidden(
    material: DiMaterial, observed: Observed, sample_rate_hz: int
) -> tuple[Finding, ...]:
    """Look for a gate and stand-by where the capture has samples of its own."""
    frame = FRAME_S * sample_rate_hz
    first = int(np.ceil(observed.held[0] / frame))
    last = int(observed.held[1] / frame)
    return judge_levels(
        material.power[first:last], observed.power[first:last], first * FRAME_S
    )


@dataclass(frozen=True, slots=True)
class RelateTask:
    """Relate the microphones of one pass.

    Parameters
    ----------
    cuts : tuple of (str, Cut)
        Ids and samples, all with one shift.
    temperature_c : float
        Air temperature.
    """

    cuts: tuple[tuple[str, Cut], ...]
    temperature_c: float


@dataclass(frozen=True, slots=True)
class RelateResult:
    """What became of a `RelateTask`.

    Parameters
    ----------
    relations : tuple of Relation
        Of every two that share a usable band.
    """

    relations: tuple[Relation, ...]


def relate_pass(task: RelateTask) -> RelateResult:
    """Relate the microphones of one pass.

    Parameters
    ----------
    task : RelateTask
        The pass.

    Returns
    -------
    RelateResult
        Every two of them. A source that cannot be read any more is left out; its own
        measuring says so.
    """
    samples: dict[str, NDArray[np.float32]] = {}
    for id_, cut in task.cuts:
        with suppress(AudioError):
            samples[id_] = cut_capture(cut)
    cut = task.cuts[0][1]
    quiet = load_di(cut.di).quiet_samples()
    relations = (
        relate(
            (a, b),
            (samples[a], samples[b]),
            cut.di.sample_rate_hz,
            quiet=quiet,
            temperature_c=task.temperature_c,
        )
        for a, b in combinations(samples, 2)
    )
    return RelateResult(tuple(found for found in relations if found is not None))


@dataclass(frozen=True, slots=True)
class Part:
    """One microphone of a blend.

    Parameters
    ----------
    cut : Cut
        Its samples.
    gain_db : float
        Before gain to the session's level.
    polarity : {1, -1}
        -1 inverts it.
    lag_samples : float
        By how much it is moved earlier.
    """

    cut: Cut
    gain_db: float
    polarity: Polarity
    lag_samples: float


@dataclass(frozen=True, slots=True)
class BlendTask:
    """Sum microphones and measure the sum.

    Parameters
    ----------
    parts : tuple of Part
        What is summed.
    bench : Path or None
        Where the sum is left.
    """

    parts: tuple[Part, ...]
    bench: Path | None


def sum_parts(task: BlendTask) -> NDArray[np.float32]:
    """Take a blend's samples from the bench, or sum them.

    Parameters
    ----------
    task : BlendTask
        What is summed.

    Returns
    -------
    ndarray of float32, shape (DI's frames,)
        Before gain. An `AudioError` says why there are none.
    """
    if task.bench is not None and (left := left_samples(task.bench)) is not None:
        return left
    total = blend(
        [cut_capture(part.cut) for part in task.parts],
        [part.gain_db for part in task.parts],
        [part.polarity for part in task.parts],
        [part.lag_samples for part in task.parts],
    )
    if task.bench is not None:
        leave_samples(task.bench, total)
    return total


def measure_blend(task: BlendTask) -> MeasureResult:
    """Sum microphones and measure the sum like a capture.

    Parameters
    ----------
    task : BlendTask
        What is summed.

    Returns
    -------
    MeasureResult
        Measures before the session's gain.
    """
    try:
        samples = sum_parts(task)
    except AudioError as error:
        return MeasureResult(None, (refusal(error),))
    di = task.parts[0].cut.di
    whole = (0, di.frames)
    material, rate = load_di(di), di.sample_rate_hz
    observed = observe(material, samples, rate, held=whole)
    return MeasureResult(measure(material, samples, rate, observed), ())


def _take(samples: "Cut | BlendTask | DiSpec") -> NDArray[np.float32]:
    if isinstance(samples, DiSpec):
        return _read_di(samples)
    return cut_capture(samples) if isinstance(samples, Cut) else sum_parts(samples)


def _read_di(di: DiSpec) -> NDArray[np.float32]:
    seen = di.size_bytes, di.modified_ns
    spec = SourceSpec(di.path, di.channel, di.sample_rate_hz, seen)
    with open_source(spec) as source:
        return source.read(0, di.frames)


@dataclass(frozen=True, slots=True)
class WriteTask:
    """Write one levelled file.

    Parameters
    ----------
    samples : Cut, BlendTask or DiSpec
        Where its samples come from.
    sample_rate_hz : int
        The DI's rate.
    gain_db : float
        The one static gain.
    path : Path
        Where to write.
    relative : str
        The same, as the record names it.
    bext : BextFields
        Description, time reference and loudness.
    listen : Path
        Where the copy goes that the page loads.
    """

    samples: Cut | BlendTask | DiSpec
    sample_rate_hz: int
    gain_db: float
    path: Path
    relative: str
    bext: BextFields
    listen: Path


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
    # Writing needs nothing of the DI: what was held for measuring makes room.
    load_di.cache_clear()
    return write_output(
        _take(task.samples),
        task.gain_db,
        task.path,
        relative=task.relative,
        sample_rate_hz=task.sample_rate_hz,
        bext=task.bext,
        wrap=partial(listening_samples, task.relative, rate=task.sample_rate_hz),
        listen=task.listen,
    )
