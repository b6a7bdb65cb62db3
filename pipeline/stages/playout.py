"""What does the capture of a play-out file tell besides the music?

Markers give a latency that is independent of the music's, and the drift between the
start and the end; the leading silence a noise print; the sweep the linear response,
each harmonic by itself, and the level at which noise would show in their place.
Positive lag: the capture is late.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.dsp.latency import CaptureSource
from pipeline.dsp.markers import SPAN_S, MarkerFix, drift_ppm, find_markers
from pipeline.dsp.sweep import Sweep, SweepResponse, read_sweep
from pipeline.models.playout import Layout
from pipeline.units import db_from_amplitude, db_from_power

SWEEP_TAIL_S = 2.0
"""Silence behind the sweep, for the room."""
AGREES_SAMPLES = 4.0
"""Music and markers are two estimates with about a sample of bias each."""
_NEAR_S = 0.05
_FAR_S = 0.5
_MARGIN_S = 0.25
_LEAD_S = 0.1


@dataclass(frozen=True, slots=True)
class PlayoutHeard:
    """What a capture of a play-out file tells.

    Parameters
    ----------
    marker : MarkerFix or None
        First set of markers, lag against the play-out file.
    drift_ppm : float or None
        Between the two sets; None where one was not found.
    latency_samples : float or None
        Of the interface: lag of the markers.
    agrees : bool or None
        Whether the DI's own lag says the same; None where one is unknown.
    apart_samples : float or None
        The DI's lag minus the markers'.
    noise_dbfs : float or None
        Mean square of the noise print in dB; None where the capture starts later.
    sweep : SweepResponse or None
        Linear response and harmonics.
    sweep_dbfs : float or None
        Level at which it was played.
    """

    marker: MarkerFix | None
    drift_ppm: float | None
    latency_samples: float | None
    agrees: bool | None
    apart_samples: float | None
    noise_dbfs: float | None
    sweep: SweepResponse | None
    sweep_dbfs: float | None


def sweep_of(layout: Layout) -> Sweep | None:
    """Design of a play-out file's sweep.

    Parameters
    ----------
    layout : Layout
        Where everything lies in it.

    Returns
    -------
    Sweep or None
        None where there is none.
    """
    if layout.sweep is None:
        return None
    part = layout.sweep
    return Sweep(part.low_hz, part.high_hz, part.growth_s, layout.sample_rate_hz)


def read_playout(
    capture: CaptureSource, layout: Layout, di_lag_samples: float | None = None
) -> PlayoutHeard:
    """Read markers, noise and sweep of a capture.

    Parameters
    ----------
    capture : CaptureSource
        The whole recording at the play-out file's rate; only what is needed is read.
    layout : Layout
        Where everything lies in what was played.
    di_lag_samples : float, optional
        Where the music's own search found the DI's first frame in the capture; it
        also tells roughly where the recorder was started.

    Returns
    -------
    PlayoutHeard
        What could be found; None for what could not.
    """
    rate = layout.sample_rate_hz
    rough = 0 if di_lag_samples is None else round(di_lag_samples) - layout.di_start
    reach = round((_FAR_S if di_lag_samples is None else _NEAR_S) * rate)
    fixes = [
        _find(capture, start + rough, reach, rate) for start in layout.marker_starts
    ]
    first, last = fixes
    drift = None
    if first and last:
        drift = drift_ppm(
            first, last, layout.marker_starts[1] - layout.marker_starts[0]
        )
    latency = first.lag_samples + rough if first else None
    apart = None
    if latency is not None and di_lag_samples is not None:
        apart = di_lag_samples - layout.di_start - latency
    return PlayoutHeard(
        marker=first,
        drift_ppm=drift,
        latency_samples=latency,
        agrees=None if apart is None else abs(apart) <= AGREES_SAMPLES,
        apart_samples=apart,
        noise_dbfs=_noise_dbfs(capture, layout, latency),
        sweep=_sweep(capture, layout, latency),
        sweep_dbfs=db_from_amplitude(layout.sweep.amplitude) if layout.sweep else None,
    )


def _find(
    capture: CaptureSource, expected: int, reach: int, rate: int
) -> MarkerFix | None:
    before = reach + round(_MARGIN_S * rate)
    count = 2 * before + round(SPAN_S * rate)
    part = capture.read(expected - before, count)
    return find_markers(part, before, reach, rate)


def _noise_dbfs(
    capture: CaptureSource, layout: Layout, latency: float | None
) -> float | None:
    if latency is None:
        return None
    first = max(layout.noise_start + round(latency), 0)
    last = layout.noise_start + layout.noise_frames + int(latency) - 64
    if last - first < layout.sample_rate_hz // 4:
        return None
    part = capture.read(first, last - first).astype(np.float64)
    return db_from_power(float(np.mean((part - part.mean()) ** 2)))


def _sweep(
    capture: CaptureSource, layout: Layout, latency: float | None
) -> SweepResponse | None:
    sweep = sweep_of(layout)
    if sweep is None or layout.sweep is None or latency is None:
        return None
    lead = round(_LEAD_S * layout.sample_rate_hz)
    first = layout.sweep.start + round(latency) - lead
    last = first + lead + sweep.frames + round(SWEEP_TAIL_S * layout.sample_rate_hz)
    if first < 0 or last > capture.frames:
        return None
    part = capture.read(first, last - first).astype(np.float64)
    return read_sweep(
        part / layout.sweep.amplitude, sweep, lead + latency - round(latency)
    )
