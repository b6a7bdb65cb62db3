"""Find the loopback recording: the electronics' part of every latency."""

from dataclasses import dataclass

from pipeline.models.record import Finding, Polarity
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.run.tasks.locate import LocateTask, locate_capture
from pipeline.stages.di import load_di
from pipeline.stages.relate import relate
from pipeline.units import ROOM_TEMPERATURE_C


@dataclass(frozen=True, slots=True)
class LoopResult:
    """What became of the loopback recording.

    Parameters
    ----------
    samples : float or None
        Delay of the electronics in samples at the DI's rate, positive where the
        recording is late; None where it is not this DI.
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
