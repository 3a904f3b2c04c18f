"""Rasters on the grid: own cells untouched, others warped, the same whatever window is read."""

import pickle
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import rasterio
from pyproj import CRS, Transformer

from allocator.core.errors import CrsError, InputError
from allocator.core.grid import Grid, Window
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.raster_cells import CoverCells, ElevationCells, codes_found
from allocator.inputs.rasters import open_raster
from allocator.inputs.schemes import read_scheme
from allocator.inputs.study_grid import new_grid, raster_grid
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, Affine, classes, write_raster

ALBERS_WKT = CRS.from_user_input(ALBERS).to_wkt()
RNG_SEED = 5


def own_grid(raster, rows=slice(0, 100), columns=slice(0, 100)):
    south, north = NORTH - rows.stop * 30, NORTH - rows.start * 30
    return raster_grid(raster, raster.crs_wkt, (WEST + columns.start * 30, south, WEST + columns.stop * 30, north))


def noise(rows=100, columns=100):
    return np.random.default_rng(RNG_SEED).choice(np.array([11, 21, 42, 81, 90], np.uint8), (rows, columns))


def opened(folder, values, name="a.tif", role="land_cover", **how):
    write_raster(folder / name, values, **how)
    return open_raster(name, role, folder)[0]


def test_own_cells_are_read_as_they_are(tmp_path):
    values = noise()
    raster = opened(tmp_path, values)
    cells = GridCells(raster, own_grid(raster, slice(10, 60), slice(20, 90)), is_smooth=False, halo_cells=9)
    assert cells.is_aligned
    found, is_blank = cells.read(Window(0, 0, 50, 70))
    assert np.array_equal(found, values[10:60, 20:90]) and not is_blank.any()
    # Around the grid the raster goes on; beyond the raster all is blank.
    found, is_blank = cells.read(Window(-15, -25, 20, 30))
    assert np.array_equal(found[5:, 5:], values[:15, :25])
    assert is_blank[:5].all() and is_blank[:, :5].all() and not is_blank[5:, 5:].any()
    assert cells.read(Window(500, 500, 2, 3))[1].all()
    cells.close()


def warped_cells(folder, values, *, smooth=False, **how):
    """A raster on a grid that shares nothing with it: 17 m cells, shifted."""
    raster = opened(folder, values, **how)
    west, south, east, north = WEST + 200.0, NORTH - 2000.0, WEST + 2000.0, NORTH - 200.0
    return GridCells(raster, new_grid(ALBERS_WKT, (west, south, east, north), 17.0), is_smooth=smooth, halo_cells=20)


@pytest.mark.parametrize("smooth", [False, True])
def test_warped_values_do_not_depend_on_the_window(tmp_path, smooth):
    x, y = Transformer.from_crs(ALBERS, "EPSG:26916", always_xy=True).transform(WEST, NORTH)
    place = Affine(30.0, 0.0, x - 900, 0.0, -30.0, y + 900)
    values = noise(200, 200).astype(np.float32 if smooth else np.uint8)
    cells = warped_cells(tmp_path, values, smooth=smooth, crs="EPSG:26916", transform=place)
    assert not cells.is_aligned
    whole, blank = cells.read(cells.grid.window.widened(15))
    assert not blank[15:-15, 15:-15].any()
    for window in (Window(0, 0, 7, 11), Window(33, 41, 60, 30), Window(-15, -15, 20, 20), Window(90, 90, 25, 29)):
        part, part_blank = cells.read(window)
        top, left = window.row + 15, window.column + 15
        here = np.s_[top : top + window.rows, left : left + window.columns]
        assert np.array_equal(part, whole[here]) and np.array_equal(part_blank, blank[here])
    cells.close()


