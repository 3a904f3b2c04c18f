"""Habitat as demand, and who serves what."""

import numpy as np
import pytest

from allocator.habitat.complexes import Complexes
from allocator.sites.reach import join_demand, reach_matrix, square_cells, tile_demand
from tests.builders import make_grid, patches_of, scored_tile


@pytest.mark.parametrize(("radius_m", "side"), [(1000, 10), (949, 9), (621.5, 6), (20, 1), (1, 1)])
def test_squares_are_a_tenth_of_the_radius_at_least_a_cell(radius_m, side):
    assert square_cells(make_grid(3, 3, 10.0), radius_m) == side


def demand_of(score, side, tile_cells=1000, smallest_m2=0.0, complex_of=None):
    grid = make_grid(*score.shape)
    tiles = [
        scored_tile(score[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns], tile)
        for tile in grid.tiles(tile_cells)
    ]
    patches = patches_of(tiles, grid, smallest_m2)
    of = np.arange(len(patches.cells)) if complex_of is None else np.array(complex_of)
    complexes = Complexes(of, int(of.max(initial=-1)) + 1)
    return join_demand([tile_demand(tile, side) for tile in tiles], patches, complexes, grid)


SCORE = np.array([
    [6000, 6000, 0, 0],
    [0, 8000, 0, 0],
    [0, 0, 0, 0],
    [0, 0, 0, 7000],
])  # fmt: skip


@pytest.mark.parametrize("tile_cells", [1, 2, 3, 1000])
def test_demand_by_hand(tile_cells):
    """Squares of 2 by 2 cells of 10 m. The north-west one holds three cells with centres 5,35 15,35 15,25."""
    demand = demand_of(SCORE, 2, tile_cells)
    assert demand.first.tolist() == [0, 1, 2]
    assert demand.x_m.tolist() == pytest.approx([35 / 3, 35])
    assert demand.y_m.tolist() == pytest.approx([95 / 3, 5])
    assert demand.area_m2.tolist() == [300, 100]
    assert demand.units_m2.tolist() == pytest.approx([200, 70])


def test_a_square_that_two_complexes_share_is_two_demands():
    score = np.array([[6000, 0, 7000]])
    apart = demand_of(score, 3)
    assert apart.first.tolist() == [0, 1, 2]
    assert apart.x_m.tolist() == [5, 25]
    together = demand_of(score, 3, complex_of=[0, 0])
    assert together.first.tolist() == [0, 1]
    assert together.x_m.tolist() == [15]
    assert together.area_m2.tolist() == [200]


def test_habitat_of_small_patches_is_no_demand():
    demand = demand_of(SCORE, 2, smallest_m2=200.0)
    assert demand.first.tolist() == [0, 1]
    assert demand.area_m2.tolist() == [300]


def test_no_habitat_no_demand():
    demand = demand_of(np.zeros((4, 4), int), 2)
    assert len(demand.x_m) == 0
    assert demand.first.tolist() == [0]


@pytest.mark.parametrize("tile_cells", [5, 7, 16])
def test_demand_is_the_same_for_all_tiles(tile_cells):
    score = np.random.default_rng(2).integers(0, 10_000, (33, 41))
    whole, tiled = demand_of(score, 4), demand_of(score, 4, tile_cells)
    for name in ("x_m", "y_m", "area_m2", "units_m2", "first"):
        np.testing.assert_array_equal(getattr(tiled, name), getattr(whole, name))
    habitat = score >= 5000
    assert whole.area_m2.sum() == habitat.sum() * 100
    assert whole.units_m2.sum() == pytest.approx(score[habitat].sum() / 100)


def test_a_candidate_serves_what_lies_within_the_radius_also_exactly_at_it():
    found = reach_matrix(np.array([0.0, 100]), np.array([0.0, 0]), np.array([3.0, 3, 99]), np.array([4.0, 4.1, 0]), 5.0)
    assert found.toarray().tolist() == [[1, 0, 0], [0, 0, 1]]


def test_reach_equals_every_distance():
    random = np.random.default_rng(4)
    x, y, to_x, to_y = (random.uniform(0, 1000, number) for number in (60, 60, 300, 300))
    found = reach_matrix(x, y, to_x, to_y, 150.0)
    expected = np.hypot(x[:, None] - to_x, y[:, None] - to_y) <= 150.0
    np.testing.assert_array_equal(found.toarray(), expected)


@pytest.mark.parametrize(("candidates", "squares"), [(0, 0), (0, 3), (3, 0)])
def test_reach_of_nothing(candidates, squares):
    found = reach_matrix(np.zeros(candidates), np.zeros(candidates), np.zeros(squares), np.zeros(squares), 5.0)
    assert found.shape == (candidates, squares)
    assert found.nnz == 0
