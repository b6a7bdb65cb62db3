"""Work that is done while a capture is in memory, before the session asks for it.

Some things are known only when every capture is: the shift that the microphones of a
pass share, and a level that all can have. Mostly they come out as one capture and the
manifest say: a microphone alone in its pass is shifted by its own lag, and nobody's
peaks are in the way of the level that is wanted. So a worker that has found a capture
also measures it and writes it, instead of reading and cutting it three times. What it
made lies on the bench under the very task that would ask for it, and serves where the
session does ask so; otherwise it is made anew.
"""

from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from pipeline.errors import AudioError, OutputError, ReampsError
from pipeline.files.atomic import move_into
from pipeline.files.bench import bench_file, leave_text, left_text
from pipeline.models.record import DiResult, Output
from pipeline.run.tasks.cut import cut_of, cut_source
from pipeline.run.tasks.describe import DescribeTask, describe_di
from pipeline.run.tasks.locate import LocateResult, LocateTask, locate_capture
from pipeline.run.tasks.measure import (
    MeasureResult,
    MeasureTask,
    measure_capture,
    measure_samples,
)
from pipeline.run.tasks.write import OutputFile, WriteTask, write_capture, write_samples
from pipeline.stages.di import load_di
from pipeline.stages.measure import finish
from pipeline.stages.read import Source
from pipeline.stages.target import Level, decide_target, level_di

Task = TypeVar("Task")

_MEASURED = TypeAdapter(MeasureResult)
_WRITTEN = TypeAdapter(Output)


@dataclass(frozen=True, slots=True)
class Ahead:
    """What a worker needs to know to go on with one capture.

    Parameters
    ----------
    bench : Path
        Where what it makes is left.
    file : OutputFile
        Where the capture will go.
    wanted_lufs : float
        Level that is wanted.
    ceiling_dbtp : float
        Highest true peak.
    trim_db : float
        What a listener added by ear.
    alone : bool
        Whether no other microphone of its pass is in the session.
    """

    bench: Path
    file: OutputFile
    wanted_lufs: float
    ceiling_dbtp: float
    trim_db: float
    alone: bool


@dataclass(frozen=True, slots=True)
class Early(Generic[Task]):
    """A task, and what can be done early with what it holds.

    Parameters
    ----------
    task : DescribeTask, LocateTask, MeasureTask or WriteTask
        What is asked for.
    ahead : Ahead or None
        What may be asked for next; None goes no further.
    """

    task: Task
    ahead: Ahead | None


def locate_early(early: Early[LocateTask]) -> LocateResult:
    """Find one capture; measure and write it too, where it is alone in its pass.

    Parameters
    ----------
    early : Early of LocateTask
        What to judge.

    Returns
    -------
    LocateResult
        As from `locate_capture`.
    """
    task, ahead = early.task, early.ahead
    if ahead is None or not ahead.alone:
        return locate_capture(task)
    return locate_capture(task, partial(_measure_found, task, ahead))


def measure_early(early: Early[MeasureTask]) -> MeasureResult:
    """Measure one capture, unless it was measured as it was found; write it too.

    Parameters
    ----------
    early : Early of MeasureTask
        What to measure.

    Returns
    -------
    MeasureResult
        As from `measure_capture`.
    """
    task, ahead = early.task, early.ahead
    if ahead is not None and (text := left_text(_place(ahead, task))) is not None:
        return _MEASURED.validate_json(text)
    if ahead is None:
        return measure_capture(task)
    return measure_capture(task, partial(_write_measured, task, ahead))


def describe_early(early: Early[DescribeTask]) -> DiResult:
    """Measure the DI; write it too.

    Parameters
    ----------
    early : Early of DescribeTask
        The DI.

    Returns
    -------
    DiResult
        As from `describe_di`.
    """
    task, ahead = early.task, early.ahead
    result = describe_di(task)
    if ahead is not None:
        wanted = decide_target({}, ahead.wanted_lufs, ahead.ceiling_dbtp)
        writing = WriteTask(task.di, ahead.file, level_di(result, wanted))
        _write(writing, ahead, load_di(task.di).samples)
    return result


def write_early(early: Early[WriteTask]) -> Output:
    """Put one levelled file in its place, or write it where none was written yet.

    Parameters
    ----------
    early : Early of WriteTask
        What to write.

    Returns
    -------
    Output
        As from `write_capture`.
    """
    # Nobody is measured any more: what was held of the DI makes room.
    load_di.cache_clear()
    task, ahead = early.task, early.ahead
    if ahead is not None:
        place = _place(ahead, task)
        # The copy first, so that a file that is there has one.
        if (
            (text := left_text(place)) is not None
            and move_into(place.with_suffix(".js"), task.file.listen)
            and move_into(place.with_suffix(".wav"), task.file.path)
        ):
            return _WRITTEN.validate_json(text)
    return write_capture(task)


def _measure_found(
    task: LocateTask, ahead: Ahead, source: Source, found: LocateResult
) -> None:
    if found.located is None:
        return
    cut = cut_of(task.di, task.source, found.located.latency)
    measuring = MeasureTask(cut, found.frames)
    # Whatever goes wrong here is told by the task that will ask for it.
    with suppress(AudioError, OutputError):
        samples = cut_source(cut, source)
        source.let_go()
        result = measure_samples(measuring, samples)
        leave_text(_place(ahead, measuring), _MEASURED.dump_json(result))
        _write_measured(measuring, ahead, samples, result)


def _write_measured(
    task: MeasureTask,
    ahead: Ahead,
    samples: NDArray[np.float32],
    result: MeasureResult,
) -> None:
    measured = result.measured
    if measured is None or any(f.severity == "reject" for f in result.findings):
        return
    level = Level(measured.cells, measured.true_peak_dbtp, ahead.trim_db)
    try:
        target = decide_target({"": level}, ahead.wanted_lufs, ahead.ceiling_dbtp)
    except ReampsError:
        return  # told by name when the session asks for its level
    finished = finish(measured, target, ahead.trim_db)
    if finished is None or target.lowered_for is not None:
        return
    _write(WriteTask(task.cut, ahead.file, finished.loudness), ahead, samples)


def _write(writing: WriteTask, ahead: Ahead, samples: NDArray[np.float32]) -> None:
    place = _place(ahead, writing)
    with suppress(OutputError):
        output = write_samples(
            writing, samples, place.with_suffix(".wav"), place.with_suffix(".js")
        )
        leave_text(place, _WRITTEN.dump_json(output))


def _place(ahead: Ahead, task: MeasureTask | WriteTask) -> Path:
    """Name the place of what a task asks for; no other task has the same one."""
    return bench_file(ahead.bench, repr(task), ".json")
