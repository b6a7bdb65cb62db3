"""Is this file usable? Everything about one file that decides whether mics may move."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pipeline.day.naming import read_name
from pipeline.dsp.latency import FrontEnd
from pipeline.errors import AudioError
from pipeline.files.audio import probe
from pipeline.models.playout import PlayoutReading
from pipeline.models.record import Finding, Latency
from pipeline.run.around import NOTHING_PLAYED, Played
from pipeline.run.playing import PlayoutResult, marker_task, read_capture
from pipeline.run.tasks import (
    LocateResult,
    LocateTask,
    MeasureTask,
    cut_of,
    locate_capture,
    measure_capture,
)
from pipeline.stages.di import DiSpec
from pipeline.stages.measure import Measured
from pipeline.stages.read import SourceSpec, refusal

Usable = Literal["yes", "doubtful", "no"]
DEAD_CHANNEL = "silent"
_MENDABLE = frozenset(
    {"clipped", "jump", "gate", "muted", "bleed", "hum", "noisy", "truncated"}
)
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
    played : Played
        The play-out file that is recorded, if one is.
    """

    di: DiSpec
    path: Path
    played: Played = NOTHING_PLAYED


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
    playout : PlayoutReading or None
        What the markers of a play-out file tell.
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
    playout: PlayoutReading | None = None

    @property
    def late_samples(self) -> float | None:
        """Lag without what a play-out file holds ahead of the DI."""
        if self.latency is None:
            return None
        ahead = self.playout.lead_samples if self.playout else 0
        return self.latency.samples - ahead

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
        heard, front_end = [], None
        for number in range(channels):
            # One amplifier was heard by all channels: its front end is fitted once.
            one, front_end = _channel(task, number + 1, channels, front_end)
            heard.append(one)
    except AudioError as error:
        return (Heard(task.path, 1, 1, (refusal(error),), rate),)
    sounding = [one for one in heard if not _dead(one)]
    return tuple(sounding or heard[:1])


def _dead(heard: Heard) -> bool:
    return any(finding.code == DEAD_CHANNEL for finding in heard.findings)


def _channel(
    task: VerdictTask, channel: int, channels: int, front_end: FrontEnd | None
) -> tuple[Heard, FrontEnd | None]:
    """Judge a channel by the very steps that a run takes."""
    rate = task.di.sample_rate_hz
    spec = SourceSpec(task.path, channel, rate)
    found = locate_capture(LocateTask(task.di, spec, front_end))
    bare = Heard(task.path, channel, channels, found.findings, rate)
    if found.located is None:
        return bare, front_end
    front_end = found.located.front_end or front_end
    latency = found.located.latency
    if found.rejected:
        return _heard(bare, found.findings, latency), front_end
    cut = cut_of(task.di, spec, latency)
    measured = measure_capture(MeasureTask(cut, found.frames))
    markers = _markers(task, spec, found)
    findings = (*found.findings, *measured.findings, *markers.findings)
    heard = _heard(bare, findings, latency, measured.measured)
    return replace(heard, playout=markers.reading), front_end


def _markers(task: VerdictTask, spec: SourceSpec, found: LocateResult) -> PlayoutResult:
    """Read the markers of a play-out file by the very step of a run."""
    layout = task.played.layout
    if layout is None:
        return PlayoutResult(None, ())
    return read_capture(marker_task(spec, layout, found, named=task.played.named))


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
