"""Work on an existing Dask cluster: the scheduler's address is all that is needed.

The tasks are those of a run on one machine. Files are expected under the same paths on
every worker, which is asked before any work is given out. A task whose worker died is
given to another one by the scheduler; as tasks depend on nothing but their files and
leave whole files or none, doing one twice does no harm.
"""

import secrets
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from pipeline import __version__
from pipeline.errors import ReampsError
from pipeline.files.atomic import replace_with
from pipeline.run.executor import on_one_thread

if TYPE_CHECKING:
    from distributed import Client, Future

Task = TypeVar("Task")
Result = TypeVar("Result")

_PATIENCE_S = 10.0
"""A scheduler that does not answer, or has no workers, for so long is not there."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What a worker has to see to be of use.

    Parameters
    ----------
    version : str
        Of this program.
    sources : tuple of (Path, int or None)
        Files to be read, and how many bytes they hold here; None where there is none.
    token : Path
        A file that was just written into the run's folder; it goes with the run.
    """

    version: str
    sources: tuple[tuple[Path, int | None], ...]
    token: Path


def size_of(path: Path) -> int | None:
    """Size of a file as this process sees it.

    Parameters
    ----------
    path : Path
        Any path.

    Returns
    -------
    int or None
        Bytes; None where no file can be seen.
    """
    try:
        return path.stat().st_size
    except (OSError, ValueError):
        return None


def look(sight: Sight) -> str | None:
    """Say what this process does not see of a session.

    Parameters
    ----------
    sight : Sight
        What it should see.

    Returns
    -------
    str or None
        What is wrong; None when nothing is.
    """
    if sight.version != __version__:
        return f"runs version {__version__}, this is {sight.version}"
    for path, size in sight.sources:
        found = size_of(path)
        if found != size:
            seen = "does not see it" if found is None else f"sees {found} bytes"
            return f"{path} holds {size} bytes here; the worker {seen}"
    if size_of(sight.token) is None:
        return f"the worker does not see what is written to {sight.token.parent}"
    return None


def work(function: Callable[[Task], Result], task: Task, token: Path) -> Result:
    """Do one task on a worker, on one thread, while its run is alive.

    Parameters
    ----------
    function : callable
        Module-level function.
    task : object
        Its argument.
    token : Path
        Goes when the run ends: what was given out and not begun is dropped.

    Returns
    -------
    object
        The function's.

    Raises
    ------
    ReampsError
        If the run has ended, or this worker does not see its folder.
    """
    if size_of(token) is None:
        message = (
            f"A worker of the cluster does not see {token.parent}, where the run "
            "writes. Mount it at the same path on every worker, and run again."
        )
        raise ReampsError(message)
    with on_one_thread():
        return function(task)


