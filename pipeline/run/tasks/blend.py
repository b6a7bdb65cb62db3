"""Sum microphones and measure the sum like a capture."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.mix import blend
from pipeline.errors import AudioError
from pipeline.files.bench import leave_samples, left_samples
from pipeline.models.record import Polarity
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.run.tasks.measure import MeasureResult
from pipeline.stages.di import load_di
from pipeline.stages.measure import measure, observe
from pipeline.stages.read import refusal


@dataclass(frozen=True, slots=True)
class Part:
    """One microphone of a blend.

    Parameters
    ----------
    cut : Cut
        Its samples.
    gain_db : float
        On top of the gain to the session's level, which the sum gets; negative for
        softer.
    polarity : {1, -1}
        -1 inverts it.
    lag_samples : float
        By how much it is moved earlier, at the DI's rate.
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
        Before the session's gain, full scale 1. An `AudioError` says why there are
        none, an `OutputError` why they could not be left.
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
