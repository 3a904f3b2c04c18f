"""Sheets that count as one raster: what is read is what one raster of all would hold."""

import numpy as np
import pytest
import rasterio
from affine import Affine

from allocator.core.errors import CrsError, InputError
from allocator.core.grid import Window
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.mosaics import open_rasters
from allocator.inputs.read_study import read_study
from allocator.inputs.study_grid import raster_grid
from tests.unit.inputs import small_inputs
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, write_study
from tests.unit.inputs.test_rasters import noise

SHEETS = ("nw.tif", "ne.tif", "sw.tif", "se.tif")


def write_raster(path, values, *, west=WEST, north=NORTH, cell=30.0, crs=ALBERS, nodata=None):
    place = Affine(cell, 0.0, west, 0.0, -cell, north)
    small_inputs.write_raster(path, values, crs=crs, nodata=nodata, transform=place)


def quarters(folder, values, **how):
    """Four sheets of 50 by 50 cells of 30 m."""
    for number, name in enumerate(SHEETS):
        row, column = 50 * (number // 2), 50 * (number % 2)
        part = values[row : row + 50, column : column + 50]
        write_raster(folder / name, part, west=WEST + 30 * column, north=NORTH - 30 * row, **how)


def read(raster, rows=100, columns=100):
    grid = raster_grid(raster, raster.crs_wkt, raster.bounds)
    cells = GridCells(raster, grid, is_smooth=False, halo_cells=0)
    assert cells.is_aligned
    return cells.read(Window(0, 0, rows, columns))


@pytest.mark.parametrize("nodata", [None, 0])
def test_four_sheets_are_one_raster(tmp_path, nodata):
    values = noise()
    quarters(tmp_path, values, nodata=nodata)
    raster, problems = open_rasters(SHEETS, "land_cover", tmp_path)
    found, is_blank = read(raster)
    assert not problems and (raster.width, raster.height) == (100, 100)
    assert np.array_equal(found, values) and not is_blank.any()
    assert raster.name == "inputs.land_cover (nw.tif and 3 more)"
    assert [(one.path_name, one.features) for one in raster.records(5)] == [(name, 2500) for name in SHEETS]
    assert len({one.sha256 for one in raster.records(5)}) == 4


@pytest.mark.parametrize("nodata", [None, 0])
def test_ground_between_sheets_is_blank(tmp_path, nodata):
    values = noise()
    quarters(tmp_path, values, nodata=nodata)
    found, is_blank = read(open_rasters(("nw.tif", "se.tif"), "land_cover", tmp_path)[0])
    assert not is_blank[:50, :50].any() and not is_blank[50:, 50:].any()
    assert is_blank[:50, 50:].all() and is_blank[50:, :50].all()
    assert np.array_equal(found[50:, 50:], values[50:, 50:])


def test_where_sheets_overlap_the_later_counts_except_where_it_is_blank(tmp_path):
    under, over = np.full((40, 40), 42, np.uint8), np.full((40, 40), 90, np.uint8)
    over[:10] = 0
    write_raster(tmp_path / "a.tif", under, nodata=0)
    write_raster(tmp_path / "b.tif", over, nodata=0)
    found, is_blank = read(open_rasters(("a.tif", "b.tif"), "land_cover", tmp_path)[0], 40, 40)
    assert (found[:10] == 42).all() and (found[10:] == 90).all() and not is_blank.any()


def test_sheets_with_different_marks_of_blank_keep_them_apart(tmp_path):
    first, second = np.full((20, 20), 42, np.uint8), np.full((20, 20), 90, np.uint8)
    first[0], second[0] = 0, 255
    second[1] = 0  # in the second sheet 0 is a value
    write_raster(tmp_path / "a.tif", first, nodata=0)
    write_raster(tmp_path / "b.tif", second, nodata=255, west=WEST + 600)
    found, is_blank = read(open_rasters(("a.tif", "b.tif"), "land_cover", tmp_path)[0], 20, 40)
    assert is_blank[0].all() and not is_blank[1:].any() and (found[1, 20:] == 0).all()


def test_sheets_that_do_not_fit_are_refused_by_name(tmp_path):
    values = noise(20, 20)
    write_raster(tmp_path / "a.tif", values)
    write_raster(tmp_path / "coarse.tif", values, cell=60.0)
    write_raster(tmp_path / "shifted.tif", values, west=WEST + 10)
    write_raster(tmp_path / "elsewhere.tif", values, crs="EPSG:26914")
    for name, words in {"coarse.tif": "cells of 60", "shifted.tif": "shifted", "elsewhere.tif": "system"}.items():
        with pytest.raises(CrsError, match=rf"\({name}\).*{words}"):
            open_rasters(("a.tif", name), "land_cover", tmp_path)
    with pytest.raises(InputError, match=r"none\.tif"):
        open_rasters(("a.tif", "none.tif"), "land_cover", tmp_path)


def test_a_study_of_sheets_is_the_study_of_their_mosaic(tmp_path):
    values = noise()
    quarters(tmp_path, values)
    write_raster(tmp_path / "cover.tif", values)
    whole = read_study(write_study(tmp_path))
    sheets = read_study(tmp_path / "study.toml", [f"inputs.land_cover.path={list(SHEETS)}"])
    assert sheets.grid == whole.grid
    assert np.array_equal(sheets.cover.read(whole.grid.window), whole.cover.read(whole.grid.window))
    assert [one.path_name for one in sheets.inputs if one.role == "land_cover"] == list(SHEETS)


def test_rasters_themselves_are_never_copied(tmp_path):
    quarters(tmp_path, noise())
    before = sorted(tmp_path.iterdir())
    raster, _ = open_rasters(SHEETS, "land_cover", tmp_path)
    with rasterio.open(raster.dataset) as source:
        assert source.shape == (100, 100)
    assert sorted(tmp_path.iterdir()) == before
