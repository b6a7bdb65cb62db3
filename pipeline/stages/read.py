"""Can this capture be used at all? Opens a source and judges what it holds.

Nothing here compares it with the DI. A source that cannot be used is a finding of
that capture, never the end of the night.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AudioError, ReampsError
from pipeline.files.audio import ChannelSource
from pipeline.files.opening import MISSING, signature_of
from pipeline.models.record import Finding
from pipeline.units import amplitude_from_db

SILENT_PEAK_DBFS = -80.0
"""A recording whose highest peak is below this holds no performance."""
SHORTEST_S = 1.0
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """Which channel of which file, and at which rate it is wanted.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.
    sample_rate_hz : int
        The DI's rate; another native rate is converted.
    seen : tuple of int or None
        Size and time of change of the file whose content is known; None where any
        content will do.
    """

    path: Path
    channel: int
    sample_rate_hz: int
    seen: tuple[int, int] | None = None


class Source:
    """An opened source, with samples that are safe to compute with.

    Satisfies the protocol of `pipeline.dsp.latency.CaptureSource`. Samples that are
    not finite are delivered as zero and remembered.

    Parameters
    ----------
    opened : ChannelSource
        The file's channel at the wanted rate.
    """

    def __init__(self, opened: ChannelSource) -> None:
        self._opened = opened
        self._kept: NDArray[np.float32] | None = None
        self.peak = 0.0
        self.info = opened.info
        self.native_rate_hz = opened.native_rate_hz
        self.sample_rate_hz = opened.sample_rate_hz

    @property
    def frames(self) -> int:
        """Length at the wanted rate."""
        return self._opened.frames

    @property
    def not_finite(self) -> bool:
        """Whether a sample that was read is not a finite number."""
        return self._opened.not_finite_seen

    def keep(self, most_frames: int) -> None:
        """Hold a source that is not too long in memory: it is read several times.

        Parameters
        ----------
        most_frames : int
            Longer sources stay on the disk.
        """
        if self.frames <= most_frames:
            self._kept = self._read(0, self.frames)

    def let_go(self) -> None:
        """Hold nothing in memory any more."""
        self._kept = None

    def read(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read samples; zero outside the file.

        Parameters
        ----------
        start : int
            First frame, at the wanted rate; may be negative.
        frames : int
            How many.

        Returns
        -------
        ndarray of float32, shape (frames,)
            Finite samples.
        """
        if self._kept is None:
            return self._read(start, frames)
        first, last = max(start, 0), min(start + frames, self.frames)
        if first == start and last == start + frames:
            return self._kept[first:last]
        piece = np.zeros(frames, dtype=np.float32)
        if last > first:
            piece[first - start : last - start] = self._kept[first:last]
        return piece

    def scan(self) -> None:
        """Read the source once, block by block, for its peak and its faults."""
        for start in range(0, self.frames, _BLOCK):
            block = self.read(start, min(_BLOCK, self.frames - start))
            self.peak = max(self.peak, float(block.max()), -float(block.min()))

    def _read(self, start: int, frames: int) -> NDArray[np.float32]:
        samples = self._opened.read(start, frames)
        if self._opened.not_finite_seen:
            np.nan_to_num(samples, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return samples


@contextmanager
def open_source(spec: SourceSpec) -> Iterator[Source]:
    """Open a source for reading.

    Parameters
    ----------
    spec : SourceSpec
        What to open.

    Yields
    ------
    Source
        Closed when the block ends.

    Raises
    ------
    AudioError
        If the file cannot be read; a `ReampsError` if it is not the file any more
        whose content is known.
    """
    try:
        with ChannelSource(
            spec.path, spec.channel, sample_rate_hz=spec.sample_rate_hz
        ) as opened:
            yield Source(opened)
    except AudioError:
        _refuse_other(spec)
        raise
    _refuse_other(spec)


def _refuse_other(spec: SourceSpec) -> None:
    """Refuse to take what another content gave for a result of the known one."""
    if spec.seen is not None and signature_of(spec.path) != spec.seen:
        message = (
            f"{spec.path}: changed since this run first looked at it. Wait until "
            "nothing writes to it, then run again; what was finished is kept."
        )
        raise ReampsError(message)


def refusal(error: AudioError) -> Finding:
    """Turn a file that cannot be read into a finding.

    Parameters
    ----------
    error : AudioError
        Why it cannot be read.

    Returns
    -------
    Finding
        A rejection under the error's code.
    """
    # What is to be done about the file, the error says by itself.
    fix = {
        MISSING: "Put it there, or correct its path in the manifest.",
    }.get(error.code, "Then run again: the rest of the night is kept.")
    return Finding(code=error.code, severity="reject", message=str(error), fix=fix)


def judge_source(source: Source) -> tuple[Finding, ...]:
    """Judge a source by itself, after it was scanned.

    Parameters
    ----------
    source : Source
        An opened and scanned source.

    Returns
    -------
    tuple of Finding
        Rejections for samples that are not finite, silence and too little audio; a
        note where the rate was converted.
    """
    found = []
    if source.not_finite:
        found.append(
            Finding(
                code="not_finite",
                severity="reject",
                message="The file holds samples that are not numbers (NaN, infinity).",
                fix="Export it again; a plug-in or a broken file made them.",
            )
        )
    elif source.peak < amplitude_from_db(SILENT_PEAK_DBFS):
        found.append(
            Finding(
                code="silent",
                severity="reject",
                message=f"No sample of it is above {SILENT_PEAK_DBFS:.0f} dBFS.",
                fix="Check the channel number, the cable, mute and stand-by.",
            )
        )
    if source.frames < SHORTEST_S * source.sample_rate_hz:
        found.append(
            Finding(
                code="too_short",
                severity="reject",
                message=(
                    f"{source.frames / source.sample_rate_hz:.2f} s of audio; at least "
                    f"{SHORTEST_S:.0f} s is needed to compare it with the DI."
                ),
                fix="Record the whole DI.",
            )
        )
    if source.native_rate_hz != source.sample_rate_hz:
        found.append(
            Finding(
                code="resampled",
                severity="note",
                message=(
                    f"Recorded at {source.native_rate_hz} Hz, converted to the DI's "
                    f"{source.sample_rate_hz} Hz."
                ),
                fix="Record at the DI's rate when you can.",
            )
        )
    if source.info.truncated:
        found.append(
            Finding(
                code="truncated",
                severity="warn",
                message=(
                    f"The header promises {source.info.claimed_frames} frames, the "
                    f"file holds {source.info.frames}."
                ),
                fix="Copy it again; the recorder may not have closed it.",
            )
        )
    return tuple(found)
