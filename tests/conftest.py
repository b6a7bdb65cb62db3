"""What holds for every test."""

import signal


def pytest_configure() -> None:
    """Let programs that the tests start be interrupted, as a terminal's are.

    A shell has what it runs in the background ignore interruptions, and a program keeps
    what it was told: the tests of interruptions would wait for ever.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
