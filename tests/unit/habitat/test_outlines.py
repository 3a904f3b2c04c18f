"""Outlines of marked cells, by hand and against the tracer of GDAL."""

import numpy as np
import pytest
import shapely
from affine import Affine
from rasterio.features import shapes as trace
from shapely import box

from allocator.habitat.outlines import outlines
from tests.builders import make_grid


def outlined(rows):
    marked = np.array(rows, bool)
    return outlines(marked, make_grid(*marked.shape))


def test_nothing_marked_has_no_outline():
    polygons, first = outlined([[0, 0], [0, 0]])
    assert len(polygons) == len(first) == 0


def test_one_cell_at_the_corner_of_the_grid():
    polygons, first = outlined([[0, 0], [0, 1]])
    assert shapely.equals(polygons[0], box(10, 0, 20, 10))
    assert first.tolist() == [3]


def test_cells_that_meet_at_a_corner_are_two_polygons():
    polygons, first = outlined([[0, 1], [1, 0]])
    assert [shapely.get_num_coordinates(one) for one in polygons] == [5, 5]
    assert first.tolist() == [1, 2]


def test_holes_that_meet_at_a_corner_are_two_holes():
    polygons, _ = outlined([[1, 1, 1, 1], [1, 0, 1, 1], [1, 1, 0, 1], [1, 1, 1, 1]])
    assert len(polygons) == 1
    assert polygons[0].is_valid
    assert sorted(shapely.Polygon(ring).bounds for ring in polygons[0].interiors) == [
        (10, 20, 20, 30),
        (20, 10, 30, 20),
    ]


def test_a_hole_in_an_island_in_a_hole_belongs_to_the_island():
    marked = np.ones((9, 9), int)
    marked[1:8, 1:8] = 0
    marked[2:7, 2:7] = 1
    marked[4, 4] = 0
    polygons, first = outlined(marked)
    assert [shapely.area(one) for one in polygons] == [100 * (81 - 49), 100 * 24]
    assert first.tolist() == [0, 2 * 9 + 2]


@pytest.mark.parametrize("part", [0.2, 0.5, 0.7, 0.9])
@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1), (7, 13), (40, 31)])
def test_the_same_polygons_as_the_tracer_of_gdal(part, shape):
    """rasterio.features.shapes (GDALPolygonize), 4-connected: another program, run here."""
    random = np.random.default_rng(int(100 * part) + shape[0])
    for _ in range(20):
        marked = random.random(shape) < part
        grid = make_grid(*shape)
        polygons, first = outlines(marked, grid)
        place = Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m)
        traced = [shapely.geometry.shape(one) for one, _ in trace(marked.view(np.uint8), marked, 4, place)]
        assert shapely.is_valid(polygons).all()
        assert sorted(map(str, shapely.normalize(polygons))) == sorted(map(str, shapely.normalize(traced)))
        assert marked.ravel()[first].all()
        assert (np.diff(first) > 0).all()
