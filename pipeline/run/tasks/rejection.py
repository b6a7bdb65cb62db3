"""A capture that fails is rejected, be it by a bug, while the night goes on."""

from typing import Protocol

from pipeline.errors import AudioError, ReampsError
from pipeline.files.bug import keep_trace
from pipeline.models.record import Finding
from pipeline.stages.read import refusal

CODE = "bug"


class Found(Protocol):
    """Whatever carries findings: a result of a task, a capture of the record."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found."""


def rejection(error: Exception) -> Finding:
    """Turn an error at one capture into a rejection of that capture.

    Parameters
    ----------
    error : Exception
        What was raised. The trace of one that nobody foresaw is kept in a file.

    Returns
    -------
    Finding
        Why the file cannot be used, or that the program failed at it. Where the whole
        session cannot go on, the error itself is raised: a `ReampsError` other than
        an `AudioError`, and a `MemoryError`.
    """
    if isinstance(error, AudioError):
        return refusal(error)
    if isinstance(error, (ReampsError, MemoryError)):
        raise error
    return Finding(
        code=CODE,
        severity="reject",
        message=f"A bug in reamps: {error!r}. The details are in {keep_trace(error)}",
        fix="Report it with that file. The rest of the night is not touched by it.",
    )


def sound(found: Found) -> bool:
    """Tell whether a kept result still holds: one of a bug is tried again.

    Parameters
    ----------
    found : Found
        The result.

    Returns
    -------
    bool
        Whether no bug is among its findings.
    """
    return all(finding.code != CODE for finding in found.findings)
