"""The capture's samples on the DI's time: as long as the DI, frame for frame.

One lag where it is steady, resampling where a clock drifts, pieces where samples
were lost or repeated. Positive lag: the capture is late.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency import CaptureSource
from pipeline.dsp.shift import (
    MARGIN_SAMPLES,
    MAX_DRIFT_PPM,
    resample_drift,
    shift_pieces,
    shift_segment,
)
from pipeline.models.record import Jump


def cut_to_di(
    source: CaptureSource,
    shift_samples: float,
    *,
    frames: int,
    sample_rate_hz: int,
    drift_ppm: float = 0.0,
    jumps: Sequence[Jump] = (),
) -> NDArray[np.float32]:
    """Read a capture's stretch and move it onto the DI's frames.

    Parameters
    ----------
    source : CaptureSource
        The capture at the DI's rate.
    shift_samples : float
        Lag to take out at the DI's first frame; positive: the capture is late.
    frames : int
        The DI's length.
    sample_rate_hz : int
        The DI's rate.
    drift_ppm : float
        Growth of the lag to take out, in parts per million; 0 for none.
    jumps : sequence of Jump
        Sudden changes of the lag to take out.

    Returns
    -------
    ndarray of float32, shape (frames,)
        Zero where the capture has nothing.
    """
    drift = max(-MAX_DRIFT_PPM, min(MAX_DRIFT_PPM, drift_ppm))
    pieces = _pieces(jumps, shift_samples, frames, sample_rate_hz)
    lags = [lag for _, lag in pieces]
    reach = MARGIN_SAMPLES + int(abs(drift) * 1e-6 * frames) + 2
    # Never outside of the file: what moves the samples takes zeros there by itself, and
    # a source that is held in memory hands out a view.
    start = max(int(np.floor(min(lags))) - reach, 0)
    stop = min(int(np.ceil(max(lags))) + frames + reach, source.frames)
    samples = source.read(start, max(stop - start, 0))
    if drift and len(pieces) > 1:
        return _drifting_pieces(
            samples, pieces, drift, frames=frames, source_start=start
        )
    if drift:
        return resample_drift(samples, shift_samples, drift, frames, source_start=start)
    if len(pieces) > 1:
        return shift_pieces(samples, pieces, frames, source_start=start)
    return shift_segment(samples, shift_samples, frames, source_start=start)


def _pieces(
    jumps: Sequence[Jump], shift_samples: float, frames: int, sample_rate_hz: int
) -> list[tuple[int, float]]:
    pieces = [(0, shift_samples)]
    for jump in jumps:
        start = round(jump.at_s * sample_rate_hz)
        if pieces[-1][0] < start < frames:
            pieces.append((start, pieces[-1][1] + jump.samples))
    return pieces


def _drifting_pieces(
    samples: NDArray[np.float32],
    pieces: list[tuple[int, float]],
    drift_ppm: float,
    *,
    frames: int,
    source_start: int,
) -> NDArray[np.float32]:
    """Resample every piece by itself; the pieces meet without a fade."""
    out = np.zeros(frames, dtype=np.float32)
    ends = [start for start, _ in pieces[1:]] + [frames]
    for (start, lag), end in zip(pieces, ends, strict=True):
        drifted = lag + start * drift_ppm * 1e-6
        out[start:end] = resample_drift(
            samples, drifted, drift_ppm, end - start, source_start=source_start - start
        )
    return out
