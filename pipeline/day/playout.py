"""What is played through the amplifier?

Silence for a noise print, three markers, a sweep if wanted, silence, the DI bit for
bit, silence for the tail, the markers again.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.day.waves import write_wave_float
from pipeline.dsp.markers import marker_signal
from pipeline.dsp.sweep import design_sweep, sweep_signal
from pipeline.errors import OutputError, ReampsError
from pipeline.files.atomic import replace_with
from pipeline.files.audio import ChannelSource, sha256_of
from pipeline.files.bext import BextFields, coding_history_line
from pipeline.files.playout import layout_text, refuse_foreign_playout, sidecar_of
from pipeline.files.wave_chunks import read_bext, write_wave_24
from pipeline.models.playout import Layout, SweepPart
from pipeline.stages.di import inspect_di
from pipeline.stages.playout import SWEEP_TAIL_S
from pipeline.units import amplitude_from_db, db_from_amplitude

Samples = NDArray[np.float32]

NOISE_S = 3.0
GAP_S = 1.0
TAIL_S = 4.0
SWEEP_S = 8.0
SWEEP_HZ = (20.0, 20_000.0)
LOUDEST = 0.999
EXACT_24 = ("PCM_U8", "PCM_S8", "PCM_16", "PCM_24")
CAUTIONS = (
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
    sweep_s : float
        Length of the sweep, roughly: a longer one tells more against noise.
    """

    di: Path
    output: Path
    channel: int = 1
    sweep: bool = True
    sweep_dbfs: float | None = None
    marker_dbfs: float | None = None
    sweep_s: float = SWEEP_S


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
    di_peak : float
        Largest absolute sample of the DI.
    """

    layout: Layout
    sidecar: Path
    exact: bool
    di_peak: float

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind before it is played, a line each."""
        sweep = self.layout.sweep
        peaks = {"the DI": self.di_peak, "markers": self.layout.marker_amplitude}
        if sweep is not None:
            peaks["the sweep"] = sweep.amplitude
        levels = (
            f"{what} {db_from_amplitude(peak):.1f}" for what, peak in peaks.items()
        )
        return (
            "Before you play it:",
            f"  Turn the amplifier down first. Peaks in dBFS: {', '.join(levels)}.",
            *CAUTIONS,
        )


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
        If the DI or any other file that is no play-out file would be overwritten.
    """
    spec = inspect_di(wish.di, wish.channel)
    if wish.output.exists() and wish.output.resolve() == wish.di.resolve():
        message = f"{wish.output}: this is the DI itself; name another file"
        raise OutputError(message)
    refuse_foreign_playout(wish.output)
    with ChannelSource(wish.di, wish.channel) as source:
        di = source.read(0, source.frames)
        subtype = source.info.subtype
    peak = float(np.abs(di).max())
    if not 0.0 < peak < np.inf:
        message = f"{wish.di}: it holds no sound that could be played"
        raise ReampsError(message)
    samples, layout = _lay_out(wish, di, peak, spec.sample_rate_hz)
    _write(wish, samples, layout, as_float=subtype not in EXACT_24)
    sidecar = sidecar_of(wish.output)
    replace_with(sidecar, layout_text(layout).encode("utf-8"))
    exact = subtype in (*EXACT_24, "FLOAT")
    return Played(layout, sidecar, exact, peak)


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
        sweep = design_sweep(SWEEP_HZ[0], high, wish.sweep_s, rate)
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


def _write(
    wish: PlayoutWish, samples: Samples, layout: Layout, *, as_float: bool
) -> None:
    rate = layout.sample_rate_hz
    text = f"play-out of {wish.di.name}: DI from frame {layout.di_start}"
    bext = BextFields(
        description=text,
        originator="reamps",
        time_reference_samples=_time_reference(wish.di, layout.di_start),
    )
    if as_float:
        write_wave_float(wish.output, samples, rate, bext)
        return
    history = (coding_history_line(rate, "play-out"),)
    write_wave_24(wish.output, samples, rate, replace(bext, coding_history=history))


def _time_reference(di: Path, di_start: int) -> int:
    """Say where the play-out file starts if the DI in it lies at its original time."""
    try:
        found = read_bext(di)
    except (OSError, ValueError):
        found = None
    return max(found.time_reference_samples - di_start, 0) if found else 0
