"""What is played through the amplifier, and what does its capture tell?

Silence for a noise print, three markers, a sweep if wanted, silence, the DI bit for
bit, silence for the tail, the markers again.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.day.layout import Layout, SweepPart, layout_text, sidecar_of
from pipeline.day.waves import write_wave_float
from pipeline.dsp.markers import (
    MarkerFix,
    drift_ppm,
    find_markers,
    marker_signal,
)
from pipeline.dsp.sweep import SweepResponse, design_sweep, read_sweep, sweep_signal
from pipeline.errors import OutputError, ReampsError
from pipeline.files.atomic import replace_with
from pipeline.files.audio import ChannelSource, sha256_of
from pipeline.files.bext import BextFields, coding_history_line
from pipeline.files.wave_chunks import write_wave_24
from pipeline.stages.di import inspect_di
from pipeline.units import amplitude_from_db, db_from_amplitude, db_from_power

Samples = NDArray[np.float32]

NOISE_S = 3.0
GAP_S = 1.0
SWEEP_TAIL_S = 2.0
TAIL_S = 4.0
SWEEP_S = 8.0
SWEEP_HZ = (20.0, 20_000.0)
LOUDEST = 0.999
AGREES_SAMPLES = 4.0
"""Music and markers are two estimates with about a sample of bias each."""
EXACT_24 = ("PCM_U8", "PCM_S8", "PCM_16", "PCM_24")
CAUTIONS = (
    "Before you play it:",
    "  Turn the amplifier down first; markers and sweep are as loud as the DI's peaks.",
    "  A valve amplifier needs its speaker or a rated load connected before it is on.",
    "  Leave the room or protect your hearing; a sweep is loud where music is not.",
    "  Ribbon microphones: no phantom power. Mains: never lift the safety earth.",
    "  Where local codes or a licensed technician say otherwise, they are right.",
)


@dataclass(frozen=True, slots=True)
class PlayoutWish:
    """What the user asks for.

    Parameters
    ----------
    di : Path
        The dry recording.
    output : Path
        The file to write.
    channel : int
        Channel of the DI, from 1.
    sweep : bool
        Whether a sweep is played.
    sweep_dbfs, marker_dbfs : float or None
        Peak levels; None means the DI's own peak.
    """

    di: Path
    output: Path
    channel: int = 1
    sweep: bool = True
    sweep_dbfs: float | None = None
    marker_dbfs: float | None = None


@dataclass(frozen=True, slots=True)
class Played:
    """What was written.

    Parameters
    ----------
    layout : Layout
        Where everything lies.
    sidecar : Path
        The file that says so.
    exact : bool
        Whether the DI is in it bit for bit.
    """

    layout: Layout
    sidecar: Path
    exact: bool


def write_playout(wish: PlayoutWish) -> Played:
    """Make the file that is played through the amplifier.

    Parameters
    ----------
    wish : PlayoutWish
        What is asked for.

    Returns
    -------
    Played
        What was written.

    Raises
    ------
    ReampsError
        If the DI cannot be used or is silent.
    OutputError
        If the DI would be overwritten.
    """
    spec = inspect_di(wish.di, wish.channel)
    if wish.output.exists() and wish.output.resolve() == wish.di.resolve():
        message = f"{wish.output}: this is the DI itself; name another file"
        raise OutputError(message)
    with ChannelSource(wish.di, wish.channel) as source:
        di = source.read(0, source.frames)
        subtype = source.info.subtype
    peak = float(np.abs(di).max())
    if not 0.0 < peak < np.inf:
        message = f"{wish.di}: it holds no sound that could be played"
        raise ReampsError(message)
    samples, layout = _lay_out(wish, di, peak, spec.sample_rate_hz)
    if subtype in EXACT_24:
        _write_24(wish, samples, layout)
    else:
        write_wave_float(wish.output, samples, layout.sample_rate_hz)
    sidecar = sidecar_of(wish.output)
    replace_with(sidecar, layout_text(layout).encode("utf-8"))
    return Played(layout, sidecar, exact=subtype in (*EXACT_24, "FLOAT"))


def _level(wanted_dbfs: float | None, peak: float) -> float:
    level = peak if wanted_dbfs is None else amplitude_from_db(wanted_dbfs)
    return min(level, LOUDEST)


def _lay_out(
    wish: PlayoutWish, di: Samples, peak: float, rate: int
) -> tuple[Samples, Layout]:
    marker = marker_signal(rate) * _level(wish.marker_dbfs, peak)
    at = round(NOISE_S * rate)
    pieces = [(at, marker)]
    first_marker = at
    at += len(marker) + round(GAP_S * rate)
    part = None
    if wish.sweep:
        high = min(SWEEP_HZ[1], 0.45 * rate)
        sweep = design_sweep(SWEEP_HZ[0], high, SWEEP_S, rate)
        amplitude = _level(wish.sweep_dbfs, peak)
        part = SweepPart(
            start=at,
            low_hz=sweep.low_hz,
            high_hz=sweep.high_hz,
            growth_s=sweep.growth_s,
            amplitude=amplitude,
        )
        pieces.append((at, amplitude * sweep_signal(sweep)))
        at += sweep.frames + round(SWEEP_TAIL_S * rate)
    di_start = at
    last_marker = at + len(di) + round(TAIL_S * rate)
    pieces.append((last_marker, marker))
    whole = np.zeros(last_marker + len(marker) + round(GAP_S * rate), np.float32)
    for start, piece in pieces:
        whole[start : start + len(piece)] = piece
    whole[di_start : di_start + len(di)] = di
    layout = Layout(
        format=1,
        file=wish.output.name,
        sample_rate_hz=rate,
        frames=len(whole),
        di_file=wish.di.name,
        di_sha256=sha256_of(wish.di),
        di_channel=wish.channel,
        di_start=di_start,
        di_frames=len(di),
        noise_start=0,
        noise_frames=first_marker,
        marker_starts=(first_marker, last_marker),
        marker_amplitude=_level(wish.marker_dbfs, peak),
        sweep=part,
    )
    return whole, layout


def _write_24(wish: PlayoutWish, samples: Samples, layout: Layout) -> None:
    text = f"play-out of {wish.di.name}: DI from frame {layout.di_start}"
    bext = BextFields(
        description=text,
        originator="reamps",
        coding_history=(coding_history_line(layout.sample_rate_hz, "play-out"),),
    )
    write_wave_24(wish.output, samples, layout.sample_rate_hz, bext)


@dataclass(frozen=True, slots=True)
class PlayoutReading:
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


def read_playout_capture(
    capture: Samples, layout: Layout, di_lag_samples: float | None = None
) -> PlayoutReading:
    """Read markers, noise and sweep of a capture.

    Parameters
    ----------
    capture : ndarray of float32, shape (frames,)
        The whole recording at the play-out file's rate.
    layout : Layout
        Where everything lies in what was played.
    di_lag_samples : float, optional
        Where the music's own search found the DI's first frame in the capture; it
        also tells roughly where the recorder was started.

    Returns
    -------
    PlayoutReading
        What could be found; None for what could not.
    """
    rate = layout.sample_rate_hz
    rough = 0 if di_lag_samples is None else round(di_lag_samples) - layout.di_start
    reach = round((0.5 if di_lag_samples is None else 0.05) * rate)
    fixes = [
        find_markers(capture, start + rough, reach, rate)
        for start in layout.marker_starts
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
    return PlayoutReading(
        marker=first,
        drift_ppm=drift,
        latency_samples=latency,
        agrees=None if apart is None else abs(apart) <= AGREES_SAMPLES,
        apart_samples=apart,
        noise_dbfs=_noise_dbfs(capture, layout, latency),
        sweep=_sweep(capture, layout, latency),
        sweep_dbfs=db_from_amplitude(layout.sweep.amplitude) if layout.sweep else None,
    )


def _noise_dbfs(
    capture: Samples, layout: Layout, latency: float | None
) -> float | None:
    if latency is None:
        return None
    first = max(layout.noise_start + round(latency), 0)
    last = layout.noise_start + layout.noise_frames + int(latency) - 64
    part = capture[first:last].astype(np.float64)
    if len(part) < layout.sample_rate_hz // 4:
        return None
    return db_from_power(float(np.mean((part - part.mean()) ** 2)))


def _sweep(
    capture: Samples, layout: Layout, latency: float | None
) -> SweepResponse | None:
    sweep = layout.signal()
    if sweep is None or layout.sweep is None or latency is None:
        return None
    lead = round(0.1 * layout.sample_rate_hz)
    first = layout.sweep.start + round(latency) - lead
    last = first + lead + sweep.frames + round(SWEEP_TAIL_S * layout.sample_rate_hz)
    if first < 0 or last > len(capture):
        return None
    part = capture[first:last].astype(np.float64) / layout.sweep.amplitude
    lag = lead + latency - round(latency)
    return read_sweep(part, sweep, lag)
