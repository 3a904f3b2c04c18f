"""Patches: joined over corners and tiles, sized, numbered, outlined."""

import numpy as np
import pytest
import shapely
from shapely import box

from allocator.core.grid import Window
from allocator.grid.tile_files import tile_files
from allocator.habitat.patches import join_patches, score_map, tile_patches
from allocator.habitat.tile import CELL_PARTS
from tests.builders import make_grid, scored_tile
from tests.builders import patches_of as joined_patches

CELL_M2 = 100.0


def patches_of(habitat, tile_cells=1000, smallest_m2=0.0, score=None):
    """Patches of an array of 0 and 1 on cells of 10 m, and the map of scores and habitat."""
    habitat = np.array(habitat)
    grid = make_grid(*habitat.shape)
    values = np.where(habitat > 0, 6000, 1000) if score is None else score
    with tile_files() as files:
        pieces = [
            tile_patches(
                scored_tile(values[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns], tile),
                grid, files,
            )
            for tile in grid.tiles(tile_cells)
        ]  # fmt: skip
        patches = join_patches(pieces, grid, smallest_m2)
        return patches, score_map(pieces, patches, grid)


TILES = [1, 2, 3, 1000]


@pytest.mark.parametrize("tile_cells", TILES)
@pytest.mark.parametrize("habitat", [[[1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 0, 1], [0, 1, 0], [1, 0, 0]]])
def test_cells_that_touch_at_a_corner_are_one_patch(habitat, tile_cells):
    found, _ = patches_of(habitat, tile_cells)
    assert found.cells.tolist() == [3]
    assert found.shapes[0].is_valid
    assert len(found.shapes[0].geoms) == 3  # outlines do not join corners


@pytest.mark.parametrize("habitat", [[[1, 0], [0, 1]], [[0, 1], [1, 0]]])
def test_patches_join_across_the_corner_of_four_tiles(habitat):
    found, _ = patches_of(habitat, 1)
    assert found.cells.tolist() == [2]


def test_patches_join_across_the_corner_of_four_larger_tiles():
    for down in (False, True):
        habitat = np.zeros((6, 6), int)
        habitat[2, 2 if down else 3] = habitat[3, 3 if down else 2] = 1
        assert patches_of(habitat, 3)[0].cells.tolist() == [2]
        assert patches_of(habitat, 2)[0].cells.tolist() == [2]


def test_patches_join_across_a_border_one_cell_aside():
    habitat = np.zeros((6, 6), int)
    habitat[1, 2] = habitat[2, 3] = 1  # side by side tiles of 3: rows differ by one
    habitat[2, 0] = habitat[3, 1] = 1  # one above the other: columns differ by one
    assert patches_of(habitat, 3)[0].cells.tolist() == [2, 2]


def test_cells_two_apart_are_not_joined():
    assert patches_of([[1, 0, 1]], 1)[0].cells.tolist() == [1, 1]


@pytest.mark.parametrize("tile_cells", TILES)
def test_patches_are_numbered_from_the_north_west(tile_cells):
    """By their first cell, row by row: the long one first seen at the right of the top row is the first."""
    habitat = [
        [0, 0, 0, 0, 1],
        [1, 0, 0, 0, 1],
        [0, 0, 1, 0, 1],
        [0, 0, 1, 0, 1],
        [1, 0, 0, 0, 0],
    ]
    assert patches_of(habitat, tile_cells)[0].cells.tolist() == [4, 1, 2, 1]


@pytest.mark.parametrize("tile_cells", TILES)
@pytest.mark.parametrize(("smallest_m2", "kept"), [(400, [4, 5]), (400.001, [5]), (500, [5]), (501, []), (0, [4, 5])])
def test_a_patch_exactly_at_the_smallest_size_counts(smallest_m2, kept, tile_cells):
    habitat = [[1, 1, 0, 0], [1, 1, 0, 0], [0, 0, 0, 1], [1, 1, 1, 1]]
    assert patches_of(habitat, tile_cells, smallest_m2)[0].cells.tolist() == kept


def test_the_size_in_acres_is_met_in_spite_of_rounding():
    """9 cells of 30 m are 8,100 m2, 2.0015 acres; the limit is given as the same area through acres and back."""
    from allocator.core.units import acres, square_metres

    limit = square_metres(acres(900.0))
    assert patches_of(np.ones((3, 3), int), 1000, limit)[0].cells.tolist() == [9]


@pytest.mark.parametrize("tile_cells", TILES)
def test_a_ring_has_a_hole_and_what_lies_in_it_is_another_patch(tile_cells):
    habitat = np.ones((5, 5), int)
    habitat[1:4, 1:4] = 0
    habitat[2, 2] = 1
    found, _ = patches_of(habitat, tile_cells)
    assert found.cells.tolist() == [16, 1]
    ring, core = found.shapes
    assert ring.equals(box(0, 0, 50, 50) - box(10, 10, 40, 40))
    assert core.equals(box(20, 20, 30, 30))
    assert ring.is_valid
    assert shapely.get_num_coordinates(found.shapes).tolist() == [10, 5]  # no points in the middle of a side


@pytest.mark.parametrize("tile_cells", TILES)
def test_no_habitat_no_patches(tile_cells):
    found, cells = patches_of(np.zeros((3, 4), int), tile_cells)
    assert len(found.cells) == len(found.part_scores) == len(found.shapes) == 0
    assert not cells.is_habitat.any()
    assert (cells.score == 1000).all()


def test_only_patches_that_are_too_small_leave_none():
    found, cells = patches_of([[1, 0, 1]], 2, 1000.0)
    assert len(found.shapes) == 0
    assert not cells.is_habitat.any()


@pytest.mark.parametrize("tile_cells", TILES)
def test_scores_are_summed_and_the_mask_holds_what_counts(tile_cells):
    score = np.array([[5000, 9999, 0], [0, 0, 0], [65535, 0, 7000]])
    found, cells = patches_of(score >= 5000, tile_cells, 150.0, score)
    assert found.cells.tolist() == [2]
    assert (found.part_scores / CELL_PARTS).tolist() == [14999]
    np.testing.assert_array_equal(cells.score, score)
    np.testing.assert_array_equal(cells.is_habitat, [[1, 1, 0], [0, 0, 0], [0, 0, 0]])


def test_the_patch_of_each_label_of_each_tile():
    found, _ = patches_of([[1, 1, 0, 1], [0, 0, 0, 0]], 2, 150.0)
    assert [of.tolist() for of in found.patch_of] == [[-1, 0], [-1, -1]]


def test_outlines_lie_where_the_cells_do():
    grid_west = make_grid(2, 3, 30.0, 1_000_000.0, 500_000.0)
    tile = scored_tile(np.array([[0, 6000, 6000], [0, 0, 0]]), Window(0, 0, 2, 3))
    found = joined_patches([tile], grid_west, 0.0)
    assert found.shapes[0].bounds == (1_000_030.0, 500_030.0, 1_000_090.0, 500_060.0)
