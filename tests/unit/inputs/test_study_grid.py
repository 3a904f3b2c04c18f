"""The cells of a study."""

import numpy as np
import pytest

from allocator.core.crs import local_equal_area
from allocator.core.errors import SettingsError
from allocator.inputs.grid_cells import offset_in
from allocator.inputs.rasters import open_raster
from allocator.inputs.study_grid import cell_m_of, chosen_cell_m, new_grid, raster_grid
from tests.unit.inputs.small_inputs import NORTH, WEST, Affine, classes, write_raster

HERE = local_equal_area(-84.5, 32.4)


def test_new_cells_start_on_a_multiple_of_their_side_and_cover_the_land():
    grid = new_grid(HERE, (-13.0, -27.0, 44.0, 31.0), 10.0)
    assert (grid.west_m, grid.north_m, grid.columns, grid.rows) == (-20.0, 40.0, 7, 7)
    west, south, east, north = grid.bounds_m
    assert west <= -13 and south <= -27 and east >= 44 and north >= 31


def test_chosen_cells_stay_below_twenty_million():
    # 8 x 8 km: 64 million at 1 m, 28 at 1.5 m, 16 at 2 m.
    assert chosen_cell_m((0, 0, 8000, 8000)) == 2.0
    assert chosen_cell_m((0, 0, 500, 500)) == 1.0
    assert chosen_cell_m((0, 0, 500_000, 500_000)) == 10.0


def test_too_many_cells_are_refused_with_the_count():
    with pytest.raises(SettingsError, match="10,000,000,000 cells"):
        new_grid(HERE, (0, 0, 1e5, 1e5), 1.0)


def test_a_rasters_own_cells_around_a_rectangle_clipped_to_it(tmp_path):
    write_raster(tmp_path / "a.tif", classes(100, 100))
    raster, _ = open_raster("a.tif", "land_cover", tmp_path)
    grid = raster_grid(raster, raster.crs_wkt, (WEST + 100, NORTH - 400, WEST + 200, NORTH - 100))
    # 100 m east: the fourth column (90 m) to the seventh (210 m).
    assert (grid.west_m, grid.columns) == (WEST + 90, 4)
    assert (grid.north_m, grid.rows) == (NORTH - 90, 11)
    assert offset_in(raster, grid) == (3, 3)
    everything = raster_grid(raster, raster.crs_wkt, (WEST - 9000, NORTH - 9000, WEST + 9000, NORTH + 9000))
    assert (everything.rows, everything.columns) == (100, 100)
    nothing = raster_grid(raster, raster.crs_wkt, (WEST + 90_000, NORTH - 400, WEST + 90_100, NORTH))
    assert nothing.columns == 0


def test_the_cell_of_a_raster_in_degrees(tmp_path):
    third = 1 / 10_800  # a third of an arc-second
    place = Affine(third, 0.0, -84.5, 0.0, -third, 32.4)
    write_raster(tmp_path / "a.tif", np.ones((50, 50), np.uint8), crs="EPSG:4326", transform=place)
    raster, _ = open_raster("a.tif", "land_cover", tmp_path)
    # One degree there is 93,990 m east and 110,908 m north (WGS 84).
    expected = third * np.sqrt(93_990.0 * 110_908.0)
    assert cell_m_of(raster, HERE, (-84.5, 32.4)) == pytest.approx(expected, rel=2e-3)
