"""Where does everything lie in a play-out file? The sidecar beside it says so."""

import json
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import RecordError
from pipeline.files.audio import ChannelSource
from pipeline.files.replacing import Kind, refuse_foreign
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
    except (OSError, ValueError, RecursionError, ValidationError) as error:
        message = (
            f"{sidecar}: the sidecar of a play-out file cannot be read ({error}); it "
            "is written beside the file by `reamps playout`"
        )
        raise RecordError(message) from error


def find_layouts(folder: Path, di_sha256: str) -> tuple[Layout, ...]:
    """Find the play-out files that were made of a DI.

    Parameters
    ----------
    folder : Path
        Where sidecars may lie.
    di_sha256 : str
        Hash of the DI's file.

    Returns
    -------
    tuple of Layout
        Those whose DI is that one, by name; sidecars that cannot be read are passed
        over.
    """
    found = []
    for sidecar in sorted(folder.glob(f"*{SUFFIX}")):
        with suppress(RecordError):
            layout = read_layout(sidecar)
            if layout.di_sha256 == di_sha256:
                found.append(layout)
    return tuple(found)


def own_layout(audio: Path) -> Layout | None:
    """Say whether an audio file is a play-out file.

    Parameters
    ----------
    audio : Path
        Any audio file.

    Returns
    -------
    Layout or None
        What the sidecar beside it says; None where there is none or it is another
        file's. A `RecordError` says why a sidecar cannot be read.
    """
    sidecar = sidecar_of(audio)
    if not sidecar.is_file():
        return None
    layout = read_layout(sidecar)
    return layout if layout.file == audio.name else None


def refuse_foreign_playout(playout: Path) -> None:
    """Refuse to write a play-out file over anything but one.

    Parameters
    ----------
    playout : Path
        The audio file that would be written, and the sidecar beside it. An
        `OutputError` says which of them is somebody else's.
    """

    def names_it(sidecar: Path) -> bool:
        return read_layout(sidecar).file == playout.name

    refuse_foreign(playout, Kind("a play-out file", (".wav", ".wave"), _is_playout))
    what = f"the sidecar of {playout.name}"
    refuse_foreign(sidecar_of(playout), Kind(what, (".json",), names_it))


def _is_playout(audio: Path) -> bool:
    """Whether a sidecar knows this file, and it is as long as that says."""
    # A recording may have been saved under the name of what was played.
    layout = own_layout(audio)
    if layout is None:
        return False
    with ChannelSource(audio) as source:
        return source.frames == layout.frames
