"""Tiles on the workers of a Dask cluster, which is an extra: the same work, the same answers, in the same order."""

import ctypes
import pickle
import tempfile
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from itertools import islice
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Any, TypeVar

from allocator.core.errors import OutputError, SettingsError

Tile = TypeVar("Tile")
Answer = TypeVar("Answer")
PATIENCE_S = 20
"""How long the scheduler is waited for, seconds."""
AHEAD = 3
"""Tiles handed out for each thread of the cluster: enough to keep it busy, few enough to bound the memory here."""
MISSING = "--dask needs the library distributed. Install it with: pip install 'allocator[dask]'."


class DaskTiles:
    """Workers of a Dask cluster; use as a context, which closes the connection.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    place : pathlib.Path
        A folder that every worker sees under the same path.

    Raises
    ------
    SettingsError
        The library is missing, or nobody answers at the address.

    Notes
    -----
    Every worker must have this version of the tool, and the study's files under the same paths. The study and the
    answers go through a folder in ``place``, not through the scheduler, which passes large things on slowly. A worker
    that is lost costs the tiles that it was busy with: others do them again.
    """

    def __init__(self, address: str, place: Path) -> None:
        self._place = place
        try:
            import distributed
        except ImportError as error:
            raise SettingsError(MISSING) from error
        connect: Any = distributed.Client
        try:
            self._client = connect(address, timeout=PATIENCE_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise SettingsError(
                f"--dask: no scheduler answers at {address!r} ({error or type(error).__name__}). Expected the address "
                "that it printed when it was started, such as tcp://10.0.0.5:8786."
            ) from error

    def __enter__(self) -> "DaskTiles":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def in_order(self, tiles: Sequence[Tile], work: Callable[[Tile], Answer]) -> Iterator[Answer]:
        """Answers of all tiles, in the order of the tiles.

        Parameters
        ----------
        tiles : sequence
            The tiles.
        work : callable
            Takes a tile, gives its answer; sent to every worker once.

        Yields
        ------
        object
            One answer per tile.

        Raises
        ------
        SettingsError
            A worker does not see the folder.
        OutputError
            The folder has no room.
        """
        import cloudpickle

        client = self._client
        with _in_words(self._place):
            shared = tempfile.TemporaryDirectory(prefix=".tiles-", dir=self._place, ignore_cleanup_errors=True)
        with shared as folder:
            task = Path(folder, "work.pickle")
            with _in_words(self._place), task.open("wb") as file:
                cloudpickle.dump(work, file)
            waiting = iter(tiles)

            def hand_out(count: int) -> list[Any]:
                return [client.submit(_do, str(task), tile, pure=False) for tile in islice(waiting, count)]

            ahead = hand_out(AHEAD * max(1, sum(client.nthreads().values())))
            while ahead:
                answer = Path(ahead.pop(0).result())
                ahead += hand_out(1)
                yield pickle.loads(answer.read_bytes())
                answer.unlink()


def _do(task: str, tile: Tile) -> str:
    """Do one tile on a worker: the file with its answer."""
    with _LOADING:
        work = _work(task)
    done = work(tile)
    answer = Path(task).with_name(uuid.uuid4().hex)  # a tile that is done twice spoils no other answer
    with _in_words(answer.parent), answer.open("wb") as file:
        pickle.dump(done, file, protocol=5)
    return str(answer)


@contextmanager
def _in_words(place: Path) -> Iterator[None]:
    """Say where the work and its answers found no room."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"{place}: what goes to the workers and back could not be kept there ({error.strerror or error}). Free "
            "some space, or write the plan to another folder."
        ) from error


@lru_cache(maxsize=1)
def _work(task: str) -> Callable[[Any], Any]:
    """What is to be done; read once by each worker."""
    try:
        with Path(task).open("rb") as file:
            work: Callable[[Any], Any] = pickle.load(file)
    except FileNotFoundError as error:
        raise SettingsError(
            f"--dask: a worker does not see {task}. Expected that all workers see the folder of the plan, and the "
            "study's files, under the same paths as this machine. Write the plan to a shared drive."
        ) from error
    _keep_freed_memory()
    return work


def _keep_freed_memory() -> None:
    """Let this worker use freed memory again.

    Dask starts workers with ``MALLOC_TRIM_THRESHOLD_`` so low that the C library hands every large array back to the
    system, and fetches it anew page by page: tiles took 2.5 times as long. Only glibc has these switches (mallopt(3)).
    """
    with suppress(OSError, AttributeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_TRIM_THRESHOLD, 1 << 30)
        mallopt(_MMAP_THRESHOLD, 1 << 25)


_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""As malloc.h of glibc has them."""
_LOADING = Lock()
"""Several threads of one worker wait for the first to read what is to be done."""
