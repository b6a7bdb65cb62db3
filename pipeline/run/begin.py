"""How worker processes begin: on Linux from one process that has imported everything.

Everywhere else each worker is spawned and imports for itself, so tasks must be
importable and picklable on every system.
"""

import multiprocessing
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from multiprocessing import forkserver, resource_tracker
from multiprocessing.context import BaseContext

_TASKS = "pipeline.run.tasks"


def ready_to_begin() -> BaseContext:
    """Begin to import for the workers, in the background; may be called again.

    Returns
    -------
    BaseContext
        In which worker processes are started.
    """
    if sys.platform != "linux":
        # A process of macOS may not go on after a fork with the system's libraries.
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([_TASKS])
    # It lets interruptions through as it starts, so it starts before they are held.
    resource_tracker.ensure_running()
    with held_interrupt():
        forkserver.ensure_running()
    return context


def import_ahead(module: str) -> None:
    """Import a module in the background, while the work is done elsewhere.

    Parameters
    ----------
    module : str
        Its full name. Whoever imports it then waits for the rest; if it cannot be
        imported, they are told.
    """

    def bring() -> None:
        with suppress(ImportError):
            import_module(module)

    threading.Thread(target=bring, daemon=True).start()


@contextmanager
def held_interrupt() -> Iterator[None]:
    """Hold an interruption back while processes are born with our signal mask.

    Yields
    ------
    None
        What is born inside never sees the terminal's interruption: this process does,
        and ends its workers.
    """
    mask = getattr(signal, "pthread_sigmask", None)
    if mask is None:
        yield
        return
    before = mask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        mask(signal.SIG_SETMASK, before)
