"""Work that goes tile by tile: on one thread, several, or workers elsewhere."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import Protocol, TypeVar

from allocator.core.memory import hand_back
from allocator.core.progress import Progress

Tile = TypeVar("Tile")
Answer = TypeVar("Answer")


class TilePool(Protocol):
    """Workers elsewhere that take tiles."""

    def in_order(self, tiles: Sequence[Tile], work: Callable[[Tile], Answer]) -> Iterator[Answer]:
        """Answers of all tiles, in the order of the tiles.

        Parameters
        ----------
        tiles : sequence
            The tiles, or other parts of the work.
        work : callable
            Takes a tile, gives its answer.

        Yields
        ------
        object
            One answer per tile.
        """


def run_tiles(
    tiles: Sequence[Tile], work: Callable[[Tile], Answer], *, workers: int | TilePool, progress: Progress
) -> list[Answer]:
    """Answers of all tiles, in the order of the tiles.

    Parameters
    ----------
    tiles : sequence
        The tiles, or other parts of the work.
    work : callable
        Takes a tile, gives its answer; must not depend on other tiles.
    workers : int or TilePool
        Threads, whose arithmetic runs outside the interpreter's lock; or who takes the tiles.
    progress : Progress
        Told after each tile.

    Returns
    -------
    list
        One answer per tile.
    """
    answers: list[Answer] = []
    stream = _in_order(tiles, work, workers) if isinstance(workers, int) else workers.in_order(tiles, work)
    for answer in stream:
        answers.append(answer)
        progress(len(answers) / len(tiles), f"scoring land, tile {len(answers)} of {len(tiles)}")
    hand_back()
    return answers


def _in_order(tiles: Sequence[Tile], work: Callable[[Tile], Answer], workers: int) -> Iterator[Answer]:
    if workers <= 1:
        yield from map(work, tiles)
        return
    with ThreadPoolExecutor(workers) as pool:
        waiting = iter(tiles)
        # A few tiles ahead, not all of them: memory stays bounded by the tile.
        ahead = [pool.submit(work, tile) for tile in islice(waiting, 2 * workers)]
        try:
            while ahead:
                answer = ahead.pop(0).result()
                ahead.extend(pool.submit(work, tile) for tile in islice(waiting, 1))
                yield answer
        finally:
            for future in ahead:
                future.cancel()
