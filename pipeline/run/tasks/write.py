"""Write one levelled file: a capture, a sum or the DI."""

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.bext import BextFields
from pipeline.models.record import LoudnessResult, Output
from pipeline.report.listening import listening_file, listening_samples
from pipeline.run.tasks.blend import BlendTask, sum_parts
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.stages.di import DiSpec
from pipeline.stages.output import describe_output, write_output
from pipeline.stages.read import SourceSpec, open_source


@dataclass(frozen=True, slots=True)
class OutputFile:
    """Where an output goes, and what is said in it.

    Parameters
    ----------
    title : str
        What it is, in words.
    folder : Path
        The run's folder.
    relative : str
        Its path in it, as the record names it.
    sample_rate_hz : int
        The DI's rate.
    origin : BextFields or None
        The DI's own extension.
    """

    title: str
    folder: Path
    relative: str
    sample_rate_hz: int
    origin: BextFields | None

    @property
    def path(self) -> Path:
        """Where it goes."""
        return self.folder / self.relative

    @property
    def listen(self) -> Path:
        """Where the copy goes that the page loads."""
        return self.folder / listening_file(self.relative)


@dataclass(frozen=True, slots=True)
class WriteTask:
    """Write one levelled file.

    Parameters
    ----------
    samples : Cut, BlendTask or DiSpec
        Where its samples come from.
    file : OutputFile
        Where it goes.
    loudness : LoudnessResult
        Before and after the one static gain.
    """

    samples: Cut | BlendTask | DiSpec
    file: OutputFile
    loudness: LoudnessResult

    @property
    def bext(self) -> BextFields:
        """Description, time reference and loudness."""
        file = self.file
        return describe_output(
            file.title, self.loudness, file.sample_rate_hz, file.origin
        )


def write_capture(task: WriteTask) -> Output:
    """Write one levelled file.

    Parameters
    ----------
    task : WriteTask
        What to write.

    Returns
    -------
    Output
        Where it is, and its hash. An `OutputError` says why it could not be written,
        an `AudioError` why there are no samples.
    """
    return write_samples(task, _take(task.samples), task.file.path, task.file.listen)


def write_samples(
    task: WriteTask, samples: NDArray[np.float32], path: Path, listen: Path
) -> Output:
    """Write one levelled file, and its listening copy, to wherever it is wanted.

    Parameters
    ----------
    task : WriteTask
        What to write.
    samples : ndarray of float32, shape (frames,)
        Before gain, full scale 1.
    path, listen : Path
        Where the file and the copy go.

    Returns
    -------
    Output
        As if it were in its own place. An `OutputError` says why it could not be
        written.
    """
    file = task.file
    return write_output(
        samples,
        task.loudness.gain_db,
        path,
        relative=file.relative,
        sample_rate_hz=file.sample_rate_hz,
        bext=task.bext,
        wrap=partial(listening_samples, file.relative, rate=file.sample_rate_hz),
        listen=listen,
    )


def _take(samples: "Cut | BlendTask | DiSpec") -> NDArray[np.float32]:
    if isinstance(samples, DiSpec):
        return _read_di(samples)
    return cut_capture(samples) if isinstance(samples, Cut) else sum_parts(samples)


def _read_di(di: DiSpec) -> NDArray[np.float32]:
    seen = di.size_bytes, di.modified_ns
    spec = SourceSpec(di.path, di.channel, di.sample_rate_hz, seen)
    with open_source(spec) as source:
        return source.read(di.start, di.frames)
