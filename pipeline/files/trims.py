"""Trims by ear: what a listener added to or took from single captures.

The page saves them as trims.json: a JSON object from the id of a capture or blend to
a gain in dB. A run uses the file that lies in its folder, or the one it is given.
"""

import json
from pathlib import Path

from pipeline.errors import ReampsError

TRIMS_NAME = "trims.json"
LARGEST_DB = 12.0
_LARGEST_BYTES = 1 << 20


def read_trims(path: Path) -> dict[str, float]:
    """Read the trims of a session.

    Parameters
    ----------
    path : Path
        A file that the page saved.

    Returns
    -------
    dict of str to float
        Gain in dB by id; zeros are left out.

    Raises
    ------
    ReampsError
        If the file cannot be read, or holds something else.
    """
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            message = f"{path}: larger than 1 MiB; this is no file of trims."
            raise ReampsError(message)
        raw = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        message = f"{path}: the trims cannot be read ({error}). Save them again."
        raise ReampsError(message) from error
    if not isinstance(raw, dict):
        message = f"{path}: expected an object from ids to dB. Save the trims again."
        raise ReampsError(message)
    trims = {}
    for id_, value in raw.items():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        # The comparison is false of NaN; a whole number may be too large for a float.
        if not number or not abs(value) <= LARGEST_DB:
            message = (
                f"{path}: {id_!r}: found {json.dumps(value)[:40]}, expected a gain of "
                f"-{LARGEST_DB:.0f} to {LARGEST_DB:.0f} dB."
            )
            raise ReampsError(message)
        if value:
            trims[id_] = float(value)
    return trims
