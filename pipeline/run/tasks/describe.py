"""Measure the DI itself."""

from dataclasses import dataclass

from pipeline.models.record import DiResult
from pipeline.stages.di import DiSpec, load_di
from pipeline.stages.evidence import judge_di
from pipeline.stages.measure import measure_di


@dataclass(frozen=True, slots=True)
class DescribeTask:
    """Measure the DI itself.

    Parameters
    ----------
    di : DiSpec
        The DI.
    sha256 : str
        Of its file.
    """

    di: DiSpec
    sha256: str


def describe_di(task: DescribeTask) -> DiResult:
    """Measure the DI itself.

    Parameters
    ----------
    task : DescribeTask
        The DI.

    Returns
    -------
    DiResult
        For the record; its file is named by whoever knows the manifest. A
        `ReampsError` says why it cannot be used.
    """
    material = load_di(task.di)
    result = measure_di(material, task.di, task.sha256)
    rate = task.di.sample_rate_hz
    findings = judge_di(material.samples, rate, task.di.start / rate)
    return result.model_copy(update={"findings": findings})
