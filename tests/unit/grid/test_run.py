"""Work over tiles: order, threads, faults."""

import threading
import time

import pytest

from allocator.core.progress import silent
from allocator.grid.run import run_tiles
from tests.builders import make_grid

TILES = make_grid(60, 60).tiles(10)


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_answers_come_in_the_order_of_the_tiles(workers):
    def slow_first(tile):
        time.sleep(0.004 if (tile.row + tile.column) % 20 == 0 else 0.0)
        return tile.row, tile.column

    assert len(TILES) == 36
    answers = run_tiles(TILES, slow_first, workers=workers, progress=silent)
    assert answers == [(tile.row, tile.column) for tile in TILES]


def test_several_workers_work_at_once():
    meet = threading.Barrier(2, timeout=20)  # breaks, and the test fails, unless two threads come
    assert run_tiles(TILES[:2], lambda tile: meet.wait() in (0, 1), workers=2, progress=silent) == [True, True]


@pytest.mark.parametrize("workers", [1, 2])
def test_a_fault_in_a_tile_comes_out(workers):
    def work(tile):
        if tile == TILES[7]:
            raise MemoryError("tile 7")
        return 0

    with pytest.raises(MemoryError, match="tile 7"):
        run_tiles(TILES, work, workers=workers, progress=silent)


def test_work_runs_only_a_few_tiles_ahead():
    begun = []

    def work(tile):
        begun.append(tile)
        if len(begun) == 1:
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        run_tiles(TILES, work, workers=2, progress=silent)
    assert len(begun) <= 4 + 1


def test_progress_is_told_after_each_tile():
    told = []
    run_tiles(TILES[:4], lambda tile: None, workers=1, progress=lambda part, words: told.append((part, words)))
    assert [part for part, _ in told] == [0.25, 0.5, 0.75, 1.0]
    assert "4 of 4" in told[-1][1]
