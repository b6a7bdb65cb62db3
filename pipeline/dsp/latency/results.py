"""What a latency estimate says, and what it needs from a capture.

Sign of lag: positive = the capture is late. Samples count at the DI's rate.
"""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Verdict = Literal["match", "weak", "other"]


class CaptureSource(Protocol):
    """A capture that can be read in pieces, at the DI's sample rate."""

    @property
    def frames(self) -> int:
        """Length of the capture in frames."""

    def read(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read `frames` frames from `start` on; zeros outside the capture."""


@dataclass(frozen=True, slots=True)
class ArraySource:
    """A capture that is held in memory.

    Attributes
    ----------
    samples : NDArray
        The capture, 1-D, full scale 1.0, at the DI's sample rate.
    """

    samples: NDArray[np.floating]

    @property
    def frames(self) -> int:
        """Length of the capture in frames."""
        return int(self.samples.size)

    def read(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read a piece of the capture.

        Parameters
        ----------
        start : int
            First frame; may lie before the capture.
        frames : int
            Number of frames.

        Returns
        -------
        NDArray[np.float32]
            `frames` samples, zero where the capture has none.
        """
        first, last = max(start, 0), min(start + frames, self.frames)
        if first == start and last == start + frames:
            return self.samples[first:last].astype(np.float32, copy=False)
        piece = np.zeros(frames, dtype=np.float32)
        if last > first:
            piece[first - start : last - start] = self.samples[first:last]
        return piece


@dataclass(frozen=True, slots=True)
class ExpectedLag:
    """A lag that is expected, for example from other passes of the night.

    Attributes
    ----------
    samples : float
        Expected lag in samples.
    tolerance_samples : float
        Half width of the range in which a plausible arrival is preferred.
    """

    samples: float
    tolerance_samples: float


@dataclass(frozen=True, slots=True)
class Jump:
    """A place where the capture lost or repeated samples.

    Attributes
    ----------
    at_s : float
        Time on the DI's timeline from which the new lag holds, in seconds. Of
        lost samples it is the end, of added ones the beginning.
    samples : float
        Size in samples; positive = the capture becomes later.
    uncertainty_s : float
        Half width of the 95 percent interval around `at_s`. Long where the jump
        lies in a rest, in which nothing tells when.
    """

    at_s: float
    samples: float
    uncertainty_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SecondPath:
    """A path that arrives later and about as loud as the direct one, or louder.

    Attributes
    ----------
    delay_samples : float
        How much later than the direct path; above 0.
    ratio : float
        Its amplitude over the direct path's; negative = of opposite polarity.
    """

    delay_samples: float
    ratio: float


@dataclass(frozen=True, slots=True)
class LagPoint:
    """Lag of one short stretch, for a plot of lag against time.

    Attributes
    ----------
    at_s : float
        Middle of the stretch on the DI's timeline, in seconds.
    samples : float
        Lag in samples.
    weight : float
        How well the stretch agrees with the whole, 0 to 1.
    """

    at_s: float
    samples: float
    weight: float


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """The first distorting stage of a set-up: filter, bias, saturation.

    The DI, scaled to an active rms of 1/4, passes a first-order high-pass, a
    first-order low-pass and a bell in the middle, is raised by `drive_db`,
    shifted by `bias` and saturated; one half wave may come out larger than the
    other.

    Attributes
    ----------
    drive_db : float
        Gain ahead of the saturation in dB.
    bias : float
        Offset at the saturation's input; makes it asymmetric.
    high_pass_hz : float
        Corner of the high-pass ahead of it.
    mid_db : float
        Height of the bell at 720 Hz ahead of it.
    explained_share : float
        Power share of the capture it was fitted on that a linear filter
        explains after this front end, 0 to 1, cross-validated.
    low_pass_hz : float
        Corner of the first-order low-pass ahead of the saturation. Its delay
        leaves no trace in any magnitude behind the saturation.
    rectified : float
        Share of the rectified wave that is added: half waves come out as
        1 + rectified to 1 - rectified, as diodes and cut-off valves do.
    """

    drive_db: float
    bias: float
    high_pass_hz: float
    mid_db: float
    explained_share: float
    low_pass_hz: float = 20000.0
    rectified: float = 0.0


@dataclass(frozen=True, slots=True)
class LatencyEstimate:
    """When a capture happened against its DI, and how sure that is.

    Attributes
    ----------
    samples : float
        Excess-phase delay: the DI's frame 0 is found at this capture frame.
        Positive = late; negative = the capture starts inside the DI.
    polarity : int or None
        1, -1, or None where neither sign is clear enough.
    confidence : float
        0 to 1; above 0.9 the lag should hold within 3 samples at 48 kHz.
    verdict : str
        "match", "weak" (perhaps this DI) or "other" (another performance).
    explained_share : float
        Cross-validated share of the capture's power explained by the DI.
    window_vote : float
        Share of short windows whose lag agrees with the whole.
    phase_agreement : float
        Agreement of the excess phase with one pure delay, 0 to 1.
    polarity_ratio : float
        Best agreement of the opposite sign over the best agreement.
    rival_ratio : float
        Strength of the best other arrival over the chosen one.
    usable_to_hz : float
        Upper edge of the band in which DI and capture are coherent.
    drift_ppm : float or None
        Clock drift, positive = the capture falls behind; None = not measured.
    varying : bool
        True if the lag wanders (tape, chorus) as neither drift nor jumps do.
    jumps : tuple[Jump, ...]
        Lost or repeated samples, in time order.
    lag_track : tuple[LagPoint, ...]
        Lag against time, at most a few hundred points.
    doubts : tuple[str, ...]
        Plain words: "echo", "ambiguous", "second_path", "weak_match", ...
    front_end : FrontEnd or None
        The front end that was used; None = the linear relation was enough.
    uncertainty_samples : float or None
        Half width of the 95 percent interval around `samples`, for the latency
        itself: what colours and saturation may hide is included, a wrong
        arrival or a wrong DI is not (that is `confidence`'s). None = unknown.
    second_path : SecondPath or None
        A later path about as loud as the direct one, or louder, that was told
        from it; `samples` is the direct one's.
    """

    samples: float
    polarity: int | None
    confidence: float
    verdict: Verdict
    explained_share: float
    window_vote: float
    phase_agreement: float
    polarity_ratio: float
    rival_ratio: float
    usable_to_hz: float
    drift_ppm: float | None = None
    varying: bool = False
    jumps: tuple[Jump, ...] = ()
    lag_track: tuple[LagPoint, ...] = ()
    doubts: tuple[str, ...] = ()
    front_end: FrontEnd | None = None
    uncertainty_samples: float | None = None
    second_path: SecondPath | None = None
