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

from pipeline import interruption

IMPORTS = ["pipeline.run.bound", "pipeline.run.tasks", "scipy.fft", "scipy.linalg"]
"""What workers need at once; of scipy, what would be imported at its first use."""


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
    context.set_forkserver_preload(IMPORTS)
    with held_interrupt():
        # It lets interruptions through as it starts, so it starts before the other.
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

    # Waited for at the end, as by an interruption: a thread that Python ends in the
    # middle of a C++ library takes the process down with it.
    threading.Thread(target=bring).start()


def await_server() -> None:
    """Wait until workers can be forked at once, where that is how they begin.

    The first process that is asked for waits for all imports. This one does nothing
    and is asked for by a thread, so that its wait may be given up; a worker's birth,
    which is not interrupted, is short then.
    """
    if sys.platform == "linux":
        waiting = threading.Thread(target=_fork_once, daemon=True)
        with masked_interrupt():
            waiting.start()
        waiting.join()


def _fork_once() -> None:
    # Where the server has died, whoever asks for a worker is told.
    with suppress(OSError, EOFError):
        first = multiprocessing.get_context("forkserver").Process(
            target=int, daemon=True
        )
        first.start()
        first.join()


@contextmanager
def masked_interrupt() -> Iterator[None]:
    """Keep the terminal's interruption from processes that are born meanwhile.

    Yields
    ------
    None
        They inherit our signal mask. This process hears of an interruption all the
        same, where another of its threads can be given the signal.
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


@contextmanager
def held_interrupt() -> Iterator[None]:
    """Hold an interruption back while workers are born, and keep it from them.

    Yields
    ------
    None
        This process is interrupted afterwards, and ends its workers.
    """
    with interruption.held(), masked_interrupt():
        yield
