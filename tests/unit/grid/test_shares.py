"""Shares of cells inside polygons, and cells that lines touch: worked by hand on 3 by 3 cells."""

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Polygon, box

from allocator.core.grid import Window
from allocator.grid.edges import WHOLE, line_edges, polygon_edges
from allocator.grid.shares import cells_touched, shares_and_rims, shares_of
from tests.builders import make_grid, objects

GRID = make_grid(3, 3)  # cells of 10 m, x and y from 0 to 30; row 0 is y 20 to 30


def table(shape, rule="share", window=GRID.window):
    found = shares_of(polygon_edges(objects([shape]), GRID), window, rule)
    out = np.zeros(window.rows * window.columns)
    np.add.at(out, found.cell, found.share / WHOLE)
    assert len(np.unique(found.cell)) == len(found.cell)
    return out.reshape(window.shape)


HAND = {
    "one whole cell": (box(10, 10, 20, 20), [[0, 0, 0], [0, 1, 0], [0, 0, 0]]),
    "moved by half a cell": (box(5, 5, 25, 25), [[0.25, 0.5, 0.25], [0.5, 1, 0.5], [0.25, 0.5, 0.25]]),
    "a fifth of a cell wide": (box(12, 10, 14, 30), [[0, 0.2, 0], [0, 0.2, 0], [0, 0, 0]]),
    "a fifth of a cell high": (box(0, 12, 30, 14), [[0, 0, 0], [0.2, 0.2, 0.2], [0, 0, 0]]),
    "triangle below the diagonal": (
        Polygon([(0, 0), (30, 0), (0, 30)]),
        [[0.5, 0, 0], [1, 0.5, 0], [1, 1, 0.5]],
    ),
    "flat triangle: height 10 over a base of 30": (
        Polygon([(0, 10), (30, 10), (30, 20)]),
        [[0, 0, 0], [1 / 6, 3 / 6, 5 / 6], [0, 0, 0]],
    ),
    "hole of one cell": (
        box(0, 0, 30, 30) - box(10, 10, 20, 20),
        [[1, 1, 1], [1, 0, 1], [1, 1, 1]],
    ),
    "hole moved by half a cell": (
        box(0, 0, 30, 30) - box(5, 5, 25, 25),
        [[0.75, 0.5, 0.75], [0.5, 0, 0.5], [0.75, 0.5, 0.75]],
    ),
    "two parts in one cell": (
        MultiPolygon([box(0, 20, 5, 30), box(8, 20, 10, 30)]),
        [[0.7, 0, 0], [0, 0, 0], [0, 0, 0]],
    ),
    "two parts far apart": (
        MultiPolygon([box(0, 20, 5, 30), box(20, 0, 30, 5)]),
        [[0.5, 0, 0], [0, 0, 0], [0, 0, 0.5]],
    ),
    "an island in a hole": (
        MultiPolygon([box(0, 0, 30, 30) - box(5, 5, 25, 25), box(10, 10, 20, 20)]),
        [[0.75, 0.5, 0.75], [0.5, 1, 0.5], [0.75, 0.5, 0.75]],
    ),
    "out to the west": (box(-20, 10, 5, 20), [[0, 0, 0], [0.5, 0, 0], [0, 0, 0]]),
    "out to the east": (box(25, 10, 50, 20), [[0, 0, 0], [0, 0, 0.5], [0, 0, 0]]),
    "out to the north": (box(10, 25, 20, 99), [[0, 0.5, 0], [0, 0, 0], [0, 0, 0]]),
    "out to the south": (box(10, -99, 20, 5), [[0, 0, 0], [0, 0, 0], [0, 0.5, 0]]),
    "out on all sides": (box(-99, -99, 99, 99), [[1, 1, 1], [1, 1, 1], [1, 1, 1]]),
    "wholly to the west": (box(-99, 0, -1, 30), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
    "wholly to the east": (box(31, 0, 99, 30), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
    "round the window, not in it": (
        box(-50, -50, 80, 80) - box(-10, -10, 40, 40),
        [[0, 0, 0], [0, 0, 0], [0, 0, 0]],
    ),
    "a slope in from the west, x = -30 to 30 while y falls 30 to 0": (
        Polygon([(-30, 30), (30, 0), (-30, 0)]),
        # at x = 0 the edge is at y = 15; it falls 5 m per cell: 10 * 5 / 2 of 100 m2 in the middle row
        [[0, 0, 0], [0.25, 0, 0], [1, 0.75, 0.25]],
    ),
}


@pytest.mark.parametrize("name", HAND)
def test_shares_are_those_worked_by_hand(name):
    shape, expected = HAND[name]
    np.testing.assert_allclose(table(shape), expected, atol=2 / WHOLE)


def test_turning_the_ring_round_changes_nothing():
    triangle = Polygon([(1, 2), (28, 7), (13, 29)])
    np.testing.assert_array_equal(table(triangle), table(triangle.reverse()))


def test_sum_of_shares_is_the_area():
    shape = Polygon([(1, 2), (28, 7), (13, 29)])
    assert table(shape).sum() * 100 == pytest.approx(shape.area, rel=1e-5)


def test_a_cell_has_the_same_share_in_any_window():
    shape = Polygon([(1, 2), (28, 7), (13, 29)])
    whole = table(shape)
    for row in range(3):
        for column in range(3):
            assert table(shape, window=Window(row, column, 1, 1))[0, 0] == whole[row, column]


def test_no_shapes_no_shares():
    assert len(shares_of(polygon_edges(objects([]), GRID), GRID.window).cell) == 0


CENTRE = {
    # centres lie at 5, 15, 25
    "holds one centre": (box(14, 14, 16, 16), [[0, 0, 0], [0, 1, 0], [0, 0, 0]]),
    "misses every centre": (box(6, 6, 14, 14), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
    "holds four": (box(4, 4, 16, 16), [[0, 0, 0], [1, 1, 0], [1, 1, 0]]),
    "hole round the middle one": (box(0, 0, 30, 30) - box(14, 14, 16, 16), [[1, 1, 1], [1, 0, 1], [1, 1, 1]]),
    "out on all sides": (box(-99, -99, 99, 99), [[1, 1, 1], [1, 1, 1], [1, 1, 1]]),
    "out to the west": (box(-20, 10, 6, 20), [[0, 0, 0], [1, 0, 0], [0, 0, 0]]),
    "out to the east": (box(24, 10, 50, 20), [[0, 0, 0], [0, 0, 1], [0, 0, 0]]),
}


@pytest.mark.parametrize("name", CENTRE)
def test_by_centre_cells_count_whole_or_not(name):
    shape, expected = CENTRE[name]
    np.testing.assert_array_equal(table(shape, "centre"), expected)


def test_by_centre_a_cell_on_a_shared_line_goes_to_one_of_the_two():
    """A line straight through the centres of a column and of a row: no cell twice, no cell lost."""
    west, east = box(0, 0, 15, 30), box(15, 0, 30, 30)
    np.testing.assert_array_equal(table(west, "centre") + table(east, "centre"), np.ones((3, 3)))
    south, north = box(0, 0, 30, 15), box(0, 15, 30, 30)
    np.testing.assert_array_equal(table(south, "centre") + table(north, "centre"), np.ones((3, 3)))


def touched(shape, window=GRID.window):
    return cells_touched(line_edges(objects([shape]), GRID), window).astype(int)


LINES = {
    "across the middle row": (shapely.LineString([(-5, 15), (40, 15)]), [[0, 0, 0], [1, 1, 1], [0, 0, 0]]),
    "down the middle column": (shapely.LineString([(15, -5), (15, 40)]), [[0, 1, 0], [0, 1, 0], [0, 1, 0]]),
    "a short piece in one cell": (shapely.LineString([(21, 1), (29, 9)]), [[0, 0, 0], [0, 0, 0], [0, 0, 1]]),
    "sloping": (shapely.LineString([(1, 29), (29, 21)]), [[1, 1, 1], [0, 0, 0], [0, 0, 0]]),
    "steep": (shapely.LineString([(2, 28), (12, 2)]), [[1, 0, 0], [1, 0, 0], [1, 1, 0]]),
    "out of the window": (shapely.LineString([(-50, -5), (-40, 40)]), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
    "rim of a polygon, not its inside": (box(2, 2, 28, 28), [[1, 1, 1], [1, 0, 1], [1, 1, 1]]),
    "two lines": (
        shapely.MultiLineString([[(1, 1), (2, 2)], [(28, 28), (29, 29)]]),
        [[0, 0, 1], [0, 0, 0], [1, 0, 0]],
    ),
}


@pytest.mark.parametrize("name", LINES)
def test_cells_that_a_line_touches(name):
    line, expected = LINES[name]
    np.testing.assert_array_equal(touched(line), expected)


def test_a_line_along_a_border_touches_the_cells_right_of_it_or_below_it():
    np.testing.assert_array_equal(touched(shapely.LineString([(10, 0), (10, 30)])), [[0, 1, 0], [0, 1, 0], [0, 1, 0]])
    along_a_row = touched(shapely.LineString([(1, 20), (29, 20)]))
    np.testing.assert_array_equal(along_a_row, [[0, 0, 0], [1, 1, 1], [0, 0, 0]])


def test_a_line_along_a_border_is_found_by_whichever_window_holds_its_cells():
    lines = objects([shapely.LineString([(10, 1), (10, 29)]), shapely.LineString([(1, 20), (29, 20)])])
    edges = line_edges(lines, GRID)
    whole = cells_touched(edges, GRID.window)
    for row in range(3):
        for column in range(3):
            assert cells_touched(edges, Window(row, column, 1, 1))[0, 0] == whole[row, column]


def test_lines_and_polygons_keep_their_place_in_the_list():
    mixed = objects([box(0, 0, 10, 10), shapely.LineString([(21, 21), (29, 29)]), box(20, 0, 30, 10)])
    edges = line_edges(mixed, GRID)
    assert edges.owner.tolist() == [0] * 4 + [1] + [2] * 4
    assert edges.first.tolist() == [0, 4, 5, 9]


@pytest.mark.parametrize("rule", ["share", "centre"])
@pytest.mark.parametrize("reach", [0, 1, 3])
@pytest.mark.parametrize("window", [Window(0, 0, 12, 14), Window(3, 4, 5, 6), Window(-2, 9, 4, 9)])
def test_shares_and_rims_from_one_cutting_are_those_of_two(window, reach, rule):
    random = np.random.default_rng(6)
    x, y = random.uniform(-20, 160, (2, 12))
    shapes = shapely.buffer(shapely.points(x, y), random.uniform(4, 60, 12))
    edges = polygon_edges(shapes, make_grid(12, 14))
    shares, touched = shares_and_rims(edges, window, rule, reach)
    expected = shares_of(edges, window, rule)
    order, other = (np.lexsort((one.cell, one.owner)) for one in (shares, expected))
    for name in ("owner", "cell", "share"):
        np.testing.assert_array_equal(getattr(shares, name)[order], getattr(expected, name)[other], name)
    np.testing.assert_array_equal(touched, cells_touched(edges, window.widened(reach)))
