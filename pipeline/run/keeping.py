"""Run or reuse? Decides per capture and stage, and keeps what was computed.

A result is kept under a key made of everything it depends on: contents of the files,
settings, version of the stage. The ledger remembers what each step depended on last
time, so that a decision can give its reason. `explain` asks the same question as the
run and prints the answers.
"""

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from os.path import realpath
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import JsonValue, TypeAdapter, ValidationError

from pipeline.errors import OutputError
from pipeline.files.atomic import make_folder, replace_with
from pipeline.files.cache import Cache, key_of
from pipeline.run.executor import Workers, perform
from pipeline.run.progress import Progress

FOLDER = ".kept"
_SESSION = "session"
"""Entry of the ledger that tells whose it is; no stage is called so."""
LEDGER = "ledger.json"

Parts = Mapping[str, JsonValue]
Result = TypeVar("Result")
Task = TypeVar("Task")

_LEDGER = TypeAdapter(dict[str, dict[str, JsonValue]])


@dataclass(frozen=True, slots=True)
class Decision:
    """One answer.

    Parameters
    ----------
    stage : str
        Name of the stage.
    id : str
        Capture, pass or DI.
    reuse : bool
        Whether the kept result serves.
    reason : str
        Why.
    """

    stage: str
    id: str
    reuse: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Step(Generic[Task]):
    """One thing to do, if it has to be done.

    Parameters
    ----------
    id : str
        Capture, pass or DI.
    task : object
        What the worker is given.
    parts : mapping of str to JSON
        Everything that the result depends on, by name.
    """

    id: str
    task: Task
    parts: Parts


@dataclass(frozen=True, slots=True)
class Strand(Generic[Task, Result]):
    """What there is to do in one stage.

    Parameters
    ----------
    stage : str
        Its name.
    steps : sequence of Step
        What there is to do.
    function : callable
        Module-level function from task to result.
    adapter : TypeAdapter
        Writes and reads the result.
    valid : callable
        Whether a kept result still holds, such as a file that it names.
    then : callable
        What there is to do besides, once the result of a step is known; told of its
        id and its result. While only deciding, None stands for what would run.
    """

    stage: str
    steps: Sequence[Step[Task]]
    function: Callable[[Task], Result]
    adapter: TypeAdapter[Result]
    valid: Callable[[Result], bool] = lambda _: True
    then: Callable[[str, Result | None], Sequence[Step[Task]]] = lambda *_: ()


@dataclass(frozen=True, slots=True)
class _Followed:
    """A strand and how far it is."""

    strand: Strand[Any, Any]
    cache: Cache[Any] | None
    order: list[str] = field(default_factory=list)
    found: dict[str, Any] = field(default_factory=dict)

    def kept(self, key: str) -> object | None:
        """Look for a result that still holds."""
        kept = self.cache.get(key) if self.cache else None
        return kept if kept is not None and self.strand.valid(kept) else None

    def results(self) -> dict[str, Any]:
        """Order what was found as it was asked for."""
        return {id_: self.found[id_] for id_ in self.order if id_ in self.found}


def decide(
    stage: str, id_: str, parts: Parts, *, before: Parts | None, kept: bool
) -> Decision:
    """Decide whether a kept result serves.

    Parameters
    ----------
    stage, id_ : str
        What is asked about.
    parts : mapping
        What the result depends on now.
    before : mapping or None
        What it depended on last time; None the first time.
    kept : bool
        Whether a result for these very parts can be read back.

    Returns
    -------
    Decision
        With the reason: the first part that changed.
    """
    if kept:
        return Decision(stage, id_, reuse=True, reason="nothing changed")
    if before is None:
        return Decision(stage, id_, reuse=False, reason="not done before")
    for name, value in parts.items():
        if name not in before or before[name] != value:
            return Decision(stage, id_, reuse=False, reason=f"{name} changed")
    return Decision(stage, id_, reuse=False, reason="the kept result is gone")


