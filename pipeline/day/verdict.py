"""Is this file usable? Everything about one file that decides whether mics may move."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.day.naming import read_name
from pipeline.dsp.activity import frame_power
from pipeline.dsp.linearity import capture_spectra
from pipeline.errors import AudioError
from pipeline.files.audio import probe
from pipeline.models.record import Finding, Latency
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiMaterial, DiSpec, load_di
from pipeline.stages.evidence import judge_bleed, judge_gate, judge_samples
from pipeline.stages.faults import Symptoms, judge_measures
from pipeline.stages.latency import locate
from pipeline.stages.measure import Measured, measure, narrowed
from pipeline.stages.read import (
    Source,
    SourceSpec,
    judge_source,
    open_source,
    refusal,
)

Usable = Literal["yes", "doubtful", "no"]
DEAD_CHANNEL = "silent"
_MENDABLE = frozenset({"clipped", "jump", "gate", "bleed", "hum", "noisy", "truncated"})
"""Faults that a new take mends; the others are told, but do not ask for one."""


@dataclass(frozen=True, slots=True)
class VerdictTask:
    """A file to be judged.

    Parameters
    ----------
    di : DiSpec
        The DI.
    path : Path
        The file.
    """

    di: DiSpec
    path: Path


@dataclass(frozen=True, slots=True)
class Heard:
    """One channel, judged.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.
    channels : int
        How many the file has.
    findings : tuple of Finding
        The worst first.
    sample_rate_hz : int
        The DI's rate.
    latency : Latency or None
        None where nothing was found.
    level_dbfs, noise_dbfs, brightness_hz, peak_dbfs : float or None
        While the DI plays; while it is silent; centroid; maximum true peak.
    """

    path: Path
    channel: int
    channels: int
    findings: tuple[Finding, ...]
    sample_rate_hz: int
    latency: Latency | None = None
    level_dbfs: float | None = None
    noise_dbfs: float | None = None
    brightness_hz: float | None = None
    peak_dbfs: float | None = None

    @property
    def usable(self) -> Usable:
        """Whether the microphone may move."""
        if any(finding.severity == "reject" for finding in self.findings):
            return "no"
        doubts = (f for f in self.findings if f.severity == "warn")
        return "doubtful" if any(f.code in _MENDABLE for f in doubts) else "yes"

    @property
    def label(self) -> str:
        """Name of the channel for a person."""
        return self.path.name + (f" [{self.channel}]" if self.channels > 1 else "")

    @property
    def track(self) -> tuple[str, int]:
        """The same for every pass of one microphone: name without its number."""
        return read_name(self.path.stem, None).rest, self.channel


def judge_file(task: VerdictTask) -> tuple[Heard, ...]:
    """Judge every channel of a file.

    Parameters
    ----------
    task : VerdictTask
        What to judge.

    Returns
    -------
    tuple of Heard
        One a channel; one that says why when the file cannot be read. A silent
        channel beside a sounding one is an unused input and is left out.
    """
    rate = task.di.sample_rate_hz
    try:
        channels = probe(task.path).channels
        heard = [_channel(task, number + 1, channels) for number in range(channels)]
    except AudioError as error:
        return (Heard(task.path, 1, 1, (refusal(error),), rate),)
    sounding = [one for one in heard if not _dead(one)]
    return tuple(sounding or heard[:1])


def _dead(heard: Heard) -> bool:
    return any(finding.code == DEAD_CHANNEL for finding in heard.findings)


def _channel(task: VerdictTask, channel: int, channels: int) -> Heard:
    spec = SourceSpec(task.path, channel, task.di.sample_rate_hz)
    with open_source(spec) as source:
        source.keep(max(source.frames, 1))
        source.scan()
        bare = Heard(
            task.path, channel, channels, judge_source(source), task.di.sample_rate_hz
        )
        if bare.usable == "no":
            return bare
        return _judge(task.di, source, bare)


def _judge(di: DiSpec, source: Source, bare: Heard) -> Heard:
    material = load_di(di)
    located = locate(material.reference, source)
    findings = (*bare.findings, *located.findings)
    latency = located.latency
    if any(finding.severity == "reject" for finding in located.findings):
        return _heard(bare, findings, latency)
    samples = cut_to_di(
        source,
        latency.samples,
        frames=di.frames,
        sample_rate_hz=di.sample_rate_hz,
        jumps=latency.jumps,
    )
    held = (
        max(0, int(np.ceil(-latency.samples))),
        min(di.frames, int(source.frames - latency.samples)),
    )
    measured = measure(material, samples, di.sample_rate_hz, held=held)
    findings = (
        *findings,
        *_native_findings(bare),
        *_paired_findings(material, samples, di, (held, latency)),
        *_level_findings(measured),
    )
    return _heard(bare, findings, latency, measured)


def _native_findings(bare: Heard) -> tuple[Finding, ...]:
    """Judge the samples as they stand in the file."""
    native = probe(bare.path).sample_rate_hz
    with open_source(SourceSpec(bare.path, bare.channel, native)) as source:
        return judge_samples(source.read(0, source.frames), native)


def _paired_findings(
    material: DiMaterial,
    samples: NDArray[np.float32],
    di: DiSpec,
    place: tuple[tuple[int, int], Latency],
) -> tuple[Finding, ...]:
    (first, last), latency = place
    rate = di.sample_rate_hz
    span = slice(first, last)
    powers = [frame_power(x[span], rate) for x in (material.samples, samples)]
    found = judge_gate(powers[0], powers[1], first / rate)
    cross = capture_spectra(
        material.spectra, samples, narrowed(material, rate, (first, last))
    )
    if cross is not None:
        found = (*found, *judge_bleed(cross, latency.samples))
    return found


def _level_findings(measured: Measured) -> tuple[Finding, ...]:
    return judge_measures(
        Symptoms(
            measurable=measured.measurable,
            music_dbfs=measured.music_dbfs,
            noise_dbfs=measured.metrics.get("noise_dbfs"),
            hum_db=measured.metrics.get("hum_db"),
            hum_hz=measured.hum_hz,
        )
    )


def _heard(
    bare: Heard,
    findings: Sequence[Finding],
    latency: Latency,
    measured: Measured | None = None,
) -> Heard:
    order = {"reject": 0, "warn": 1, "note": 2}
    return Heard(
        bare.path,
        bare.channel,
        bare.channels,
        tuple(sorted(findings, key=lambda finding: order[finding.severity])),
        bare.sample_rate_hz,
        latency,
        measured.music_dbfs if measured else None,
        measured.metrics.get("noise_dbfs") if measured else None,
        measured.metrics.get("brightness_hz") if measured else None,
        measured.true_peak_dbtp if measured else None,
    )
