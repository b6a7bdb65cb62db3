"""The boundary: whatever is raised becomes an exit status and one line."""

import gc
import sys

from pipeline import interruption


def main() -> None:
    """Run the command line and exit with the contract's status."""
    # Nearly all that imports make is kept: not looked through for every 700 objects.
    gc.set_threshold(50_000)
    interruption.begin()
    try:
        with interruption.let_through():
            status = _run_command()
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 (the boundary)
        # In the middle of an import, an interruption may come out as anything.
        seen = interruption.seen()
        status = interruption.INTERRUPTED if seen else _refuse(error)
    # The collection at the end would look through all that was imported: a fifth of a
    # second for nothing.
    gc.freeze()
    sys.exit(interruption.end(status))


def _run_command() -> int:
    for stream in (sys.stdout, sys.stderr):
        # Consoles of other code pages must not fail on a session's name.
        stream.reconfigure(encoding="utf-8", errors="replace")  # type: ignore[union-attr]
    # All of it takes a while to import: interruptions are waited for by now.
    from pipeline.cli import app  # noqa: PLC0415

    result = app(standalone_mode=False)
    # Typer turns some interruptions into this very status without a word.
    if result == interruption.INTERRUPTED:
        interruption.tell()
    return result if isinstance(result, int) else 0


def _refuse(error: BaseException) -> int:
    """Say what went wrong, and answer with its status."""
    import typer  # noqa: PLC0415 (slow import)

    from pipeline.cli import BUG, REFUSED, USAGE  # noqa: PLC0415
    from pipeline.errors import ReampsError  # noqa: PLC0415
    from pipeline.files.bug import keep_trace  # noqa: PLC0415

    # Typer may carry its own copy of Click; this is the base of its usage errors.
    usage_error: type[typer.BadParameter] = typer.BadParameter.__mro__[1]
    if isinstance(error, (KeyboardInterrupt, typer.Abort)):
        interruption.tell()
        return interruption.INTERRUPTED
    if isinstance(error, usage_error):
        error.show()
        return USAGE
    if isinstance(error, ReampsError):
        _say(str(error))
        return REFUSED
    _say(f"A bug in reamps: {error!r}. The details are in {keep_trace(error)}")
    return BUG


def _say(message: str) -> None:
    sys.stderr.write(f"{message}\n")


if __name__ == "__main__":
    main()