class Keeper:
    """Keeps the results of one folder's session.

    Parameters
    ----------
    folder : Path or None
        The run's folder; None keeps nothing and reuses nothing.
    dry : bool
        Only decide: nothing is computed, nothing written.
    """

    def __init__(self, folder: Path | None, *, dry: bool = False) -> None:
        self._folder = folder / FOLDER if folder else None
        self._dry = dry
        self._before = self._read_ledger()
        self._now: dict[str, dict[str, JsonValue]] = {}
        self.decisions: list[Decision] = []
        self._caches: list[Cache[Any]] = []
        if self._folder is not None and not dry:
            make_folder(self._folder)

    @property
    def reused(self) -> int:
        """How many results were reused."""
        return sum(decision.reuse for decision in self.decisions)

    def claim(self, manifest: Path, sources: Iterable[str]) -> None:
        """Refuse a folder that holds another session; make it this one's.

        Parameters
        ----------
        manifest : Path
            Absolute path of the session's manifest.
        sources : iterable of str
            Hashes of its captures' files.

        Raises
        ------
        OutputError
            If another manifest's run filled the folder, and from other recordings:
            its results would go. A manifest that was moved or copied stays welcome.
        """
        if self._folder is None:
            return
        where = realpath(manifest).encode("utf-8", "surrogatepass")
        mine = hashlib.sha256(where).hexdigest()
        self._now[_SESSION] = {"manifest": mine}
        theirs = self._before.get(_SESSION, {}).get("manifest", mine)
        if theirs == mine:
            return
        known = {parts.get("source") for parts in self._before.values()}
        if known.isdisjoint(sources):
            message = (
                f"{self._folder.parent}: holds the results of another session (another "
                "manifest's, of other recordings), and they would go. Nothing was "
                "changed: choose another folder with --out, or give one of the "
                "sessions another name."
            )
            raise OutputError(message)

    def map(
        self, strand: Strand[Task, Result], workers: Workers, progress: Progress
    ) -> dict[str, Result]:
        """Do what has to be done, reuse the rest.

        Parameters
        ----------
        strand : Strand
            What there is to do.
        workers : Workers
            Who does the work.
        progress : Progress
            Who is told of every step.

        Returns
        -------
        dict of str to object
            By id, in the order of the steps; a dry keeper leaves out what would run.
        """
        (found,) = self.map_together([strand], workers, progress)
        return found

    def map_together(
        self,
        strands: Sequence[Strand[Any, Any]],
        workers: Workers,
        progress: Progress,
    ) -> list[dict[str, Any]]:
        """Do the work of several strands at the same time.

        Parameters
        ----------
        strands : sequence of Strand
            What there is to do.
        workers, progress
            As in `map`.

        Returns
        -------
        list of dict
            What `map` gives, one a strand.
        """
        due: list[tuple[_Followed, Step[Any], str]] = []
        tasks: list[tuple[Callable[[Any], Any], Any]] = []
        followed = [_Followed(one, self._cache(one)) for one in strands]

        def take(one: _Followed, steps: Sequence[Step[Any]]) -> None:
            waiting = deque(steps)
            while waiting:
                step = waiting.popleft()
                one.order.append(step.id)
                key = key_of(one.strand.stage, dict(step.parts))
                kept = one.kept(key)
                self._decide(one.strand.stage, step, kept=kept is not None)
                if kept is not None:
                    one.found[step.id] = kept
                    progress.step()
                elif not self._dry:
                    due.append((one, step, key))
                    tasks.append((one.strand.function, step.task))
                    continue
                waiting.extend(one.strand.then(step.id, kept))

        def done(index: int, result: object) -> None:
            # Kept at once: whatever ends this run, the next goes on from here.
            one, step, key = due[index]
            one.found[step.id] = result
            if one.cache is not None:
                one.cache.put(key, result)
            progress.step()
            take(one, one.strand.then(step.id, result))

        for one in followed:
            take(one, one.strand.steps)
        workers.map(perform, tasks, done)
        return [one.results() for one in followed]

    def _decide(self, stage: str, step: Step[Task], *, kept: bool) -> None:
        entry = f"{stage} {step.id}"
        before = self._before.get(entry)
        self.decisions.append(
            decide(stage, step.id, step.parts, before=before, kept=kept)
        )
        self._now[entry] = dict(step.parts)

    def _cache(self, strand: Strand[Any, Any]) -> Cache[Any] | None:
        if self._folder is None:
            return None
        cache: Cache[Any] = Cache(self._folder, strand.stage, strand.adapter)
        self._caches.append(cache)
        return cache

    def close(self) -> None:
        """Write the ledger; forget results that this session no longer needs."""
        if self._folder is None or self._dry:
            return
        # Sorted: in which order workers were done is of no interest.
        replace_with(
            self._folder / LEDGER, _LEDGER.dump_json(dict(sorted(self._now.items())))
        )
        used = frozenset().union(*(cache.used for cache in self._caches))
        for path in self._folder.glob("*.json"):
            if path not in used and path.name != LEDGER:
                with suppress(OSError):
                    path.unlink()

    def _read_ledger(self) -> dict[str, dict[str, JsonValue]]:
        if self._folder is None:
            return {}
        try:
            return _LEDGER.validate_json((self._folder / LEDGER).read_bytes())
        except (OSError, ValidationError, json.JSONDecodeError):
            return {}