def test_warped_heights_do_not_depend_on_what_was_read_at_once(tmp_path):
    """The library's own warp of a part differs in the last bit with where the part begins."""
    x, y = Transformer.from_crs(ALBERS, "EPSG:26916", always_xy=True).transform(WEST, NORTH)
    place = Affine(30.0, 0.0, x - 900, 0.0, -30.0, y + 900)
    values = np.random.default_rng(RNG_SEED).normal(100, 20, (200, 200)).astype(np.float32)
    raster = opened(tmp_path, values, crs="EPSG:26916", transform=place)
    grid = new_grid(ALBERS_WKT, (WEST + 200.0, NORTH - 4000.0, WEST + 4000.0, NORTH - 200.0), 3.0)

    def read(window):
        cells = GridCells(raster, grid, is_smooth=True, halo_cells=20)  # with nothing kept from other reads
        try:
            return cells.read(window)[0]
        finally:
            cells.close()

    whole = read(grid.window)
    for window in (Window(100, 37, 700, 800), Window(513, 511, 100, 100), Window(1, 1, 1000, 1200)):
        here = np.s_[window.row : window.row + window.rows, window.column : window.column + window.columns]
        assert np.array_equal(read(window), whole[here])


def test_warped_classes_are_the_nearest_ones(tmp_path):
    values = noise()
    cells = warped_cells(tmp_path, values)
    found, is_blank = cells.read(cells.grid.window)
    rows, columns = np.indices(cells.grid.window.shape)
    x, y = cells.grid.centres(rows, columns)
    expected = values[((NORTH - y) // 30).astype(int), ((x - WEST) // 30).astype(int)]
    assert not is_blank.any()
    assert np.array_equal(found, expected)
    cells.close()


def test_warped_heights_are_interpolated_also_from_whole_numbers(tmp_path):
    # A plane is reproduced by straight interpolation: height = column centre in cells.
    values = np.tile(np.arange(100, dtype=np.int16), (100, 1))
    cells = warped_cells(tmp_path, values, smooth=True, role="elevation")
    heights = ElevationCells(cells, "m").read(cells.grid.window)
    _, columns = np.indices(cells.grid.window.shape)
    x, _ = cells.grid.centres(columns, columns)
    assert heights.dtype == np.float32
    assert np.allclose(heights, (x - WEST) / 30 - 0.5, atol=1e-3)
    cells.close()


def test_a_south_up_raster_gives_the_same_classes(tmp_path):
    values = noise()
    turned = opened(tmp_path, values[::-1], name="s.tif", transform=Affine(30.0, 0.0, WEST, 0.0, 30.0, NORTH - 3000))
    grid = Grid(ALBERS_WKT, WEST + 300, NORTH - 300, 30.0, 50, 50)
    cells = GridCells(turned, grid, is_smooth=False, halo_cells=5)
    assert not cells.is_aligned
    assert np.array_equal(cells.read(grid.window)[0], values[10:60, 10:60])
    cells.close()


@pytest.mark.parametrize("aligned", [True, False])
@pytest.mark.parametrize("mark", [250, None])
def test_nodata_is_blank(tmp_path, aligned, mark):
    values = classes()
    values[40:60, 40:60] = 250
    raster = opened(tmp_path, values, nodata=mark)
    grid = own_grid(raster) if aligned else new_grid(ALBERS_WKT, (WEST, NORTH - 3000, WEST + 3000, NORTH), 10.0)
    cells = GridCells(raster, grid, is_smooth=False, halo_cells=3)
    found = codes_found(cells, grid.window)
    cell_count = 400 if aligned else 3600
    if mark is None:
        assert found.counts[250] == cell_count and found.blank == 0
    else:
        assert 250 not in found.counts and found.blank == cell_count
    assert found.cells == grid.rows * grid.columns
    cells.close()


def test_classes_become_positions(tmp_path):
    scheme = read_scheme("nlcd", tmp_path)
    values = classes()
    values[0, 0] = 77
    for kind in (np.uint8, np.int16, np.float32):
        raster = opened(tmp_path, values.astype(kind), name=f"{np.dtype(kind).name}.tif")
        reader = CoverCells(GridCells(raster, own_grid(raster), is_smooth=False, halo_cells=0), scheme)
        positions = reader.read(Window(-1, 0, 101, 100))
        assert positions.dtype == np.uint8
        assert (positions[0] == 255).all() and positions[1, 0] == 255
        assert (positions[1:, 1:] == scheme.positions(values[:, 1:])[0]).all()
        reader.close()


def test_floats_with_an_undeclared_mark_are_blank(tmp_path):
    values = classes().astype(np.float32)
    values[:10] = 3.4e38
    values[10] = np.nan
    raster = opened(tmp_path, values)
    cells = GridCells(raster, own_grid(raster), is_smooth=False, halo_cells=0)
    found = codes_found(cells, cells.grid.window)
    assert found.blank == 1100 and set(found.counts) == {11, 42, 90}
    cells.close()


def test_values_between_whole_numbers_are_no_classes(tmp_path):
    values = classes().astype(np.float32)
    values[3, 3] = 42.5
    raster = opened(tmp_path, values)
    cells = GridCells(raster, own_grid(raster), is_smooth=False, halo_cells=0)
    with pytest.raises(InputError, match=r"1 cells hold values that are not whole numbers, such as 42\.5"):
        codes_found(cells, cells.grid.window)
    cells.close()


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", 0.3048), ("us_ft", 1200 / 3937)])
def test_heights_in_feet_and_blank_heights(tmp_path, unit, metres):
    values = np.full((100, 100), 50.0, np.float32)
    values[:20] = -9999
    values[20] = np.nan
    values[21] = 3.4e38
    raster = opened(tmp_path, values, role="elevation", nodata=-9999)
    reader = ElevationCells(GridCells(raster, own_grid(raster), is_smooth=True, halo_cells=0), unit)
    heights = reader.read(Window(0, 0, 101, 100))
    assert np.isnan(heights[:22]).all() and np.isnan(heights[100]).all()
    assert heights[22:100] == pytest.approx(50 * metres)
    reader.close()


@pytest.mark.parametrize("north", [NORTH, NORTH + 1e-3], ids=["own cells", "warped"])
def test_each_thread_reads_for_itself_and_closing_is_not_the_end(tmp_path, north):
    values = noise()
    raster = opened(tmp_path, values)
    cells = GridCells(raster, Grid(ALBERS_WKT, WEST, north, 30.0, 100, 100), is_smooth=False, halo_cells=0)
    assert cells.is_aligned == (north == NORTH)
    windows = cells.grid.tiles(13)
    with ThreadPoolExecutor(4) as pool:
        parts = list(pool.map(lambda w: cells.read(w)[0], windows))
    for window, part in zip(windows, parts, strict=True):
        rows, columns = window.shape
        assert np.array_equal(part, values[window.row :, window.column :][:rows, :columns])
    cells.close()
    assert np.array_equal(cells.read(cells.grid.window)[0], values)
    cells.close()


def test_readers_travel_to_other_processes(tmp_path):
    raster = opened(tmp_path, classes())
    reader = CoverCells(
        GridCells(raster, own_grid(raster), is_smooth=False, halo_cells=0), read_scheme("nlcd", tmp_path)
    )
    before = reader.read(reader.cells.grid.window)
    copy = pickle.loads(pickle.dumps(reader))
    assert np.array_equal(copy.read(copy.cells.grid.window), before)
    reader.close()
    copy.close()


def test_rasters_that_cannot_be_used(tmp_path):
    with pytest.raises(CrsError, match="no coordinate reference system"):
        opened(tmp_path, classes(), crs=None)
    with pytest.raises(InputError, match="does not exist"):
        open_raster("b.tif", "land_cover", tmp_path)
    (tmp_path / "c.tif").write_text("hello")
    with pytest.raises(InputError, match="raster cannot be read"):
        open_raster("c.tif", "land_cover", tmp_path)


def test_a_picture_is_not_land_cover(tmp_path):
    profile = {"driver": "GTiff", "height": 9, "width": 9, "count": 3, "dtype": "uint8", "crs": ALBERS,
               "transform": Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH), "photometric": "RGB"}  # fmt: skip
    with rasterio.open(tmp_path / "a.tif", "w", **profile) as target:
        target.write(np.zeros((3, 9, 9), np.uint8))
    with pytest.raises(InputError, match="picture"):
        open_raster("a.tif", "land_cover", tmp_path)
