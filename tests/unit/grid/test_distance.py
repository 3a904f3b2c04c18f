"""Squared distances in whole cells, against scipy's transform and against every pair of cells."""

import numpy as np
import pytest
import shapely
from scipy import ndimage

from allocator.grid.distance import (
    LARGEST_EXACT_CELLS,
    SHORT_CELLS,
    distance_to_ground,
    nearest_marked,
    squared_distance,
)


def marked_cells(shape, part, seed):
    marked = np.random.default_rng(seed).random(shape) < part
    marked[shape[0] // 2, shape[1] // 2] = True
    return marked


def test_by_hand():
    marked = np.array([[1, 0, 0], [0, 0, 0], [0, 0, 0]], bool)
    assert squared_distance(marked, 10).tolist() == [[0, 1, 4], [1, 2, 5], [4, 5, 8]]


@pytest.mark.parametrize("part", [0.2, 0.01, 0.0005])
def test_equals_scipy_to_a_millimetre(part):
    cell_m = 10.0
    marked = marked_cells((211, 307), part, 3)
    ours = np.sqrt(squared_distance(marked, 600)) * cell_m
    theirs = ndimage.distance_transform_edt(~marked) * cell_m
    np.testing.assert_allclose(ours, theirs, atol=1e-3, rtol=0)


def test_is_exact_in_whole_numbers_far_away():
    """One marked cell in a corner: every square is known, up to the last distance that the fast way is trusted with."""
    side = 1140
    marked = np.zeros((side, side), bool)
    marked[0, 0] = True
    steps = np.arange(side) ** 2
    exact = steps[:, None] + steps[None, :]
    cap = LARGEST_EXACT_CELLS
    np.testing.assert_array_equal(squared_distance(marked, cap), np.minimum(exact, (cap + 1) ** 2))
    assert exact.max() > (cap + 1) ** 2


def test_beyond_the_cap_everything_is_one_more_than_the_cap():
    marked = np.zeros((1, 12), bool)
    marked[0, 0] = True
    assert squared_distance(marked, 3).tolist() == [[0, 1, 4, 9] + [16] * 8]


@pytest.mark.parametrize("cap", [5, LARGEST_EXACT_CELLS + 1])
def test_without_a_marked_cell_all_is_beyond(cap):
    np.testing.assert_array_equal(squared_distance(np.zeros((4, 5), bool), cap), np.full((4, 5), (cap + 1) ** 2))


def test_the_slow_way_for_long_distances_equals_the_fast_way():
    marked = marked_cells((120, 150), 0.001, 8)
    fast = squared_distance(marked, LARGEST_EXACT_CELLS)
    slow = squared_distance(marked, LARGEST_EXACT_CELLS + 1)
    np.testing.assert_array_equal(slow, fast)
    wide = np.zeros((1, 3000), bool)
    wide[0, 0] = True
    cap = 2500
    expected = np.minimum(np.arange(3000) ** 2, (cap + 1) ** 2)
    np.testing.assert_array_equal(squared_distance(wide, cap)[0], expected)


@pytest.mark.parametrize("most", [SHORT_CELLS, 30, LARGEST_EXACT_CELLS + 1])
def test_a_part_is_that_part_of_all(most):
    marked = marked_cells((50, 60), 0.004, 2)
    part = np.s_[7:31, 12:13]
    np.testing.assert_array_equal(squared_distance(marked, most, part), squared_distance(marked, most)[part])
    for its, all_of_it in zip(nearest_marked(marked, part), nearest_marked(marked), strict=True):
        np.testing.assert_array_equal(its, all_of_it[part])
    np.testing.assert_array_equal(squared_distance(np.zeros((50, 60), bool), most, part), (most + 1) ** 2)


def test_the_argument_is_left_alone():
    marked = marked_cells((20, 20), 0.1, 1)
    before = marked.copy()
    squared_distance(marked, 5)
    nearest_marked(marked)
    np.testing.assert_array_equal(marked, before)


def test_nearest_is_a_marked_cell_as_near_as_any():
    marked = marked_cells((60, 70), 0.01, 5)
    rows, columns = nearest_marked(marked)
    assert marked[rows, columns].all()
    here = np.indices(marked.shape)
    square = (rows - here[0]) ** 2 + (columns - here[1]) ** 2
    at = np.argwhere(marked)
    least = ((here[0][..., None] - at[:, 0]) ** 2 + (here[1][..., None] - at[:, 1]) ** 2).min(axis=-1)
    np.testing.assert_array_equal(square, least)


def test_distance_to_the_ground_of_cells_against_boxes():
    """Each marked cell as a square, each cell's centre as a point: shapely measures between them."""
    random = np.random.default_rng(4)
    marked = random.random((30, 40)) < 0.01
    row, column = np.indices(marked.shape).reshape(2, -1)
    rows, columns = np.nonzero(marked)
    squares = shapely.box(columns, rows, columns + 1, rows + 1)
    points = shapely.points(column + 0.5, row + 0.5)
    expected = shapely.distance(points[:, None], squares[None]).min(axis=1)
    for most in (0.4, 3.0, 6.5):
        found = distance_to_ground(marked, row, column, most)
        near = expected <= most
        np.testing.assert_allclose(found[near], expected[near], atol=1e-12)
        assert np.isinf(found[~near]).all()


@pytest.mark.parametrize("most", range(1, SHORT_CELLS + 1))
def test_short_distances_by_shifting_equal_the_transform(most):
    marked = marked_cells((5, 60), 0.03, most)
    exact = np.rint(np.square(ndimage.distance_transform_edt(~marked))).astype(int)
    np.testing.assert_array_equal(squared_distance(marked, most), np.minimum(exact, (most + 1) ** 2))
