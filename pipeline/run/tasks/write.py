"""Write one levelled file: a capture, a sum or the DI."""

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.bext import BextFields
from pipeline.models.record import Output
from pipeline.report.listening import listening_samples
from pipeline.run.tasks.blend import BlendTask, sum_parts
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.stages.di import DiSpec, load_di
from pipeline.stages.output import write_output
from pipeline.stages.read import SourceSpec, open_source


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
        The one static gain; negative for softer.
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
        Where it is, and its hash. An `OutputError` says why it could not be written,
        an `AudioError` why there are no samples.
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


def _take(samples: "Cut | BlendTask | DiSpec") -> NDArray[np.float32]:
    if isinstance(samples, DiSpec):
        return _read_di(samples)
    return cut_capture(samples) if isinstance(samples, Cut) else sum_parts(samples)


def _read_di(di: DiSpec) -> NDArray[np.float32]:
    seen = di.size_bytes, di.modified_ns
    spec = SourceSpec(di.path, di.channel, di.sample_rate_hz, seen)
    with open_source(spec) as source:
        return source.read(0, di.frames)
