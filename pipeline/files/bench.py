"""Samples and results that the tasks of one run leave for each other.

Nothing to keep: they go with the run. But whole or not at all like what is kept, as
another process may look for them while they are written.
"""

import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError
from pipeline.files.atomic import refusal

_BENCH = ".aligned-"


@contextmanager
def open_bench(folder: Path) -> Iterator[Path]:
    """Make room for what tasks leave while the block runs.

    Parameters
    ----------
    folder : Path
        A run's folder; this run holds it.

    Yields
    ------
    Path
        A new folder in it, which goes with the block. An `OutputError` says why none
        can be made.
    """
    clear_benches(folder)
    try:
        yield _made(folder)
    finally:
        clear_benches(folder)


def _made(folder: Path) -> Path:
    try:
        return Path(mkdtemp(prefix=_BENCH, dir=folder))
    except OSError as error:
        raise OutputError(refusal(folder, error)) from error


def clear_benches(folder: Path) -> None:
    """Remove what runs that were killed or interrupted left in a folder.

    Parameters
    ----------
    folder : Path
        A run's folder; this run holds it. It need not exist.
    """
    for old in folder.glob(f"{_BENCH}*"):
        shutil.rmtree(old, ignore_errors=True)


def bench_file(bench: Path, key: str, suffix: str = ".f32") -> Path:
    """Name a place on the bench.

    Parameters
    ----------
    bench : Path
        Folder from `open_bench`.
    key : str
        What lies there; it may hold anything.
    suffix : str
        What kind of file.

    Returns
    -------
    Path
        A name that is safe everywhere, and that no other key has.
    """
    name = sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:40]
    return bench / f"{name}{suffix}"


def leave_samples(path: Path, samples: NDArray[np.float32]) -> None:
    """Leave samples for the tasks that follow.

    Parameters
    ----------
    path : Path
        Where, in a folder that exists.
    samples : ndarray of float32, shape (frames,)
        What to leave, before any gain; full scale is 1. An `OutputError` says why the
        disk refused.
    """
    _leave(path, np.ascontiguousarray(samples).data)


def leave_text(path: Path, text: bytes) -> None:
    """Leave a result for the tasks that follow.

    Parameters
    ----------
    path : Path
        Where, in a folder that exists.
    text : bytes
        What to leave. An `OutputError` says why the disk refused.
    """
    _leave(path, text)


def _leave(path: Path, content: bytes | memoryview) -> None:
    aside = path.with_name(f"{path.name}-{secrets.token_hex(8)}")
    try:
        with aside.open("xb") as file:
            file.write(content)
        _put(aside, path)
    except OSError as error:
        raise OutputError(refusal(path, error)) from error
    finally:
        with suppress(OSError):
            aside.unlink(missing_ok=True)


def _put(aside: Path, path: Path) -> None:
    try:
        aside.replace(path)
    except PermissionError:
        # Windows, while another process reads the same samples, left there before.
        if not path.exists():
            raise


def left_samples(path: Path) -> NDArray[np.float32] | None:
    """Find samples that were left.

    Parameters
    ----------
    path : Path
        Where.

    Returns
    -------
    ndarray of float32, shape (frames,), or None
        As they were left, read from the disk where they are looked at; not to be
        written to. None where none were left.
    """
    try:
        return np.memmap(path, dtype=np.float32, mode="r")
    except FileNotFoundError:
        return None


def left_text(path: Path) -> bytes | None:
    """Find a result that was left.

    Parameters
    ----------
    path : Path
        Where.

    Returns
    -------
    bytes or None
        As it was left; None where none was.
    """
    try:
        return path.read_bytes()
    except OSError:
        return None
