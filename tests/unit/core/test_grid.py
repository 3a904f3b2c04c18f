"""The grid and its windows."""

import numpy as np
import pytest

from allocator.core.grid import Grid, Window
from tests.builders import CRS_WKT

GRID = Grid(CRS_WKT, 100.0, 260.0, 20.0, 7, 11)


def test_bounds_and_area():
    assert GRID.bounds_m == (100.0, 120.0, 320.0, 260.0)
    assert GRID.cell_area_m2 == 400
    assert GRID.window == Window(0, 0, 7, 11)
    assert GRID.window.shape == (7, 11)


def test_centres_and_cells_are_each_others_reverse():
    rows, columns = np.indices((7, 11)).reshape(2, -1)
    x_m, y_m = GRID.centres(rows, columns)
    assert (x_m[0], y_m[0]) == (110.0, 250.0)
    assert (x_m[-1], y_m[-1]) == (310.0, 130.0)
    found_columns, found_rows = GRID.to_cells(x_m, y_m)
    np.testing.assert_allclose(found_rows, rows + 0.5)
    np.testing.assert_allclose(found_columns, columns + 0.5)


@pytest.mark.parametrize("tile_cells", [1, 3, 4, 7, 11, 50])
def test_tiles_hold_every_cell_once_row_by_row(tile_cells):
    times = np.zeros((7, 11), int)
    tiles = GRID.tiles(tile_cells)
    for tile in tiles:
        assert max(tile.shape) <= tile_cells
        times[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns] += 1
    assert (times == 1).all()
    assert sorted((tile.row, tile.column) for tile in tiles) == [(tile.row, tile.column) for tile in tiles]


def test_a_window_is_widened_on_all_sides():
    assert Window(3, 5, 2, 4).widened(3) == Window(0, 2, 8, 10)
    assert Window(3, 5, 2, 4).widened(0) == Window(3, 5, 2, 4)
