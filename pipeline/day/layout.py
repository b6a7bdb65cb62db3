"""Where does everything lie in a play-out file? The sidecar that says so.

Play-out format 1: the first.
"""

import json
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from pipeline.dsp.sweep import Sweep
from pipeline.errors import RecordError
from pipeline.models.base import Strict

FORMAT = 1
SUFFIX = ".playout.json"


class SweepPart(Strict):
    """Where the sweep is, and which one."""

    start: int = Field(description="First frame.")
    low_hz: float
    high_hz: float
    growth_s: float
    amplitude: float = Field(description="Peak, full scale 1.")


class Layout(Strict):
    """The frames of a play-out file."""

    format: Literal[1]
    file: str = Field(description="Name of the play-out file.")
    sample_rate_hz: int
    frames: int
    di_file: str
    di_sha256: str
    di_channel: int
    di_start: int = Field(description="The DI's first frame in the play-out file.")
    di_frames: int
    noise_start: int = Field(description="Silence for the noise print.")
    noise_frames: int
    marker_starts: tuple[int, int] = Field(description="Before and after the DI.")
    marker_amplitude: float
    sweep: SweepPart | None = None

    def signal(self) -> Sweep | None:
        """Design of the sweep.

        Returns
        -------
        Sweep or None
            None where there is none.
        """
        if self.sweep is None:
            return None
        part = self.sweep
        return Sweep(part.low_hz, part.high_hz, part.growth_s, self.sample_rate_hz)


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
