"""What does the DI hold? Reads it once a process and keeps what captures share."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import Activity, active_frames, frame_edges, frame_power
from pipeline.dsp.latency import MIN_RATE_HZ, DiReference, prepare_di
from pipeline.dsp.linearity import DiSpectra, di_spectra
from pipeline.errors import AudioError, ReampsError
from pipeline.files.audio import AudioInfo, ChannelSource, probe
from pipeline.files.playout import own_layout
from pipeline.units import amplitude_from_db

LONGEST_S = 3600.0
"""A DI longer than an hour is a recorder left running: memory follows its length."""
SHORTEST_S = 1.0
_SILENT_DBFS = -80.0


@dataclass(frozen=True, slots=True)
class DiSpec:
    """Which recording is the DI.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.
    sample_rate_hz : int
        Its rate; all captures are brought to it.
    frames : int
        Its length; all outputs get it.
    size_bytes, modified_ns : int
        The file as it was looked at, so that a changed file is read again.
    start : int
        First frame of the DI in the file: not 0 in a play-out file.
    """

    path: Path
    channel: int
    sample_rate_hz: int
    frames: int
    size_bytes: int
    modified_ns: int
    start: int = 0


@dataclass(frozen=True, slots=True)
class DiMaterial:
    """The DI in memory.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
        Full scale 1.0.
    reference : DiReference
        What the latency search needs of it.
    activity : Activity
        Where it plays and where it is silent.
    spectra : DiSpectra
        Its windows, transformed once for all captures.
    power : ndarray of float64, shape (frames of 50 ms,)
        Its level, frame by frame.
    """

    samples: NDArray[np.float32]
    reference: DiReference
    activity: Activity
    spectra: DiSpectra
    power: NDArray[np.float64]

    def quiet_samples(self) -> NDArray[np.bool_]:
        """Mark where the DI is silent.

        Returns
        -------
        ndarray of bool, shape (frames,)
            True in the silences, sample by sample.
        """
        rate = self.reference.sample_rate_hz
        edges = frame_edges(len(self.samples), rate)
        marks = np.zeros(len(self.samples), dtype=np.bool_)
        for index in np.flatnonzero(self.activity.quiet):
            marks[edges[index] : edges[index + 1]] = True
        return marks


def inspect_di(path: Path, channel: int) -> DiSpec:
    """Look at the DI's header, and at the sidecar of a play-out file.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.

    Returns
    -------
    DiSpec
        Its rate and length; of a play-out file, the DI that lies in it.

    Raises
    ------
    ReampsError
        If it cannot be read, its rate is too low, or it is too short or too long:
        without a DI nothing can be done.
    """
    try:
        info = probe(path)
    except AudioError as error:
        message = f"The DI cannot be used. {error}"
        raise ReampsError(message) from error
    if info.sample_rate_hz < MIN_RATE_HZ:
        message = (
            f"The DI cannot be used. {path}: {info.sample_rate_hz} Hz, expected "
            f"{MIN_RATE_HZ} Hz or more. Give the file that was recorded, at its own "
            "rate."
        )
        raise ReampsError(message)
    start, frames = _stretch(path, info)
    seconds = frames / info.sample_rate_hz
    if not SHORTEST_S <= seconds <= LONGEST_S:
        message = (
            f"The DI cannot be used. {path}: {seconds:.2f} s long, expected "
            f"{SHORTEST_S:.0f} s to {LONGEST_S / 60:.0f} minutes. Cut it to what was "
            "played through the amplifier."
        )
        raise ReampsError(message)
    return DiSpec(
        path=path,
        channel=channel,
        sample_rate_hz=info.sample_rate_hz,
        frames=frames,
        size_bytes=info.size_bytes,
        modified_ns=info.modified_ns,
        start=start,
    )


def _stretch(path: Path, info: AudioInfo) -> tuple[int, int]:
    """Say where the DI lies in its file: first frame and length."""
    layout = own_layout(path)
    if layout is None:
        return 0, info.frames
    if (layout.frames, layout.sample_rate_hz) != (info.frames, info.sample_rate_hz):
        message = (
            f"The DI cannot be used. {path}: its sidecar tells of {layout.frames} "
            f"frames at {layout.sample_rate_hz} Hz, found {info.frames} at "
            f"{info.sample_rate_hz} Hz. Make the play-out file again, or take the "
            "sidecar away if this is none."
        )
        raise ReampsError(message)
    return layout.di_start, layout.di_frames


@lru_cache(maxsize=1)
def load_di(spec: DiSpec) -> DiMaterial:
    """Read the DI and prepare it, once a process.

    Parameters
    ----------
    spec : DiSpec
        From `inspect_di`.

    Returns
    -------
    DiMaterial
        Samples and what captures are held against.

    Raises
    ------
    ReampsError
        If the DI cannot be read, holds numbers that are not finite, or is silent.
    """
    try:
        with ChannelSource(spec.path, spec.channel) as source:
            info = source.info
            samples = source.read(spec.start, spec.frames)
            finite = not source.not_finite_seen
    except AudioError as error:
        message = f"The DI cannot be used. {error}"
        raise ReampsError(message) from error
    if (info.size_bytes, info.modified_ns) != (spec.size_bytes, spec.modified_ns):
        message = (
            f"The DI cannot be used. {spec.path}: changed since this run first looked "
            "at it. Wait until nothing writes to it, then run again."
        )
        raise ReampsError(message)
    if not finite:
        message = (
            f"The DI cannot be used. {spec.path}: it holds samples that are not "
            "numbers (NaN or infinite). Export it again."
        )
        raise ReampsError(message)
    peak = max(float(samples.max()), -float(samples.min()))
    if peak < amplitude_from_db(_SILENT_DBFS):
        message = (
            f"The DI cannot be used. {spec.path}: channel {spec.channel} is silent (no "
            f"sample above {_SILENT_DBFS:.0f} dBFS). Check the channel in the manifest."
        )
        raise ReampsError(message)
    rate = spec.sample_rate_hz
    activity = active_frames(samples, rate)
    return DiMaterial(
        samples,
        prepare_di(samples, rate),
        activity,
        di_spectra(samples, rate, activity),
        frame_power(samples, rate),
    )
