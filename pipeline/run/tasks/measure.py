"""Cut one capture to the DI and measure it before any gain."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S
from pipeline.models.record import Finding
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.run.tasks.rejection import rejection
from pipeline.stages.beside_di import judge_bleed, judge_levels
from pipeline.stages.di import DiMaterial, load_di
from pipeline.stages.faults import Symptoms, judge_measures
from pipeline.stages.measure import Measured, Observed, measure, observe


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


def measure_capture(
    task: MeasureTask,
    then: Callable[[NDArray[np.float32], MeasureResult], None] | None = None,
) -> MeasureResult:
    """Cut one capture to the DI, measure it and leave its samples.

    Parameters
    ----------
    task : MeasureTask
        What to measure.
    then : callable, optional
        Told of the samples and their measures, while they are in memory.

    Returns
    -------
    MeasureResult
        Measures before any gain, and findings; an error is one too, but for those
        that `rejection` raises again.
    """
    try:
        samples = cut_capture(task.cut)
        result = measure_samples(task, samples)
        if then is not None:
            then(samples, result)
    except Exception as error:  # noqa: BLE001 (one capture must not end a night)
        return MeasureResult(None, (rejection(error),))
    return result


def measure_samples(task: MeasureTask, samples: NDArray[np.float32]) -> MeasureResult:
    """Measure one capture that was cut to the DI.

    Parameters
    ----------
    task : MeasureTask
        How it was cut.
    samples : ndarray of float32, shape (DI's frames,)
        What was cut.

    Returns
    -------
    MeasureResult
        Measures before any gain, and findings.
    """
    cut = task.cut
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
