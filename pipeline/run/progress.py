"""Progress that says what is being done and how long it will take."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rich.progress import Progress as Display  # slow to import


class Progress(Protocol):
    """Somebody who wants to know how far the work is."""

    def begin(self, what: str, steps: int) -> None:
        """Say that a phase of so many steps begins."""

    def step(self) -> None:
        """Say that one step is done."""

    def say(self, message: str) -> None:
        """Pass a message on."""


class Silent:
    """Nobody wants to know."""

    def begin(self, what: str, steps: int) -> None:
        """Ignore the phase."""

    def step(self) -> None:
        """Ignore the step."""

    def say(self, message: str) -> None:
        """Ignore the message."""


class Bar:
    """A bar with the time left, on standard error.

    Parameters
    ----------
    display : rich.progress.Progress
        The running display.
    """

    def __init__(self, display: "Display") -> None:
        self._display = display
        self._task = display.add_task("starting", total=None)

    def begin(self, what: str, steps: int) -> None:
        """Start a phase."""
        self._display.reset(self._task, description=what, total=steps)

    def step(self) -> None:
        """Advance by one."""
        self._display.advance(self._task)

    def say(self, message: str) -> None:
        """Print a message above the bar."""
        self._display.console.print(
            message, markup=False, highlight=False, soft_wrap=True
        )


@contextmanager
def open_bar() -> Iterator[Progress]:
    """Show a progress bar on standard error while the block runs.

    Yields
    ------
    Progress
        The bar; on a terminal that is not one, only its messages appear.
    """
    from rich.console import Console  # noqa: PLC0415 (slow import)
    from rich.progress import (  # noqa: PLC0415 (slow import)
        BarColumn,
        MofNCompleteColumn,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Display  # noqa: PLC0415 (slow import)

    console = Console(stderr=True)
    with Display(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    ) as display:
        yield Bar(display)
