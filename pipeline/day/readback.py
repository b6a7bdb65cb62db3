"""What does a capture of a play-out file say, in words, and as a response on disk?"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.day.responses import (
    ResponseWish,
    response_files,
    trimmed,
    write_taps,
)
from pipeline.dsp.latency import ArraySource
from pipeline.errors import ReampsError
from pipeline.files.audio import ChannelSource
from pipeline.files.names import response_names
from pipeline.files.playout import read_layout
from pipeline.models.playout import Layout
from pipeline.stages.playout import Expected, PlayoutHeard, read_playout
from pipeline.units import db_from_amplitude

SHOWN_HZ = (82.0, 110.0, 220.0, 440.0, 1000.0, 2000.0)


@dataclass(frozen=True, slots=True)
class Readback:
    """A capture that was read back.

    Parameters
    ----------
    reading : PlayoutHeard
        Its figures.
    lines : tuple of str
        The same in words.
    files : tuple of Path
        Responses that were written.
    """

    reading: PlayoutHeard
    lines: tuple[str, ...]
    files: tuple[Path, ...]


def read_back(
    capture: Path, channel: int, sidecar: Path, wish: ResponseWish | None
) -> Readback:
    """Read markers, noise and sweep of a capture, and write its response.

    Parameters
    ----------
    capture : Path
        The recording of a play-out file.
    channel : int
        Counted from 1.
    sidecar : Path
        The play-out file's sidecar.
    wish : ResponseWish or None
        How the linear response of the sweep is written; None writes nothing.

    Returns
    -------
    Readback
        Figures and files.

    Raises
    ------
    ReampsError
        If the markers are not found, or a response is wished for without a sweep.
    """
    layout = read_layout(sidecar)
    with ChannelSource(
        capture, channel, sample_rate_hz=layout.sample_rate_hz
    ) as source:
        samples = source.read(0, source.frames)
    # Whoever gives a recording here says that the file was played: looked for anywhere.
    reading = read_playout(ArraySource(samples), layout, Expected(doubtful=True))
    if reading.marker is None:
        message = (
            f"{capture}: the markers of {layout.file} are not in it. Record from the "
            "play-out file's start on, and on the channel that is named."
        )
        raise ReampsError(message)
    files: tuple[Path, ...] = ()
    if wish is not None:
        if reading.sweep is None:
            message = f"{capture}: no whole sweep is in it, so no response can be made"
            raise ReampsError(message)
        rate = layout.sample_rate_hz
        written = response_files(wish, response_names([capture.stem])[capture.stem])
        pre = reading.sweep.pre_samples
        taps = trimmed(reading.sweep.taps, pre + round(wish.seconds * rate))
        write_taps(wish, written, taps, (rate, pre))
        files = tuple(written.values())
    return Readback(reading, tuple(_lines(reading, layout)), files)


def _lines(reading: PlayoutHeard, layout: Layout) -> list[str]:
    marker, latency = reading.marker, reading.latency_samples
    if marker is None or latency is None:
        return []
    ms = latency / layout.sample_rate_hz * 1000.0
    sign = "upright" if marker.polarity > 0 else "inverted"
    lines = [
        f"latency {latency:.1f} samples ({ms:.2f} ms), {sign}; the three chirps agree "
        f"within {marker.spread_samples:.2f} samples"
    ]
    if reading.drift_ppm is not None:
        lines.append(f"drift over the file {reading.drift_ppm:+.2f} ppm")
    if reading.noise_dbfs is not None:
        lines.append(f"noise {reading.noise_dbfs:.1f} dBFS rms before the first marker")
    if reading.sweep is not None and layout.sweep is not None:
        level = db_from_amplitude(layout.sweep.amplitude)
        lines.append(
            f"harmonics of the sweep at {level:.1f} dBFS, dB against the fundamental "
            "(total as THD_F); in brackets what noise alone would show:"
        )
        lines += [_harmonics(reading, hz) for hz in SHOWN_HZ]
    return lines


def _harmonics(reading: PlayoutHeard, hz: float) -> str:
    sweep = reading.sweep
    if sweep is None:
        return ""
    at = int(np.abs(np.log(sweep.freq_hz / hz)).argmin())
    orders = []
    for index, level in enumerate(sweep.harmonics_db):
        if at < len(level):
            noise = reading.noise_db[index][at] if reading.noise_db else None
            told = "" if noise is None else f" ({noise:.0f})"
            orders.append(f"H{index + 2} {level[at]:.0f}{told}")
    return f"  {hz:5.0f} Hz: {', '.join(orders)}; {sweep.distortion[at]:.1%}"
