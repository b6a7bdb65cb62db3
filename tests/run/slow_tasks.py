"""Tasks that can be watched from outside, for workers in other processes."""

import os
import struct
import sys
import time
from pathlib import Path

from pipeline.run.executor import open_workers


def leave_pid_and_sleep(folder: Path) -> int:
    """Say who is at work, then do nothing for a minute."""
    (folder / str(os.getpid())).touch()
    time.sleep(60.0)
    return os.getpid()


def send_half_and_sleep(folder: Path) -> int:
    """Say who is at work, with half of a result on its way, for a minute."""
    results = sys._getframe(1).f_locals["result_queue"]
    os.write(results._writer.fileno(), struct.pack("!i", 1000) + b"half")
    return leave_pid_and_sleep(folder)


def die_once(marker: Path) -> str:
    """End the process that works, the first time."""
    if not marker.exists():
        marker.touch()
        os._exit(9)
    return marker.name


def die_always(_task: object) -> None:
    """End the process that works."""
    os._exit(9)


def double(number: int) -> int:
    """Do something that cannot fail."""
    return 2 * number


def refuse(number: int) -> int:
    """Fail at one number."""
    if number == 3:
        msg = "three"
        raise ValueError(msg)
    return number


if __name__ == "__main__":
    sleep = send_half_and_sleep if "half" in sys.argv else leave_pid_and_sleep
    with open_workers(int(sys.argv[2])) as workers:
        workers.map(sleep, [Path(sys.argv[1])] * 2, lambda *_: None)
