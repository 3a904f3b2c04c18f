"""Pairs of polygons that share ground, against every pair cut with every other."""

import numpy as np
import pytest
import shapely

from allocator.core.overlaps import find_overlaps


def every_pair(shapes):
    left, right = np.triu_indices(len(shapes), 1)
    area_m2 = shapely.area(shapely.intersection(shapes[left], shapes[right]))
    kept = area_m2 >= 1
    return left[kept].tolist(), right[kept].tolist(), area_m2[kept]


def assert_as_every_pair(shapes):
    found, (left, right, area_m2) = find_overlaps(shapes), every_pair(shapes)
    assert found.left.tolist() == left
    assert found.right.tolist() == right
    np.testing.assert_allclose(found.area_m2, area_m2)


def squares(across, side_m=10.0, offset_m=0.0):
    x, y = (part.ravel() * side_m + offset_m for part in np.meshgrid(np.arange(across), np.arange(across)))
    return shapely.box(x, y, x + side_m, y + side_m)


def test_neighbours_that_share_lines_do_not_overlap():
    assert len(find_overlaps(squares(8)).left) == 0


def test_two_sheets_over_each_other_are_followed_from_the_rim_to_the_middle():
    """Every line of the middle is shared by two neighbours of its own sheet: only the rims are lone."""
    assert_as_every_pair(np.concatenate([squares(9), squares(7, offset_m=13.0)]))


@pytest.mark.parametrize("times", [2, 3])
def test_the_same_polygon_several_times(times):
    assert_as_every_pair(np.concatenate([squares(4), *[squares(4)[[5]]] * (times - 1)]))


def test_one_inside_another_and_one_in_its_hole():
    shapes = np.array([shapely.box(0, 0, 100, 100) - shapely.box(40, 40, 60, 60), shapely.box(10, 10, 20, 20),
                       shapely.box(40, 40, 60, 60), shapely.box(45, 45, 50, 50)], object)  # fmt: skip
    assert_as_every_pair(shapes)


@pytest.mark.parametrize("seed", range(12))
def test_boxes_at_random(seed):
    random = np.random.default_rng(seed)
    west, south, width, height = random.integers(0, 12, (4, 25)) * 10.0
    shapes = shapely.box(west, south, west + width / 3 + 10, south + height / 3 + 10)
    assert_as_every_pair(shapely.segmentize(shapes, 10.0) if seed % 2 else shapes)


def test_two_of_the_same_and_nothing_else():
    assert_as_every_pair(np.concatenate([squares(1), squares(1)]))
