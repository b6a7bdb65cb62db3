"""The boundary: whatever is raised becomes an exit status and one line."""

import datetime
import sys
import tempfile
import traceback
from pathlib import Path

import typer

from pipeline.cli import BUG, INTERRUPTED, REFUSED, USAGE, app
from pipeline.errors import ReampsError

# Typer may carry its own copy of Click; this is the base of its usage errors.
_UsageError: type[typer.BadParameter] = typer.BadParameter.__mro__[1]


def main() -> None:
    """Run the command line and exit with the contract's status."""
    sys.exit(_status())


def _status() -> int:
    for stream in (sys.stdout, sys.stderr):
        # Consoles of other code pages must not fail on a session's name.
        stream.reconfigure(encoding="utf-8", errors="replace")  # type: ignore[union-attr]
    try:
        result = app(standalone_mode=False)
    except ReampsError as error:
        _say(str(error))
        return REFUSED
    except _UsageError as error:
        error.show()
        return USAGE
    except (KeyboardInterrupt, typer.Abort):
        result = INTERRUPTED
    except Exception as error:  # noqa: BLE001 (the boundary)
        _say(f"A bug in reamps: {error!r}. The details are in {_keep_trace()}")
        return BUG
    # Typer turns some interruptions into this very status without a word.
    if result == INTERRUPTED:
        _say("Interrupted. What was finished is kept; run the same command to go on.")
    return result if isinstance(result, int) else 0


def _say(message: str) -> None:
    sys.stderr.write(f"{message}\n")


def _keep_trace() -> Path:
    now = datetime.datetime.now(tz=datetime.UTC)
    name = f"reamps-bug-{now:%Y%m%d-%H%M%S-%f}.txt"
    path = Path(tempfile.gettempdir()) / name
    path.write_text(traceback.format_exc(), encoding="utf-8")
    return path


if __name__ == "__main__":
    main()
