"""Memory that is used again instead of being handed back.

A capture is worked on in pieces of some megabytes. The C library of most Linux systems
gives every piece back to the system when it is freed, and the system clears it before
it gives it out again: a tenth of a run's time.
"""

import ctypes

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Parameters of mallopt(3) in the GNU C library."""
_LARGEST_HELD_BYTES = (64 * 1024 * 1024, 32 * 1024 * 1024)
"""Three minutes of samples are 35 MB. Some versions of the library hold 32 at most."""
_HELD_BYTES = 256 * 1024 * 1024


def hold_freed_memory() -> bool:
    """Let this process hold on to memory that it freed, up to 256 MiB of it.

    The largest need of the process stays what it was.

    Returns
    -------
    bool
        Whether the system's C library can; on others nothing is changed.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False
    held = mallopt(_TRIM_THRESHOLD, _HELD_BYTES)
    sizes = (mallopt(_MMAP_THRESHOLD, size) for size in _LARGEST_HELD_BYTES)
    return bool(held and any(sizes))