class Cluster:
    """Work given to a scheduler.

    Parameters
    ----------
    client : distributed.Client
        Connected.
    """

    def __init__(self, client: "Client") -> None:
        self._client = client
        self._tokens: list[Path] = []

    def reach(self, sources: Sequence[Path], folder: Path) -> None:
        """Ask every worker whether it sees what this process sees.

        Parameters
        ----------
        sources : sequence of Path
            Absolute paths of files to be read.
        folder : Path
            Absolute path of the folder to be written to; this run holds it.

        Raises
        ------
        ReampsError
            Names the first worker that does not, and the path.
        """
        from distributed.comm.core import CommClosedError  # noqa: PLC0415 (an extra)

        token = folder / f".reamps-{secrets.token_hex(8)}.part"
        replace_with(token, b"")
        self._tokens.append(token)
        seen = tuple((path, size_of(path)) for path in dict.fromkeys(sources))
        try:
            said = self._client.run(look, Sight(__version__, seen, token))
        except (OSError, CommClosedError, ModuleNotFoundError, AttributeError) as error:
            message = (
                f"The workers of the cluster could not be asked ({error}). Each needs "
                f"the same Python and reamps {__version__} installed."
            )
            raise ReampsError(message) from error
        for worker, wrong in said.items():
            if wrong is not None:
                message = (
                    f"Worker {worker} of the cluster cannot do this session: {wrong}. "
                    "Put the files and the result on storage that every worker sees "
                    "under the same path, with the same version of reamps."
                )
                raise ReampsError(message)

    def map(
        self,
        function: Callable[[Task], Result],
        tasks: Sequence[Task],
        done: Callable[[int, Result], None],
    ) -> None:
        """Run the function on every task, wherever the scheduler has room.

        Parameters
        ----------
        function : callable
            Module-level function.
        tasks : sequence
            What there is to do.
        done : callable
            Called here with index and result, in the order in which they come; may
            append to a list of tasks.

        Raises
        ------
        ReampsError
            If workers keep dying, or the scheduler is lost.
        """
        from distributed import (  # noqa: PLC0415 (an extra)
            CancelledError,
            KilledWorker,
            as_completed,
        )

        token = self._tokens[-1]
        futures: dict[Future[Result], int] = {}
        ended = as_completed(loop=self._client.loop)
        given = 0
        try:
            while futures or given < len(tasks):
                for index in range(given, len(tasks)):
                    # Every task has its effects: none is the same as an earlier one.
                    future = self._client.submit(
                        work, function, tasks[index], token, pure=False
                    )
                    futures[future] = index
                    ended.add(future)
                given = len(tasks)
                if futures:
                    future = next(ended)
                    done(futures.pop(future), future.result())
                    future.release()
        except KilledWorker as error:
            message = (
                f"The cluster gave up: workers keep dying at one task ({error}). What "
                "was finished is kept; run the same command to go on."
            )
            raise ReampsError(message) from error
        except (CancelledError, OSError) as error:
            message = (
                f"The cluster's scheduler was lost ({error!r}). What was finished is "
                "kept; run the same command to go on."
            )
            raise ReampsError(message) from error
        finally:
            self._drop(list(futures))

    def _drop(self, futures: list) -> None:  # type: ignore[type-arg]
        if futures:
            with suppress(Exception):
                self._client.cancel(futures)

    def close(self) -> None:
        """Let the workers drop what they were given."""
        for token in self._tokens:
            token.unlink(missing_ok=True)


@contextmanager
def open_cluster(address: str) -> Iterator[Cluster]:
    """Connect to a scheduler.

    Parameters
    ----------
    address : str
        Such as ``tcp://192.0.2.7:8786``.

    Yields
    ------
    Cluster
        Disconnected when the block ends; the cluster itself goes on.

    Raises
    ------
    ReampsError
        If Dask is not installed, or no scheduler with a worker answers.
    """
    try:
        from distributed import Client  # noqa: PLC0415 (an extra)
    except ImportError as error:
        message = (
            "A cluster needs Dask's scheduler, which is not installed: "
            'pip install "reamps[cluster]"'
        )
        raise ReampsError(message) from error
    try:
        _knock(address)
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, ImportError) as error:
        message = (
            f"No scheduler answers at {address} ({error}). Check the address (such as "
            "tcp://HOST:8786) and that the cluster runs."
        )
        raise ReampsError(message) from error
    with client:
        _await_worker(client, address)
        cluster = Cluster(client)
        try:
            yield cluster
        finally:
            cluster.close()


def _knock(address: str) -> None:
    """Refuse what nobody listens at before a client with its threads is made."""
    from distributed.comm.addressing import (  # noqa: PLC0415 (an extra)
        get_address_host_port,
        parse_address,
    )

    scheme, _ = parse_address(address)
    if scheme in {"tcp", "tls"}:
        host, port = get_address_host_port(address)
        socket.create_connection((host, port), timeout=_PATIENCE_S).close()


def _await_worker(client: "Client", address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except TimeoutError as error:
        message = (
            f"The scheduler at {address} has no workers. Start some, and run again."
        )
        raise ReampsError(message) from error
