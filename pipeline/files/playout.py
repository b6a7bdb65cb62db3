"""Where does everything lie in a play-out file? The sidecar beside it says so."""

import json
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import RecordError
from pipeline.models.playout import FORMAT, Layout

SUFFIX = ".playout.json"


def sidecar_of(playout: Path) -> Path:
    """Name the sidecar of a play-out file.

    Parameters
    ----------
    playout : Path
        The audio file.

    Returns
    -------
    Path
        Beside it.
    """
    return playout.with_name(playout.stem + SUFFIX)


def layout_text(layout: Layout) -> str:
    """Write a layout as JSON.

    Parameters
    ----------
    layout : Layout
        What to write.

    Returns
    -------
    str
        Keys in the model's order.
    """
    return json.dumps(layout.model_dump(mode="json"), indent=1) + "\n"


def read_layout(sidecar: Path) -> Layout:
    """Read a sidecar.

    Parameters
    ----------
    sidecar : Path
        The JSON file beside a play-out file.

    Returns
    -------
    Layout
        Where everything lies.

    Raises
    ------
    RecordError
        If there is none, or it is damaged or of another format.
    """
    try:
        raw = json.loads(sidecar.read_text(encoding="utf-8"))
        number = raw.get("format") if isinstance(raw, dict) else None
        if number != FORMAT:
            message = (
                f"{sidecar}: expected a play-out of format {FORMAT}, found {number!r}"
            )
            raise RecordError(message)
        return Layout.model_validate_json(json.dumps(raw))
    except (OSError, ValueError, ValidationError) as error:
        message = (
            f"{sidecar}: the sidecar of a play-out file cannot be read ({error}); it "
            "is written beside the file by `reamps playout`"
        )
        raise RecordError(message) from error


def find_layout(folder: Path, di_sha256: str) -> Layout | None:
    """Find the play-out file that was made of a DI.

    Parameters
    ----------
    folder : Path
        Where sidecars may lie.
    di_sha256 : str
        Hash of the DI's file.

    Returns
    -------
    Layout or None
        The first whose DI is that one; None where there is none.
    """
    for sidecar in sorted(folder.glob(f"*{SUFFIX}")):
        try:
            layout = read_layout(sidecar)
        except RecordError:
            continue
        if layout.di_sha256 == di_sha256:
            return layout
    return None
