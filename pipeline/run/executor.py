"""Where work is done: in this process, in several, or on a cluster.

One interface for all: `map` over a module-level function and picklable tasks, each
result handed over, with the index of its task, as it is done. Whoever takes a result
may append to the list of tasks what had to wait for it. Whatever ends a map, no task
of it is still at work afterwards: nothing is written behind a run's back.
"""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing.connection import wait as wait_for_end
from pathlib import Path
from queue import SimpleQueue
from typing import Protocol, TypeVar

from threadpoolctl import threadpool_limits

from pipeline import interruption
from pipeline.errors import ReampsError
from pipeline.run.begin import await_server, held_interrupt, ready_to_begin
from pipeline.run.memory import hold_freed_memory

Task = TypeVar("Task")
Result = TypeVar("Result")

MOST_DEATHS = 3
"""So often may worker processes die under one map before it is given up."""


def on_one_thread() -> threadpool_limits:
    """Keep to one core from now on; sums in another order would change last digits.

    Returns
    -------
    threadpool_limits
        As a context manager it ends with its block.
    """
    # Imported first, so that both thread pools are known to the limit.
    import numpy as np  # noqa: F401, PLC0415 (see above)
    import scipy.linalg  # noqa: F401, PLC0415 (see above)

    return threadpool_limits(1)


def perform(work: tuple[Callable[[Task], Result], Task]) -> Result:
    """Do work of any kind.

    Parameters
    ----------
    work : tuple of callable and object
        Module-level function, and what it is given.

    Returns
    -------
    object
        The function's.
    """
    function, task = work
    return function(task)


class Workers(Protocol):
    """Something that maps a function over tasks."""

    def reach(self, sources: Sequence[Path], folder: Path) -> None:
        """Refuse, with a `ReampsError`, files that a worker does not see."""

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, also on those that `done` appends."""


class Serial:
    """All work in this process."""

    def reach(self, sources: Sequence[Path], folder: Path) -> None:
        """See the same files: it is the same machine."""

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, one after the other."""
        # A list that grows meanwhile is gone through to its new end.
        for index, task in enumerate(tasks):
            result = function(task)
            if interruption.seen():
                # A library had swallowed it, and with it what the result rests on.
                raise KeyboardInterrupt
            done(index, result)


class Processes:
    """Work in processes of this machine.

    Parameters
    ----------
    jobs : int
        How many.
    """

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._executor: ProcessPoolExecutor | None = None

    def reach(self, sources: Sequence[Path], folder: Path) -> None:
        """See the same files: it is the same machine."""

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, wherever there is room.

        Parameters
        ----------
        function : callable
            Module-level, without memory of its own: a task whose process died is
            given to another one.
        tasks : sequence
            What there is to do.
        done : callable
            Called here with index and result, in the order in which they come; may
            append to a list of tasks.

        Raises
        ------
        ReampsError
            If processes keep dying.
        KeyboardInterrupt
            When interrupted; no process is left by then.
        """
        finished: set[int] = set()
        try:
            for _ in range(MOST_DEATHS):
                try:
                    self._round(function, tasks, finished, done)
                except BrokenExecutor:
                    self.close()
                else:
                    return
        except KeyboardInterrupt:
            self.kill()
            raise
        message = (
            f"{MOST_DEATHS} worker processes died at work, most likely because the "
            "memory was full. What was finished is kept: close other programs and run "
            "the same command with --jobs 1 to go on."
        )
        raise ReampsError(message)

    def _round(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        finished: set[int],
        done: Callable[[int, Result], None],
    ) -> None:
        futures: dict[Future[Result], int] = {}
        ended: SimpleQueue[Future[Result]] = SimpleQueue()
        given = 0
        try:
            self._open()
            while futures or given < len(tasks):
                with held_interrupt():
                    for index in range(given, len(tasks)):
                        if index not in finished:
                            future = self._open().submit(function, tasks[index])
                            futures[future] = index
                            future.add_done_callback(ended.put)
                given = len(tasks)
                if futures:
                    future = ended.get()
                    index = futures.pop(future)
                    result = future.result()
                    finished.add(index)
                    done(index, result)
        except Exception:
            for waiting in futures:
                waiting.cancel()
            wait(futures)
            raise

    def _open(self) -> ProcessPoolExecutor:
        if self._executor is None:
            context = ready_to_begin()
            await_server()
            self._executor = ProcessPoolExecutor(
                self._jobs, mp_context=context, initializer=_begin_worker
            )
        return self._executor

    def kill(self) -> None:
        """End all processes at once, whatever they do."""
        if self._executor is not None:
            # Ending them has a public name from Python 3.14 on.
            for process in list((self._executor._processes or {}).values()):
                process.kill()
            # Who was sending a result leaves half of it in the pipe, and the thread
            # that reads it waits for the rest while anybody could send it. This process
            # could: its end of the pipe was for the workers.
            results = self._executor._result_queue
            if results is not None:
                results._writer.close()  # type: ignore[attr-defined]
            self.close()

    def close(self) -> None:
        """Wait for the end of all processes."""
        if self._executor is not None:
            self._executor.shutdown(cancel_futures=True)
            self._executor = None


def _begin_worker() -> None:
    """Prepare a worker process: it ends with its parent, and only with it."""
    # The parent is interrupted too, and ends its workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    hold_freed_memory()
    on_one_thread()


def _end_with_parent() -> None:
    """Never outlive a parent that was killed: the next run would meet our writes."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for_end([parent.sentinel])
        os._exit(1)


@contextmanager
def open_workers(jobs: int, cluster: str | None = None) -> Iterator[Workers]:
    """Open workers for a session.

    Parameters
    ----------
    jobs : int
        How many processes; 1 works in this one.
    cluster : str, optional
        Address of a scheduler, whose workers are used instead.

    Yields
    ------
    Workers
        Closed when the block ends; each computes on one thread. A `ReampsError` says
        why a cluster cannot be used.
    """
    if cluster is not None:
        from pipeline.run.cluster import open_cluster  # noqa: PLC0415 (an extra)

        with open_cluster(cluster) as workers:
            yield workers
    elif jobs <= 1:
        hold_freed_memory()
        with on_one_thread():
            yield Serial()
    else:
        processes = Processes(jobs)
        try:
            yield processes
        finally:
            # Idle by now, or to be interrupted.
            processes.kill()
