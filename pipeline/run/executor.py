"""Where work is done: in this process, or in several.

One interface for all: `map` over a module-level function and picklable tasks, each
result handed over, with the index of its task, as it is done.
"""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from typing import Protocol, TypeVar

from threadpoolctl import threadpool_limits

Task = TypeVar("Task")
Result = TypeVar("Result")


def _compute_on_one_thread() -> None:
    """Keep a worker to one core; sums in another order would change last digits."""
    # Imported first, so that both thread pools are known to the limit.
    import numpy as np  # noqa: F401, PLC0415 (see above)
    import scipy.linalg  # noqa: F401, PLC0415 (see above)

    threadpool_limits(1)


class Workers(Protocol):
    """Something that maps a function over tasks."""

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task; hand over each result with its index."""


class Serial:
    """All work in this process."""

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, one after the other."""
        for index, task in enumerate(tasks):
            done(index, function(task))


class Pool:
    """Work handed to an executor of concurrent.futures' interface."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, wherever there is room."""
        futures = {
            self._executor.submit(function, task): index
            for index, task in enumerate(tasks)
        }
        try:
            for future in as_completed(futures):
                done(futures[future], future.result())
        except BaseException:
            for waiting in futures:
                waiting.cancel()
            raise


@contextmanager
def open_workers(jobs: int) -> Iterator[Workers]:
    """Open workers for a session.

    Parameters
    ----------
    jobs : int
        How many processes; 1 works in this one.

    Yields
    ------
    Workers
        Closed when the block ends. Processes are spawned, so that the same code runs
        on macOS, Windows and Linux; each computes on one thread.
    """
    if jobs <= 1:
        with threadpool_limits(1):
            yield Serial()
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        jobs, mp_context=context, initializer=_compute_on_one_thread
    ) as executor:
        try:
            yield Pool(executor)
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise
