"""A capture at which the program itself fails, while the night goes on."""

from collections.abc import Iterable

from pipeline.files.bug import keep_trace
from pipeline.models.record import Finding

CODE = "bug"


def bug(error: Exception) -> Finding:
    """Turn an error that nobody foresaw into a rejection of the capture in hand.

    Parameters
    ----------
    error : Exception
        What was raised. Its trace is kept in a file.

    Returns
    -------
    Finding
        Names the file.
    """
    return Finding(
        code=CODE,
        severity="reject",
        message=f"A bug in reamps: {error!r}. The details are in {keep_trace(error)}",
        fix="Report it with that file. The rest of the night is not touched by it.",
    )


def sound(findings: Iterable[Finding]) -> bool:
    """Tell whether a kept result still holds: one of a bug is tried again.

    Parameters
    ----------
    findings : iterable of Finding
        The result's.

    Returns
    -------
    bool
        Whether no bug is among them.
    """
    return all(finding.code != CODE for finding in findings)
