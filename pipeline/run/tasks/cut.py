"""Take a capture's samples on the DI's frames, from the bench or its source."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.bench import leave_samples, left_samples
from pipeline.models.record import Jump
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiSpec
from pipeline.stages.read import SourceSpec, open_source


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
        Lag to take out, at the DI's rate; positive where the capture is late.
    drift_ppm : float
        Drift to take out; positive where the lag grows, as `Latency` has it.
    jumps : tuple of Jump
        Jumps to take out, as `Latency` has them.
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
        Before gain, full scale 1, zero where the capture has nothing; not to be
        written to. An `AudioError` says why there are none, an `OutputError` why they
        could not be left.
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
