"""What does the capture of a play-out file tell besides the music?

Markers give a latency that is independent of the music's, and the drift between the
start and the end; the leading silence a noise print; the sweep the linear response,
each harmonic by itself, and the level at which noise would show in their place.
Positive lag: the capture is late.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.harmonics import (
    SweepResponse,
    noise_in_harmonics,
    read_sweep,
    sweep_points,
)
from pipeline.dsp.latency import CaptureSource
from pipeline.dsp.markers import SPAN_S, MarkerFix, drift_ppm, find_markers
from pipeline.dsp.sweep import Sweep
from pipeline.models.playout import (
    Layout,
    PlayedOut,
    PlayoutReading,
    SweepPart,
    SweepReading,
)
from pipeline.models.record import Finding
from pipeline.units import db_from_amplitude, db_from_power

Float = NDArray[np.float64]

SWEEP_TAIL_S = 2.0
"""Silence behind the sweep, for the room."""
AGREES_MS = 0.25
"""Markers come out late where filters lie ahead of the clipping: on 140 random rigs up
to 0.16 ms against the music (`tests.benchmarks.playout_bench 70 100`, and `70 200`). A
buffer is 0.67 ms and more."""
CHIRPS_AGREE_MS = 0.5
"""Three chirps whose own lags differ by more were not met."""
MOST_DRIFT_PPM = 200.0
"""Clocks differ by 50 parts in a million at worst (common practice), two of them by
100; the rest is margin."""
_NEAR_S = 0.05
_FAR_S = 0.5
_STEP_S = 10.0
_MARGIN_S = 0.25
_LEAD_S = 0.1
_LEAST_NOISE = 16_384
_EVERY = 2
"""The record keeps six points an octave of the twelve."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known of a capture before its markers are looked for.

    Parameters
    ----------
    di_lag_samples : float or None
        Where the music's own search found the DI's first frame.
    doubtful : bool
        Whether that may be wrong, so that the markers are looked for everywhere.
    steady : bool
        Whether nothing jumps between the first and the last markers.
    drift_ppm : float
        Of the music, where another clock recorded it.
    """

    di_lag_samples: float | None = None
    doubtful: bool = False
    steady: bool = True
    drift_ppm: float = 0.0


@dataclass(frozen=True, slots=True)
class PlayoutHeard:
    """What a capture of a play-out file tells.

    Parameters
    ----------
    marker : MarkerFix or None
        First set of markers, or the last one where the first is not there.
    latency_samples : float or None
        Lag of the markers against the play-out file: of the interface.
    apart_samples : float or None
        The music's lag minus the markers', both at the DI's first frame.
    drift_ppm : float or None
        Between the two sets; None where one was not found.
    noise_dbfs : float or None
        Mean square of the noise print in dB; None where the capture starts later.
    sweep : SweepResponse or None
        Linear response and harmonics.
    noise_db : tuple of ndarray
        What noise alone shows in place of the harmonics; empty where it is unknown.
    """

    marker: MarkerFix | None
    latency_samples: float | None = None
    apart_samples: float | None = None
    drift_ppm: float | None = None
    noise_dbfs: float | None = None
    sweep: SweepResponse | None = None
    noise_db: tuple[Float, ...] = ()


def sweep_of(part: SweepPart, sample_rate_hz: int) -> Sweep:
    """Design of a play-out file's sweep.

    Parameters
    ----------
    part : SweepPart
        What the sidecar says of it.
    sample_rate_hz : int
        Rate of the play-out file.

    Returns
    -------
    Sweep
        For its signal and its reading.
    """
    return Sweep(part.low_hz, part.high_hz, part.growth_s, sample_rate_hz)


def read_playout(
    capture: CaptureSource, layout: Layout, expected: Expected | None = None
) -> PlayoutHeard:
    """Read markers, noise and sweep of a capture.

    Parameters
    ----------
    capture : CaptureSource
        The whole recording at the play-out file's rate; only what is needed is read.
    layout : Layout
        Where everything lies in what was played.
    expected : Expected, optional
        Where the music lies; without it the recording started with the play-out
        file, give or take half a second.

    Returns
    -------
    PlayoutHeard
        What could be found; None for what could not.
    """
    expected = expected or Expected()
    rate = layout.sample_rate_hz
    lag = expected.di_lag_samples
    rough = 0 if lag is None else round(lag) - layout.di_start
    reach = round((_FAR_S if lag is None else _NEAR_S) * rate)
    first, last = _pair(capture, layout, rough, reach)
    if first is None and last is None and expected.doubtful:
        rough = _anywhere(capture, layout, otherwise=rough)
        first, last = _pair(capture, layout, rough, reach)
    marker = first or last
    if marker is None:
        return PlayoutHeard(None)
    starts = layout.marker_starts
    drift = None
    if first and last and expected.steady:
        drift = drift_ppm(first, last, starts[1] - starts[0])
    latency = marker.lag_samples + rough
    apart = None
    if lag is not None:
        since = layout.di_start - (starts[0] if first else starts[1])
        apart = lag - layout.di_start - latency - 1e-6 * expected.drift_ppm * since
    noise = _noise(capture, layout, latency)
    sweep = _sweep(capture, layout, latency)
    return PlayoutHeard(
        marker=marker,
        latency_samples=latency,
        apart_samples=apart,
        drift_ppm=drift,
        noise_dbfs=None if noise is None else db_from_power(float(np.mean(noise**2))),
        sweep=sweep,
        noise_db=_noise_db(noise, layout, sweep),
    )


def _pair(
    capture: CaptureSource, layout: Layout, rough: int, reach: int
) -> tuple[MarkerFix | None, MarkerFix | None]:
    first, last = (
        _find(capture, start + rough, reach, layout.sample_rate_hz)
        for start in layout.marker_starts
    )
    return first, last


def _find(
    capture: CaptureSource, expected: int, reach: int, rate: int
) -> MarkerFix | None:
    before = reach + round(_MARGIN_S * rate)
    part = capture.read(expected - before, 2 * before + round(SPAN_S * rate))
    fix = find_markers(part, before, reach, rate)
    if fix is None or fix.spread_samples > CHIRPS_AGREE_MS / 1000.0 * rate:
        return None
    return fix


def _anywhere(capture: CaptureSource, layout: Layout, *, otherwise: int) -> int:
    """Say roughly where the play-out file starts, by the earliest markers."""
    rate = layout.sample_rate_hz
    reach = round(_STEP_S / 2 * rate)
    found = (
        at + round(fix.lag_samples)
        for at in range(reach, capture.frames, 2 * reach)
        if (fix := _find(capture, at, reach, rate))
    )
    place = next(found, None)
    if place is None:
        return otherwise
    first, last = layout.marker_starts
    follower = place + last - first
    near = round(_NEAR_S * rate)
    # Both sets are alike: a set that none follows, though there is room, is the last.
    alone = _find(capture, follower, near, rate) is None
    return place - (last if alone and follower < capture.frames else first)


def _noise(capture: CaptureSource, layout: Layout, latency: float) -> Float | None:
    first = max(layout.noise_start + round(latency), 0)
    last = layout.noise_start + layout.noise_frames + int(latency) - 64
    if last - first < layout.sample_rate_hz // 4:
        return None
    part = capture.read(first, last - first).astype(np.float64)
    return np.asarray(part - part.mean())


def _sweep(
    capture: CaptureSource, layout: Layout, latency: float
) -> SweepResponse | None:
    if layout.sweep is None:
        return None
    rate = layout.sample_rate_hz
    sweep = sweep_of(layout.sweep, rate)
    lead = round(_LEAD_S * rate)
    first = layout.sweep.start + round(latency) - lead
    last = first + lead + sweep.frames + round(SWEEP_TAIL_S * rate)
    if first < 0 or last > capture.frames:
        return None
    part = capture.read(first, last - first).astype(np.float64)
    lag = lead + latency - round(latency)
    return read_sweep(part / layout.sweep.amplitude, sweep, lag)


def _noise_db(
    noise: Float | None, layout: Layout, sweep: SweepResponse | None
) -> tuple[Float, ...]:
    if noise is None or sweep is None or layout.sweep is None:
        return ()
    if len(noise) < _LEAST_NOISE:
        return ()
    return noise_in_harmonics(
        noise / layout.sweep.amplitude,
        sweep_of(layout.sweep, layout.sample_rate_hz),
        sweep.linear_db,
        orders=1 + len(sweep.harmonics_db),
    )


def describe_played(layout: Layout) -> PlayedOut:
    """Say for the record what was played.

    Parameters
    ----------
    layout : Layout
        Where everything lies in it.

    Returns
    -------
    PlayedOut
        With the frequencies at which captures' sweeps are read.
    """
    part = layout.sweep
    if part is None:
        return PlayedOut(file=layout.file, di_start=layout.di_start)
    points = sweep_points(sweep_of(part, layout.sample_rate_hz))[::_EVERY]
    return PlayedOut(
        file=layout.file,
        di_start=layout.di_start,
        sweep_dbfs=db_from_amplitude(part.amplitude),
        sweep_hz=tuple(np.round(points, 2).tolist()),
    )


def describe_playout(heard: PlayoutHeard, layout: Layout) -> PlayoutReading | None:
    """Say for the record what a capture's markers and sweep tell.

    Parameters
    ----------
    heard : PlayoutHeard
        From `read_playout`, with the music's lag.
    layout : Layout
        What was played.

    Returns
    -------
    PlayoutReading or None
        None where no markers were found.
    """
    marker, latency, apart = heard.marker, heard.latency_samples, heard.apart_samples
    if marker is None or latency is None or apart is None:
        return None
    sweep = None
    if heard.sweep is not None:
        sweep = SweepReading(
            linear_db=_kept(heard.sweep.linear_db),
            harmonics_db=tuple(map(_kept, heard.sweep.harmonics_db)),
            noise_db=tuple(map(_kept, heard.noise_db)),
        )
    return PlayoutReading(
        lead_samples=layout.di_start,
        lead_ms=layout.di_start / layout.sample_rate_hz * 1000.0,
        latency_samples=latency,
        polarity=1 if marker.polarity > 0 else -1,
        spread_samples=marker.spread_samples,
        apart_samples=apart,
        drift_ppm=heard.drift_ppm,
        noise_dbfs=heard.noise_dbfs,
        sweep=sweep,
    )


def _kept(levels: Float) -> tuple[float, ...]:
    return tuple(np.round(levels[::_EVERY], 2).tolist())


def judge_playout(
    reading: PlayoutReading | None, layout: Layout, *, named: bool
) -> tuple[Finding, ...]:
    """Judge whether markers and music agree.

    Parameters
    ----------
    reading : PlayoutReading or None
        What a capture's markers tell; None where there are none.
    layout : Layout
        What was played.
    named : bool
        Whether the manifest says that it was played, so that missing markers are
        worth a word.

    Returns
    -------
    tuple of Finding
        A warning where they are more than 0.25 ms apart.
    """
    if reading is None:
        return (_missing(layout),) if named else ()
    rate = layout.sample_rate_hz
    apart = reading.apart_samples
    if abs(apart) / rate * 1000.0 <= AGREES_MS:
        return ()
    return (
        Finding(
            code="markers_disagree",
            severity="warn",
            message=(
                f"The music puts it {apart:+.1f} samples ({apart / rate * 1e3:+.2f} "
                f"ms) from where the markers of {layout.file} put it; up to "
                f"{AGREES_MS} ms is usual. The music decided the shift."
            ),
            fix=(
                "A riff that repeats, or an effect that moves the sound, misleads the "
                "music; an edit between markers and DI misleads the markers. Check "
                "by ear against the DI."
            ),
        ),
    )


def judge_stranger(heard: PlayoutHeard, layout: Layout) -> tuple[Finding, ...]:
    """Say of a capture whose music was not recognised that the markers are in it.

    Parameters
    ----------
    heard : PlayoutHeard
        From `read_playout`, without the music's lag.
    layout : Layout
        What was played.

    Returns
    -------
    tuple of Finding
        A note where both sets were found at their distance. It proves no more: every
        play-out file has the same markers.
    """
    drift, latency = heard.drift_ppm, heard.latency_samples
    if drift is None or latency is None or abs(drift) > MOST_DRIFT_PPM:
        return ()
    return (
        Finding(
            code="markers_only",
            severity="note",
            message=(
                f"The markers of {layout.file} are in it at their distance, "
                f"{latency:.1f} samples late. Either another DI of the same length "
                "was played with them, or the amplifier bends this one beyond "
                "recognition."
            ),
            fix="Listen to it. If it is this DI, record it once with less drive, too.",
        ),
    )


def _missing(layout: Layout) -> Finding:
    return Finding(
        code="no_markers",
        severity="note",
        message=(
            f"The markers of {layout.file} are not in it, so its latency rests on the "
            "music alone."
        ),
        fix=(
            "Record the play-out file from its start to its end, with gates and "
            "effects off."
        ),
    )
