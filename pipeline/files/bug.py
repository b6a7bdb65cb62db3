"""What is left of a failure that nobody foresaw, for whoever mends it."""

import datetime
import tempfile
import traceback
from pathlib import Path


def keep_trace(error: BaseException) -> str:
    """Write where an error came from into a file of its own.

    Parameters
    ----------
    error : BaseException
        What was raised.

    Returns
    -------
    str
        Path of the file, in the system's folder for temporary ones.
    """
    now = datetime.datetime.now(tz=datetime.UTC)
    name = f"reamps-bug-{now:%Y%m%d-%H%M%S-%f}.txt"
    path = Path(tempfile.gettempdir()) / name
    path.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
    return str(path)
