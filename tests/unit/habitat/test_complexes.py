"""Complexes: nearer than a distance, directly or through others."""

import numpy as np
import pytest
import shapely
from shapely import box

from allocator.habitat.complexes import join_complexes, small_parts
from tests.builders import objects


def complexes(distance_m, *bounds):
    return join_complexes(objects([shapely.multipolygons([box(*one)]) for one in bounds]), distance_m)


@pytest.mark.parametrize(("gap_m", "joined"), [(199.99, True), (200.0, False), (200.01, False), (0.0, True)])
def test_nearer_than_the_distance_is_joined_exactly_at_it_is_not(gap_m, joined):
    found = complexes(200.0, (0, 0, 10, 10), (10 + gap_m, 0, 20 + gap_m, 10))
    assert found.count == (1 if joined else 2)


def test_exactly_at_the_distance_across_a_corner():
    """3-4-5: the corners lie 120 and 160 m apart, 200 m."""
    assert complexes(200.0, (0, 0, 10, 10), (130, 170, 140, 180)).count == 2
    assert complexes(200.0, (0, 0, 10, 10), (130, 169.99, 140, 180)).count == 1


def test_a_chain_is_one_complex():
    chain = [(150 * i, 0, 150 * i + 10, 10) for i in range(6)]
    found = complexes(141.0, *chain)
    assert found.complex_of.tolist() == [0] * 6
    assert complexes(140.0, *chain).count == 6


def test_complexes_are_numbered_by_their_first_patch():
    found = complexes(50.0, (0, 0, 10, 10), (500, 0, 510, 10), (30, 0, 40, 10), (900, 0, 910, 10), (530, 0, 540, 10))
    assert found.complex_of.tolist() == [0, 1, 0, 2, 1]


def test_at_distance_zero_every_patch_is_its_own():
    assert complexes(0.0, (0, 0, 10, 10), (10, 0, 20, 10)).complex_of.tolist() == [0, 1]


def test_the_nearest_of_several_parts_counts():
    two = shapely.multipolygons([box(0, 0, 10, 10), box(900, 0, 910, 10)])
    far = shapely.multipolygons([box(1000, 0, 1010, 10)])
    assert join_complexes(objects([two, far]), 95.0).count == 1
    assert join_complexes(objects([two, far]), 90.0).count == 2


def test_no_patches_no_complexes():
    found = join_complexes(np.empty(0, object), 200.0)
    assert found.count == 0
    assert len(found.complex_of) == 0


def test_small_shapes_stay_whole():
    shapes = objects([shapely.multipolygons([box(0, 0, 1, 1), box(2, 2, 3, 3)])])
    parts, owner = small_parts(shapes)
    assert len(parts) == 2
    assert owner.tolist() == [0, 0]
