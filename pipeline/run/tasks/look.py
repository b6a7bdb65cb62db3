"""Look at a source file: what does it hold, in 64 digits?"""

from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import AudioError
from pipeline.files.audio import sha256_of
from pipeline.files.opening import signature_of
from pipeline.models.record import Finding
from pipeline.stages.read import refusal


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What a source file holds, in 64 digits.

    Parameters
    ----------
    sha256 : str or None
        None when it cannot be read.
    findings : tuple of Finding
        Why not.
    seen : tuple of int or None
        Size and time of change before it was read.
    """

    sha256: str | None
    findings: tuple[Finding, ...] = ()
    seen: tuple[int, int] | None = None


def fingerprint(path: Path) -> Fingerprint:
    """Hash a source file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Fingerprint
        Its hash, or why there is none.
    """
    seen = signature_of(path)
    try:
        return Fingerprint(sha256_of(path), seen=seen)
    except AudioError as error:
        return Fingerprint(None, (refusal(error),))
