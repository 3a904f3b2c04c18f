"""Tiles on the workers of a Dask cluster, which is an extra: the same work, the same answers, in the same order."""

from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from types import TracebackType
from typing import Any, TypeVar

from allocator.core.errors import SettingsError
from allocator.core.grid import Window

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

    Raises
    ------
    SettingsError
        The library is missing, or nobody answers at the address.

    Notes
    -----
    Every worker must have this version of the tool, and the study's files under the same paths. The study itself is
    sent once. A worker that is lost costs the tiles that it was busy with: others do them again.
    """

    def __init__(self, address: str) -> None:
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

    def in_order(self, tiles: Sequence[Window], work: Callable[[Window], Answer]) -> Iterator[Answer]:
        """Answers of all tiles, in the order of the tiles.

        Parameters
        ----------
        tiles : sequence of Window
            The tiles.
        work : callable
            Takes a tile, gives its answer; sent to every worker once.

        Yields
        ------
        object
            One answer per tile.
        """
        client = self._client
        shared = client.scatter(work, broadcast=True, hash=False)
        threads = max(1, sum(client.nthreads().values()))
        waiting = iter(tiles)

        def hand_out(count: int) -> list[Any]:
            return [client.submit(_call, shared, tile, pure=False) for tile in islice(waiting, count)]

        ahead = hand_out(AHEAD * threads)
        while ahead:
            answer = ahead.pop(0).result()
            ahead += hand_out(1)
            yield answer


def _call(work: Callable[[Window], Answer], tile: Window) -> Answer:
    return work(tile)
