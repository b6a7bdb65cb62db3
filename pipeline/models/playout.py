"""Where everything lies in a play-out file, and what its captures tell.

Positive lag: the capture is late. Levels of harmonics are relative to the
fundamental, in dB.
"""

from typing import Literal

from pydantic import Field

from pipeline.models.base import Strict

FORMAT = 1
"""Number of the sidecar's format. 1: the first."""


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
