"""Take a capture's samples on the DI's frames, from the bench or its source."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.bench import leave_samples, left_samples
from pipeline.models.record import Jump, Latency
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiSpec
from pipeline.stages.latency import drift_to_correct
from pipeline.stages.read import Source, SourceSpec, open_source


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


def cut_of(
    di: DiSpec,
    source: SourceSpec,
    latency: Latency,
    *,
    shift_samples: float | None = None,
    bench: Path | None = None,
) -> Cut:
    """Say how a capture is cut.

    Parameters
    ----------
    di, source : DiSpec, SourceSpec
        The DI and the capture.
    latency : Latency
        What was found of it.
    shift_samples : float, optional
        Lag to take out; its own by default.
    bench : Path, optional
        Where the samples are left.

    Returns
    -------
    Cut
        Without a drift that is not worth correcting.
    """
    seconds = di.frames / di.sample_rate_hz
    return Cut(
        di=di,
        source=source,
        shift_samples=latency.samples if shift_samples is None else shift_samples,
        drift_ppm=drift_to_correct(latency.drift_ppm, seconds),
        jumps=latency.jumps,
        bench=bench,
    )


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
        samples = cut_source(cut, source)
    if cut.bench is not None:
        leave_samples(cut.bench, samples)
    return samples


def cut_source(cut: Cut, source: Source) -> NDArray[np.float32]:
    """Cut a capture from its source.

    Parameters
    ----------
    cut : Cut
        How.
    source : Source
        The capture, open.

    Returns
    -------
    ndarray of float32, shape (DI's frames,)
        As from `cut_capture`.
    """
    return cut_to_di(
        source,
        cut.shift_samples,
        frames=cut.di.frames,
        sample_rate_hz=cut.di.sample_rate_hz,
        drift_ppm=cut.drift_ppm,
        jumps=cut.jumps,
    )
