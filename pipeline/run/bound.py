"""Imported first by the process from which workers are forked: it ends with its parent.

That process would see that its parent has gone only when it has imported everything
else, seconds later on a busy machine. Linux sends it a signal instead.
"""

import ctypes
import os

_PARENT_DEATH_SIGNAL = 1
"""PR_SET_PDEATHSIG of prctl(2). Children that are forked do not inherit it."""
_SIGKILL = 9
"""As Linux numbers it; nothing else imports this."""


def end_with_parent() -> None:
    """Let the system kill this process when its parent ends."""
    parent = os.getppid()
    ctypes.CDLL(None).prctl(_PARENT_DEATH_SIGNAL, _SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        os._exit(1)


end_with_parent()
