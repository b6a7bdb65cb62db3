"""Run or reuse? Decides per capture and stage, and keeps what was computed.

A result is kept under a key made of everything it depends on: contents of the files,
settings, version of the stage. The ledger remembers what each step depended on last
time, so that a decision can give its reason. `explain` asks the same question as the
run and prints the answers.
"""

import json
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import JsonValue, TypeAdapter, ValidationError

from pipeline.files.atomic import make_folder, replace_with
from pipeline.files.cache import Cache, key_of
from pipeline.run.executor import Workers
from pipeline.run.progress import Progress

FOLDER = ".kept"
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
        self._caches: list[Cache[object]] = []
        if self._folder is not None and not dry:
            make_folder(self._folder)

    @property
    def reused(self) -> int:
        """How many results were reused."""
        return sum(decision.reuse for decision in self.decisions)

    def map(
        self,
        stage: str,
        steps: Sequence[Step[Task]],
        function: Callable[[Task], Result],
        *,
        adapter: TypeAdapter[Result],
        workers: Workers,
        progress: Progress,
        valid: Callable[[Result], bool] = lambda _: True,
        then: Callable[[str, Result | None], Sequence[Step[Task]]] = lambda *_: (),
    ) -> dict[str, Result]:
        """Do what has to be done, reuse the rest.

        Parameters
        ----------
        stage : str
            Name of the stage.
        steps : sequence of Step
            What there is to do.
        function : callable
            Module-level function from task to result.
        adapter : TypeAdapter
            Writes and reads the result.
        workers : Workers
            Who does the work.
        progress : Progress
            Who is told of every step.
        valid : callable
            Whether a kept result still holds, such as a file that it names.
        then : callable
            What there is to do besides, once the result of a step is known; told of
            its id and its result. A dry keeper gives None for what would run.

        Returns
        -------
        dict of str to object
            By id, in the order of the steps; a dry keeper leaves out what would run.
        """
        cache = self._cache(stage, adapter)
        found: dict[str, Result] = {}
        due: list[tuple[Step[Task], str]] = []
        tasks: list[Task] = []
        order: list[str] = []

        def take(steps: Sequence[Step[Task]]) -> None:
            waiting = deque(steps)
            while waiting:
                step = waiting.popleft()
                order.append(step.id)
                key = key_of(stage, dict(step.parts))
                kept = cache.get(key) if cache else None
                if kept is not None and not valid(kept):
                    kept = None
                self._decide(stage, step, kept=kept is not None)
                if kept is not None:
                    found[step.id] = kept
                    progress.step()
                elif not self._dry:
                    due.append((step, key))
                    tasks.append(step.task)
                    continue
                waiting.extend(then(step.id, kept))

        def done(index: int, result: Result) -> None:
            # Kept at once: whatever ends this run, the next goes on from here.
            step, key = due[index]
            found[step.id] = result
            if cache is not None:
                cache.put(key, result)
            progress.step()
            take(then(step.id, result))

        take(steps)
        workers.map(function, tasks, done)
        return {id_: found[id_] for id_ in order if id_ in found}

    def _decide(self, stage: str, step: Step[Task], *, kept: bool) -> None:
        entry = f"{stage} {step.id}"
        before = self._before.get(entry)
        self.decisions.append(
            decide(stage, step.id, step.parts, before=before, kept=kept)
        )
        self._now[entry] = dict(step.parts)

    def _cache(self, stage: str, adapter: TypeAdapter[Result]) -> Cache[Result] | None:
        if self._folder is None:
            return None
        cache = Cache(self._folder, stage, adapter)
        self._caches.append(cache)  # type: ignore[arg-type]
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
