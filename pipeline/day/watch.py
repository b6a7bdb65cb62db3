"""Is what just landed usable? A verdict while the microphone still stands.

Waits for files that a workstation writes. A file is complete when its size and time
have stood still for a second and its header promises no more than is there. All files
of one pass are judged together and compared with the last one that can be used.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event

from watchfiles import watch as watch_changes

from pipeline.day.looks import audio_files
from pipeline.day.screen import again_text, pass_text
from pipeline.day.verdict import Heard, VerdictTask, judge_file
from pipeline.errors import AudioError, ReampsError
from pipeline.files.audio import probe, sha256_of
from pipeline.files.playout import sidecar_of
from pipeline.run.playing import played_beside
from pipeline.stages.di import inspect_di, load_di

SETTLE_S = 1.0
UNFINISHED_S = 5.0
"""A header that promises more than the file holds is believed so long."""
TICK_MS = 400

Say = Callable[[str], None]


@dataclass(slots=True)
class _Waiting:
    """A file that may still be written to."""

    signature: tuple[int, int]
    since_s: float


@dataclass(slots=True)
class Landing:
    """Knows which files of a folder are new and complete.

    Parameters
    ----------
    folder : Path
        The folder.
    known : set of Path
        Files that are not waited for.
    """

    folder: Path
    known: set[Path]
    waiting: dict[Path, _Waiting] = field(default_factory=dict)

    def landed(self, now_s: float) -> list[Path]:
        """Look at the folder once.

        Parameters
        ----------
        now_s : float
            A clock that never goes back.

        Returns
        -------
        list of Path
            Files that became complete; empty while a file that was begun with them
            is still being written.
        """
        for path in audio_files(self.folder):
            if path in self.known:
                continue
            try:
                facts = path.stat()
            except OSError:
                continue
            seen = (facts.st_size, facts.st_mtime_ns)
            held = self.waiting.get(path)
            if held is None or held.signature != seen:
                self.waiting[path] = _Waiting(seen, now_s)
        self.waiting = {p: w for p, w in self.waiting.items() if p.exists()}
        done = [path for path in self.waiting if self._complete(path, now_s)]
        if not done or self._begun_together(done):
            return []
        for path in done:
            del self.waiting[path]
            self.known.add(path)
        return sorted(done)

    def _complete(self, path: Path, now_s: float) -> bool:
        waiting = self.waiting[path]
        still_s = now_s - waiting.since_s
        if still_s < SETTLE_S or waiting.signature[0] == 0:
            return False
        try:
            whole = not probe(path).truncated
        except AudioError:
            whole = False
        return whole or still_s >= UNFINISHED_S

    def _begun_together(self, done: Sequence[Path]) -> bool:
        """Whether another file of the same pass is still moving."""
        last_ns = max(self.waiting[path].signature[1] for path in done)
        others = (path for path in self.waiting if path not in done)
        return any(
            abs(self.waiting[path].signature[1] - last_ns) < SETTLE_S * 1e9
            for path in others
        )


@dataclass(frozen=True, slots=True)
class Watched:
    """What a session of watching ends with.

    Parameters
    ----------
    passes : tuple of tuple of Heard
        Every channel of every pass.
    again : tuple of Heard
        What to record again before teardown.
    """

    passes: tuple[tuple[Heard, ...], ...]
    again: tuple[Heard, ...]


@dataclass(frozen=True, slots=True)
class Vigil:
    """What is watched.

    Parameters
    ----------
    folder : Path
        Where the workstation writes.
    di : Path
        The dry recording.
    everything : bool
        Judge the files that are already there, too.
    most_passes : int or None
        End after so many passes.
    """

    folder: Path
    di: Path
    everything: bool = False
    most_passes: int | None = None


def watch(vigil: Vigil, say: Say, stop: Event) -> Watched:
    """Judge what lands in a folder until it is stopped.

    Parameters
    ----------
    vigil : Vigil
        What is watched.
    say : callable
        Told one screen a pass.
    stop : Event
        Set it to end; so does an interrupt from the keyboard.

    Returns
    -------
    Watched
        Everything that was judged.

    Raises
    ------
    ReampsError
        If there is no folder or no usable DI.
    """
    if not vigil.folder.is_dir():
        message = f"{vigil.folder}: no folder is there; name the recorder's folder"
        raise ReampsError(message)
    spec = inspect_di(vigil.di, 1)
    load_di(spec)  # prepared before the first file lands
    played = played_beside(vigil.di, sha256_of(vigil.di), 1)
    there = set(audio_files(vigil.folder))
    known = {vigil.di} if vigil.everything else there
    known |= {path for path in there if path.resolve() == vigil.di.resolve()}
    known |= {path for path in there if sidecar_of(path).is_file()}
    landing = Landing(vigil.folder, known)
    passes: list[tuple[Heard, ...]] = []
    try:
        say(
            f"Watching {vigil.folder} for captures of {vigil.di.name}. Ctrl-C ends and "
            "lists what to record again."
        )
        for _ in _ticks(vigil.folder, stop):
            files = landing.landed(time.monotonic())
            if not files:
                continue
            heard = _judge([VerdictTask(spec, path, played) for path in files])
            say(pass_text(heard, passes, number=len(passes) + 1))
            passes.append(heard)
            if vigil.most_passes is not None and len(passes) >= vigil.most_passes:
                break
    except KeyboardInterrupt:
        pass  # the usual end of an evening
    again = to_record_again(passes)
    say(again_text(again, passes))
    return Watched(tuple(passes), again)


def _ticks(folder: Path, stop: Event) -> Iterator[None]:
    """Come back at every change, and a few times a second besides."""
    yield
    for _ in watch_changes(
        folder,
        stop_event=stop,
        rust_timeout=TICK_MS,
        yield_on_timeout=True,
        raise_interrupt=True,
        debounce=TICK_MS,
    ):
        yield


def _judge(tasks: Sequence[VerdictTask]) -> tuple[Heard, ...]:
    return tuple(heard for task in tasks for heard in judge_file(task))


def to_record_again(passes: Sequence[Sequence[Heard]]) -> tuple[Heard, ...]:
    """List what has to be recorded again.

    Parameters
    ----------
    passes : sequence of sequence of Heard
        In the order of the night.

    Returns
    -------
    tuple of Heard
        Channels that are not usable, or doubtful for a reason that a new take mends,
        unless a later pass holds the same track without that fault.
    """
    found: list[Heard] = []
    for heard in (one for one_pass in passes for one in one_pass):
        if heard.usable == "yes":
            found = [old for old in found if old.track != heard.track]
        else:
            found.append(heard)
    return tuple(found)
