"""Slope and height above water."""

import numpy as np
import pytest

from allocator.grid.distance import squared_distance
from allocator.grid.terrain import height_above_water, slope


def f4(rows):
    return np.array(rows, np.float32)


@pytest.mark.parametrize(("east", "south"), [(0.5, 0), (0, 0.5), (0.3, 0.4), (-0.3, 0.4), (0, 0)])
def test_slope_of_a_plane_is_its_gradient(east, south):
    """Rising so many metres per metre east and south: the slope is the length of that vector, whatever the cell."""
    cell_m = 5.0
    row, column = np.mgrid[0:6, 0:7]
    plane = f4((column * east + row * south) * cell_m)
    inner = slope(plane, cell_m)[1:-1, 1:-1]
    np.testing.assert_allclose(inner, np.hypot(east, south), atol=1e-6)


def test_slope_by_horns_weights():
    """Only corners raised: they count once of eight; sides count twice.

    z =  0 0 8    dz/dx = ((8 + 2*0 + 0) - (0 + 2*0 + 0)) / (8 * 10) = 0.1
         0 0 0    dz/dy = ((0 + 0 + 0) - (0 + 0 + 8)) / (8 * 10) = -0.1
         0 0 0    slope = sqrt(0.02)
    With the 8 on the east side instead: dz/dx = 2 * 8 / 80 = 0.2, dz/dy = 0.
    """
    corner = f4([[0, 0, 8], [0, 0, 0], [0, 0, 0]])
    side = f4([[0, 0, 0], [0, 0, 8], [0, 0, 0]])
    assert slope(corner, 10.0)[1, 1] == pytest.approx(0.02**0.5, rel=1e-6)
    assert slope(side, 10.0)[1, 1] == pytest.approx(0.2, rel=1e-6)


def test_slope_is_blank_at_the_rim_and_beside_blanks():
    ground = np.zeros((5, 7), np.float32)
    ground[2, 2] = np.nan
    blank = np.isnan(slope(ground, 10.0))
    expected = np.ones((5, 7), bool)
    expected[1:-1, 4:-1] = False  # all but the rim and the 3 by 3 cells round the blank one
    np.testing.assert_array_equal(blank, expected)


@pytest.mark.parametrize("shape", [(1, 5), (5, 2), (2, 2)])
def test_slope_of_land_narrower_than_three_cells_is_blank(shape):
    assert np.isnan(slope(np.zeros(shape, np.float32), 10.0)).all()


def above(elevation, water, most_cells=100):
    water = np.array(water, bool)
    return height_above_water(f4(elevation), water, squared_distance(water, most_cells), most_cells)


def test_height_is_above_the_nearest_water_not_the_lowest():
    heights = above([[10, 11, 14, 3, 2]], [[1, 0, 0, 0, 1]])
    assert heights.tolist() == [[0, 1, heights[0, 2], 1, 0]]
    assert heights[0, 2] in (4, 12)  # as near to both


def test_height_below_the_water_is_negative():
    assert above([[5, 3]], [[1, 0]]).tolist() == [[0, -2]]


def test_height_at_a_tie_does_not_depend_on_the_window():
    """The middle cell is two cells from water at either side; wider windows must choose the same one."""
    row = np.array([9, 9, 9, 1, 5, 6, 5, 7, 9, 9, 9], float)
    water = np.array([0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0], bool)
    narrow = above([row[3:8]], [water[3:8]])[0, 2]
    wide = above([row], [water])[0, 5]
    tall = above(np.tile(row, (5, 1)), np.where(np.arange(5)[:, None] == 2, water, False))[2, 5]
    assert narrow == wide == tall
    assert narrow in (5, -1)


def test_height_is_blank_where_either_elevation_is():
    heights = above([[np.nan, 2, 3], [4, 5, 6], [7, np.nan, 9]], [[1, 0, 0], [0, 0, 0], [0, 0, 1]])
    expected = np.array([[1, 1, 0], [1, 0, 0], [0, 1, 0]], bool)
    # the middle cell and both other corners are as near to one water as to the other: blank or not is the tie's choice
    sure = np.array([[1, 1, 0], [1, 0, 1], [0, 1, 1]], bool)
    np.testing.assert_array_equal(np.isnan(heights)[sure], expected[sure])


def test_height_is_infinite_beyond_reach_and_blank_where_the_ground_is():
    heights = above([[0, 5, 5, 5, np.nan]], [[1, 0, 0, 0, 0]], most_cells=2)
    np.testing.assert_array_equal(heights, f4([[0, 5, 5, np.inf, np.nan]]))


def test_height_without_water_is_infinite():
    np.testing.assert_array_equal(above([[1, np.nan]], [[0, 0]]), f4([[np.inf, np.nan]]))
