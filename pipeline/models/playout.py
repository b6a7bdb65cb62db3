"""Where everything lies in a play-out file, and what its captures tell.

Positive lag: the capture is late. Levels of harmonics are relative to the
fundamental, in dB.
"""

from typing import Literal

from pydantic import Field

from pipeline.models.base import Strict
from pipeline.units import amplitude_from_db

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


class SweepReading(Strict):
    """What a capture's sweep measured, at the frequencies of the session's sweep."""

    linear_db: tuple[float, ...] = Field(
        description="Linear response as recorded, against the sweep as played."
    )
    harmonics_db: tuple[tuple[float, ...], ...] = Field(
        description="Harmonic 2, 3, ... at the first frequencies: an order ends where "
        "it would lie beyond the sweep."
    )
    noise_db: tuple[tuple[float, ...], ...] = Field(
        default=(),
        description="What noise alone shows in place of the same harmonics.",
    )

    @property
    def distortion(self) -> tuple[float, ...]:
        """Total of the harmonics against the fundamental (THD_F) at each frequency."""
        return tuple(
            sum(
                amplitude_from_db(levels[index]) ** 2
                for levels in self.harmonics_db
                if index < len(levels)
            )
            ** 0.5
            for index in range(len(self.linear_db))
        )


class PlayoutReading(Strict):
    """What a capture of a play-out file tells besides the music."""

    lead_samples: int = Field(description="What was played ahead of the DI.")
    lead_ms: float
    latency_samples: float = Field(
        description="Of the markers, against the play-out file; positive: late."
    )
    polarity: Literal[1, -1]
    spread_samples: float = Field(
        ge=0, description="Largest difference between the three chirps' lags."
    )
    apart_samples: float = Field(
        description="Lag of the music minus that of the markers, at the DI's start."
    )
    drift_ppm: float | None = Field(
        default=None, description="Between the first and the last markers."
    )
    noise_dbfs: float | None = Field(
        default=None, description="Noise print as recorded, mean square."
    )
    sweep: SweepReading | None = None


class PlayedOut(Strict):
    """The play-out file of a session."""

    file: str
    di_start: int
    sweep_dbfs: float | None = None
    sweep_hz: tuple[float, ...] = Field(
        default=(), description="Fundamentals at which captures' sweeps are read."
    )
