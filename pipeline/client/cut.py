"""Cut the same part out of every tone, so that all of it fits where it goes."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.client.excerpt import Packed, liveliest, matching_gains, pack
from pipeline.client.tones import Tone
from pipeline.errors import AudioError, OutputError, RecordError
from pipeline.files.audio import ChannelSource, sha256_of
from pipeline.files.names import inside
from pipeline.models.record import Output, Record
from pipeline.report.text import clock, number

DECODED_MB = 96.0
"""What a phone's browser tab holds without trouble, all sounds decoded at once."""
BYTES_A_SAMPLE = 4
SHORTEST_S = 2.0
MB = 1e6
_TRIES = 8
_PAGE_BYTES = 60_000


@dataclass(frozen=True, slots=True)
class Room:
    """What the tones must fit into.

    Parameters
    ----------
    max_mb : float or None
        Largest file that holds all of them, MB; None: a file each.
    seconds : float or None
        Longest part; None: the whole song.
    pcm : bool
        16-bit PCM instead of FLAC.
    """

    max_mb: float | None
    seconds: float | None
    pcm: bool


@dataclass(frozen=True, slots=True)
class Cut:
    """The part of the song that is sent.

    Parameters
    ----------
    sounds : list of ndarray of float32, shape (frames,)
        Before the gains that match them.
    packed : list of Packed
        As they travel.
    start : int
        First frame in the song.
    words : str
        What was cut and why; empty for the whole song.
    """

    sounds: list[NDArray[np.float32]]
    packed: list[Packed]
    start: int
    words: str

    @property
    def frames(self) -> int:
        """Length in frames."""
        return len(self.sounds[0])


def _read(folder: Path, output: Output, rate: int) -> NDArray[np.float32]:
    path, frames = inside(folder, Path(output.file)), output.frames
    same = sha256_of(path) == output.sha256
    with ChannelSource(path) as source:
        if not same or (source.frames, source.sample_rate_hz) != (frames, rate):
            message = f"{path}: is not what the record says. Run the session again."
            raise RecordError(message)
        return source.read(0, frames)


def _guide(
    folder: Path, record: Record, sounds: Sequence[NDArray[np.float32]]
) -> NDArray[np.float32]:
    """Give the DI where it was written, else the sum of the tones."""
    dry = record.di.output
    if dry is not None:
        try:
            return _read(folder, dry, record.di.sample_rate_hz)
        except (AudioError, RecordError):
            pass
    return np.asarray(np.mean(sounds, axis=0), dtype=np.float32)


def _limit(room: Room, whole_s: float, count: int, rate: int) -> tuple[float, str]:
    by_memory = DECODED_MB * MB / (BYTES_A_SAMPLE * rate * count)
    wanted = min(whole_s, room.seconds or whole_s)
    if by_memory < wanted:
        return by_memory, f"to what a phone can hold ({number(DECODED_MB, 0, 'MB')})"
    return wanted, "as you asked"


def cut_tones(folder: Path, record: Record, these: Sequence[Tone], room: Room) -> Cut:
    """Read, cut, match and pack, shorter until it fits.

    Parameters
    ----------
    folder : Path
        The run's folder.
    record : Record
        The session.
    these : sequence of Tone
        What is sent.
    room : Room
        What it must fit into.

    Returns
    -------
    Cut
        Never longer than a phone can hold decoded.

    Raises
    ------
    OutputError
        If hardly anything would fit.
    """
    rate = record.di.sample_rate_hz
    whole = [_read(folder, one.output, rate) for one in these]
    frames = min(len(sound) for sound in whole)
    guide = _guide(folder, record, [sound[:frames] for sound in whole])
    seconds, why = _limit(room, frames / rate, len(these), rate)
    most = np.inf if room.max_mb is None else room.max_mb * MB
    for _ in range(_TRIES):
        length = min(frames, max(1, int(seconds * rate)))
        start = liveliest(guide[:frames], rate, length)
        sounds = [sound[start : start + length] for sound in whole]
        gains = matching_gains(sounds, rate)
        packed = [
            pack(sound, gain, rate, pcm=room.pcm)
            for sound, gain in zip(sounds, gains, strict=True)
        ]
        size = sum(4 * len(one.data) / 3 for one in packed) + _PAGE_BYTES
        if size <= most:
            words = _cut_words(start, length, frames, rate)
            return Cut(sounds, packed, start, words and f"{words}, {why}")
        seconds *= 0.97 * max(0.0, most - _PAGE_BYTES) / (size - _PAGE_BYTES)
        why = f"to fit {room.max_mb:g} MB"
        if seconds < SHORTEST_S:
            break
    message = (
        f"less than {SHORTEST_S:.0f} s of {len(these)} tones fit into "
        f"{room.max_mb:g} MB; give more with --max-mb, or use --folder"
    )
    raise OutputError(message)


def _cut_words(start: int, length: int, frames: int, rate: int) -> str:
    if length >= frames:
        return ""
    return (
        f"{clock(start / rate)} to {clock((start + length) / rate)} of the song's "
        f"{clock(frames / rate)}, the liveliest part"
    )
