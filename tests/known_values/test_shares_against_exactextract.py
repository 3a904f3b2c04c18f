"""Shares against exactextract, cells by centre and cells touched against rasterio (GDAL) and shapely."""

import exactextract
import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from rasterio.features import rasterize

from allocator.grid.edges import WHOLE, line_edges, polygon_edges
from allocator.grid.shares import cells_touched, shares_of
from tests.builders import CRS_WKT, make_grid, objects, parcels

ACROSS, DOWN, SIDE_M, CELL_M = 50, 40, 97.0, 10.0


@pytest.fixture(scope="module")
def land():
    shapes = parcels(ACROSS, DOWN, SIDE_M)
    west, south, east, north = shapely.total_bounds(shapes)
    grid = make_grid(
        int((north - south) // CELL_M) + 3, int((east - west) // CELL_M) + 3, CELL_M, west - 13.7, south - 11.3
    )
    return shapes, grid, shares_of(polygon_edges(shapes, grid), grid.window)


def test_two_thousand_irregular_parcels_that_tile_the_land(land):
    shapes, _, _ = land
    assert len(shapes) == 2000
    assert shapely.is_valid(shapes).all()
    assert shapely.get_num_coordinates(shapes).min() > 20
    assert shapely.area(shapely.union_all(shapes)) == pytest.approx(shapely.area(shapes).sum(), rel=1e-9)


def test_each_share_and_each_total_is_that_of_exactextract(land):
    shapes, grid, ours = land
    west, south, east, north = grid.bounds_m
    raster = exactextract.raster.NumPyRasterSource(
        np.zeros((grid.rows, grid.columns)), xmin=west, ymin=south, xmax=east, ymax=north, srs_wkt=CRS_WKT
    )
    frame = gpd.GeoDataFrame({"owner": np.arange(len(shapes))}, geometry=shapes, crs=CRS_WKT)
    theirs = exactextract.exact_extract(raster, frame, ["cell_id", "coverage"], include_cols=["owner"], output="pandas")
    cells = grid.rows * grid.columns
    key = np.concatenate([owner * cells + ids.astype(np.int64) for owner, ids in enumerate(theirs["cell_id"])])
    part = np.concatenate(list(theirs["coverage"])).astype(float)
    assert theirs["owner"].tolist() == list(range(len(shapes)))
    both, place = np.unique(np.concatenate([key, ours.owner * cells + ours.cell]), return_inverse=True)
    reference = np.bincount(place[: len(key)], part, len(both))
    found = np.bincount(place[len(key) :], ours.share / WHOLE, len(both))
    assert len(both) > 180_000
    np.testing.assert_allclose(found, reference, atol=1e-5, rtol=0)
    assert found.sum() == pytest.approx(reference.sum(), rel=1e-6)


def test_parcels_have_their_true_areas(land):
    shapes, grid, ours = land
    area_m2 = np.bincount(ours.owner, ours.share / WHOLE, len(shapes)) * grid.cell_area_m2
    np.testing.assert_allclose(area_m2, shapely.area(shapes), rtol=1e-6)
    assert area_m2.sum() == pytest.approx(shapely.area(shapes).sum(), rel=1e-8)


def test_neighbours_that_share_edges_fill_every_cell_between_them_exactly(land):
    shapes, grid, ours = land
    filled = np.bincount(ours.cell, ours.share, grid.rows * grid.columns).astype(np.int64)
    ground = shapely.buffer(shapely.union_all(shapes), -1.0)
    west, _, _, north = grid.bounds_m
    row, column = np.divmod(np.arange(len(filled)), grid.columns)
    cells = shapely.box(
        west + column * CELL_M, north - (row + 1) * CELL_M, west + (column + 1) * CELL_M, north - row * CELL_M
    )
    shapely.prepare(ground)
    inner = shapely.contains(ground, cells)
    assert inner.sum() > 170_000
    np.testing.assert_array_equal(filled[inner], WHOLE)
    assert filled.max() == WHOLE


def random_polygons(seed, number, reach):
    """Stars with a hole, and pairs of them, that may stick out of the grid."""
    random = np.random.default_rng(seed)
    shapes = []
    for _ in range(number):
        points = random.integers(5, 14)
        angle = np.sort(random.uniform(0, 2 * np.pi, points))
        radius = random.uniform(0.3, 1, points) * random.uniform(20, reach / 3)
        x, y = random.uniform(0, reach, 2)
        star = shapely.Polygon(np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)).buffer(0)
        shapes.append(star - shapely.affinity.scale(star, 0.4, 0.4))
    return [shape for shape in shapes if not shape.is_empty and shape.geom_type in ("Polygon", "MultiPolygon")]


@pytest.mark.parametrize("seed", range(3))
def test_cells_by_centre_are_those_of_rasterio(seed):
    grid = make_grid(70, 80)
    transform = Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m)
    shapes = random_polygons(seed, 60, 700.0)
    ours = shares_of(polygon_edges(objects(shapes), grid), grid.window, "centre")
    assert set(ours.share) == {WHOLE}
    for place, shape in enumerate(shapes):
        mask = np.zeros(grid.rows * grid.columns, np.uint8)
        mask[ours.cell[ours.owner == place]] = 1
        theirs = rasterize([shape], out_shape=(grid.rows, grid.columns), transform=transform, dtype=np.uint8)
        np.testing.assert_array_equal(mask.reshape(grid.rows, grid.columns), theirs)


def random_lines(seed, number, reach):
    random = np.random.default_rng(seed)
    return [
        shapely.LineString(np.cumsum(random.normal(0, reach / 12, (random.integers(2, 9), 2)), axis=0) + start)
        for start in random.uniform(0, reach, (number, 2))
    ]


@pytest.mark.parametrize("seed", range(3))
def test_cells_touched_are_those_that_hold_some_length_of_a_line(seed):
    """Against shapely's lengths and rasterio's all_touched.

    Tolerance: a cell that holds less than a hundredth of a millimetre of the line, such as one that it meets at a
    corner only, may be in or out.
    """
    grid = make_grid(70, 80)
    transform = Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m)
    row, column = np.divmod(np.arange(grid.rows * grid.columns), grid.columns)
    x, y = grid.west_m + column * grid.cell_m, grid.north_m - row * grid.cell_m
    cells = shapely.box(x, y - grid.cell_m, x + grid.cell_m, y)
    for line in random_lines(seed, 25, 700.0):
        ours = cells_touched(line_edges(objects([line]), grid), grid.window)
        length = shapely.length(shapely.intersection(cells, line)).reshape(ours.shape)
        assert not (ours & (length == 0)).any()
        np.testing.assert_array_equal(ours | (length < 1e-5), (length > 1e-5) | (length < 1e-5))
        theirs = rasterize([line], out_shape=ours.shape, transform=transform, dtype=np.uint8, all_touched=True).astype(
            bool
        )
        assert (length[ours != theirs] < 1e-5).all()
