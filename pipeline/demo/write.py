"""Writes the invented session into a folder: audio, manifest, truth."""

import wave
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.demo import band, players, sheet
from pipeline.demo.colour import SAMPLE_RATE_HZ
from pipeline.demo.rig import AMPS, AmpName, amplify
from pipeline.demo.session import PASSES, Pass
from pipeline.demo.takes import Loud, record
from pipeline.errors import OutputError
from pipeline.files.samples import encode_24

Tracks = NDArray[np.float32]

SEED = 1907
MANIFEST = "session.toml"
TRUTH = "truth.json"


@dataclass(frozen=True, slots=True)
class DemoSession:
    """Where the session was written.

    Parameters
    ----------
    manifest : pathlib.Path
        The manifest, ready for a run.
    truth : pathlib.Path
        JSON with the true latencies, polarities, delays and the floor.
    wrong_file_id : str
        The one capture that a run has to reject.
    """

    manifest: Path
    truth: Path
    wrong_file_id: str


def write_demo(
    folder: Path, progress: Callable[[int, int], None] | None = None
) -> DemoSession:
    """Synthesise the session; equal bytes every time on one machine.

    Parameters
    ----------
    folder : pathlib.Path
        Made if it is missing; otherwise empty, or holding this very session.
    progress : callable or None
        Called with passes done and passes in all, after each pass.

    Returns
    -------
    DemoSession
        Where things are. The truth is written first and marks the folder as this
        session's; the manifest is written last, so a folder with one is complete.

    Raises
    ------
    OutputError
        If the folder holds something else, or cannot be written to.
    """
    _claim(folder)
    try:
        (folder / "audio").mkdir(parents=True, exist_ok=True)
        _write_text(folder / TRUTH, sheet.truth_text())
        _write_audio(folder, progress)
        _write_text(folder / MANIFEST, sheet.manifest_text())
    except OSError as error:
        text = (
            f"The demo session could not be written into {folder}: "
            f"{error.strerror}. Name a folder that can be written to."
        )
        raise OutputError(text) from error
    return DemoSession(folder / MANIFEST, folder / TRUTH, sheet.wrong_id())


def _claim(folder: Path) -> None:
    """Refuse a folder that holds anybody else's work."""
    if folder.is_dir():
        truth = folder / TRUTH
        ours = truth.is_file() and truth.read_bytes() == _bytes_of(sheet.truth_text())
        taken = not ours and any(folder.iterdir())
    else:
        taken = folder.exists()
    if taken:
        text = (
            f"{folder} is in use and does not hold this demo session, so nothing was "
            "written into it. Name a new or an empty folder."
        )
        raise OutputError(text)


def _write_audio(folder: Path, progress: Callable[[int, int], None] | None) -> None:
    right = players.play(players.phrase(), np.random.default_rng([SEED, 0]))
    wrong = players.play(players.another_phrase(), np.random.default_rng([SEED, 1]))
    _write_wave(folder / "audio" / "di.wav", right.astype(np.float32)[:, np.newaxis])
    _write_wave(
        folder / sheet.BACKING,
        band.play_along(players.phrase(), np.random.default_rng([SEED, 3])),
        band.RATE_HZ,
    )
    loud: dict[tuple[AmpName, bool], Loud] = {}
    for index, one in enumerate(PASSES):
        key = (one.amp, one.wrong)
        if key not in loud:
            played = wrong if one.wrong else right
            loud[key] = Loud(amplify(played, AMPS[one.amp]), one.amp)
        _write_pass(folder, one, record(one, loud[key], _chance(index)))
        if progress is not None:
            progress(index + 1, len(PASSES))


def _chance(index: int) -> np.random.Generator:
    return np.random.default_rng([SEED, 2, index])


def _write_pass(folder: Path, one: Pass, tracks: list[Tracks]) -> None:
    if one.stereo:
        file, _ = sheet.file_of(one, one.takes[0])
        _write_wave(folder / file, np.stack(tracks, axis=1))
        return
    for take, track in zip(one.takes, tracks, strict=True):
        file, _ = sheet.file_of(one, take)
        _write_wave(folder / file, track[:, np.newaxis])


def _write_wave(
    path: Path, frames: NDArray[np.floating], rate_hz: int = SAMPLE_RATE_HZ
) -> None:
    """Write frames by channels as 24-bit PCM."""
    samples = np.ascontiguousarray(frames, dtype=np.float32)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(frames.shape[1])
        file.setsampwidth(3)
        file.setframerate(rate_hz)
        file.writeframes(encode_24(samples.ravel()))


def _write_text(path: Path, text: str) -> None:
    path.write_bytes(_bytes_of(text))


def _bytes_of(text: str) -> bytes:
    return text.encode("utf-8")
