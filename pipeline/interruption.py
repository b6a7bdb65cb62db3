"""The user's interruption: raised once, told once, over within two seconds.

Ctrl-C, or a request to end, becomes one exception in the main thread, at a
place that can bear it. Signals after the first change nothing, so they disturb no
clearing up. Where the end takes too long (a library swallowed the exception, or does
not come back to Python) a thread that waits for nothing else ends the process; a run
bears that as it bears being killed, at any instant.

A signal before `begin` ends Python itself, which has begun nothing by then. So little
is imported here, and this before everything else.
"""

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

INTERRUPTED = 130
"""Exit status, as shells give it for Ctrl-C."""
MESSAGE = "Interrupted. What was finished is kept; run the same command to go on."
LIMIT_S = 1.7
_AGAIN_S = 0.1
SIGNALS = tuple(
    getattr(signal, name)
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    if hasattr(signal, name)
)
_SHOW_CURSOR = "\x1b[?25h"


class Interrupted(KeyboardInterrupt):
    """What is raised.

    A class of its own: one that passes through `exec` of a text, as when a dataclass
    is made, CPython takes for uncaught if it is a `KeyboardInterrupt` and nothing else
    (`run_eval_code_obj`), and ends the process by the signal whoever catches it.
    """


class _State:
    """What is known of interruptions in this process."""

    def __init__(self) -> None:
        self.seen = self.raised = self.open = self.expected = self.over = False
        self.held = 0
        self.telling = threading.Lock()


_state = _State()


def begin() -> None:
    """Take over the signals that end a command; nothing is raised yet.

    For the main thread, once a process. A signal that whoever started this process
    has it ignore stays ignored.
    """
    global _state  # noqa: PLW0603 (signals belong to the process)
    _state = _State()
    for number in SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _handle)
    reader, writer = os.pipe()
    if os.name != "nt":
        os.set_blocking(writer, False)
    sys.unraisablehook = _lost
    # Written to by the system's handler, whatever Python is busy with.
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    threading.Thread(target=_limit, args=(reader, _state), daemon=True).start()


def seen() -> bool:
    """Tell whether the user interrupted, whoever caught the exception.

    Returns
    -------
    bool
        Never True inside `expected`, once the exception was raised.
    """
    return _state.seen


@contextmanager
def let_through() -> Iterator[None]:
    """Raise an interruption while the block runs, or at its start what came before.

    Yields
    ------
    None
        An `Interrupted` may come at any place but inside `held`.
    """
    _state.open = True
    try:
        _raise_if_due()
        yield
    finally:
        _state.open = False


@contextmanager
def held() -> Iterator[None]:
    """Hold an interruption back until the block ends: it is raised then.

    Yields
    ------
    None
        For what must not stop half way and is over soon.
    """
    _state.held += 1
    try:
        yield
    finally:
        _state.held -= 1
        _raise_if_due()


@contextmanager
def expected() -> Iterator[None]:
    """Let interruptions be the usual end of what the block does.

    Yields
    ------
    None
        Each is raised, and none is hurried.
    """
    _state.expected = True
    try:
        yield
    finally:
        _state.expected = False


def tell() -> None:
    """Tell the user how to go on, once a process."""
    if _state.telling.acquire(blocking=False):
        sys.stderr.write(f"{MESSAGE}\n")


def end(status: int) -> int:
    """Answer for the whole command; signals change nothing from here on.

    Parameters
    ----------
    status : int
        Exit status without an interruption.

    Returns
    -------
    int
        That, or `INTERRUPTED`, which is told.
    """
    _state.over = True
    interrupted = _state.seen
    for number in SIGNALS:
        if signal.getsignal(number) is _handle:
            signal.signal(number, signal.SIG_IGN)
    if not interrupted:
        return status
    tell()
    return INTERRUPTED


def _handle(_number: int, _frame: FrameType | None) -> None:
    _state.seen = True
    _raise_if_due()


def _raise_if_due() -> None:
    state = _state
    if not state.seen or state.raised or not state.open or state.held:
        return
    if state.expected:
        state.seen = False
    else:
        state.raised = True
    raise Interrupted


def _lost(caught: "sys.UnraisableHookArgs") -> None:
    """Raise again what came inside a finaliser, as imports have them: it is lost."""
    if isinstance(caught.exc_value, Interrupted):
        _state.raised = False
    else:
        sys.__unraisablehook__(caught)


def _signal_main_thread(number: int) -> None:
    kill = getattr(signal, "pthread_kill", None)
    if kill is None:
        signal.raise_signal(number)
    else:
        # That thread's own sleep is to end, not another's.
        kill(threading.main_thread().ident, number)


def _limit(reader: int, state: _State) -> None:
    """End the process some time after a signal, unless it is done by itself."""
    while number := os.read(reader, 1):
        if state.expected:
            continue
        end = time.monotonic() + LIMIT_S
        while time.monotonic() < end:
            time.sleep(_AGAIN_S)
            if state.seen and not state.raised:
                _signal_main_thread(number[0])
        if state.over and not state.seen:
            continue
        if state.telling.acquire(blocking=False):
            # Not through Python's stream: who holds its lock may be stuck.
            cursor = _SHOW_CURSOR if os.isatty(2) else ""
            os.write(2, f"{cursor}{MESSAGE}\n".encode())
        os._exit(INTERRUPTED)
