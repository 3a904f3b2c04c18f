"""Areas of habitat and classes by property, patch and complex, worked by hand."""

import numpy as np
import pytest
from shapely import box

from allocator.core.results import BLANK_SCORE
from allocator.core.study import BLANK_CLASS
from allocator.grid.land import land_reader
from allocator.habitat.area import add_up
from allocator.habitat.complexes import Complexes
from allocator.habitat.components import cover_index, used_components
from allocator.habitat.tile import Sums, first_cells, score_tile, sum_tile
from tests.builders import (
    CLASSES,
    FOREST,
    PASTURE,
    SWAMP,
    WATER,
    make_grid,
    make_settings,
    make_study,
    patches_of,
    scored_tile,
)  # fmt: skip

SCORE = np.array([[6000, 6000, 1000], [1000, 1000, 1000], [8000, 5000, BLANK_SCORE]])
COVER = np.array([[0, 0, 1], [1, 1, 1], [0, 3, 255]], np.uint8)
# cells of 10 m; row 0 is y 20 to 30. A: x 0 to 15, all of y. B: x 10 to 30, all of y. They overlap in x 10 to 15.
SHAPES = [box(0, 0, 15, 30), box(10, 0, 30, 30)]


def land_of(shapes, enrolled=(True, True), tile=None, cover=COVER):
    study = make_study(cover, shapes, enrolled=enrolled)
    return land_reader(study).land(tile or study.grid.window)


def areas_of(shapes=SHAPES, enrolled=(True, False), smallest_m2=0.0, complex_of=(0, 1), tile_cells=10):
    grid = make_grid(3, 3)
    tiles, sums = [], []
    for tile in grid.tiles(tile_cells):
        inside = np.s_[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns]
        scored = scored_tile(SCORE[inside], tile)
        tiles.append(scored)
        sums.append(sum_tile(land_of(shapes, enrolled, tile), scored))
    patches = patches_of(tiles, grid, smallest_m2)
    assert patches.cells.tolist() == [2, 2]
    return add_up(sums, patches, Complexes(np.array(complex_of), max(complex_of) + 1), cell_area_m2=100.0)


def table(*columns):
    return sorted(zip(*(np.round(column, 3).tolist() for column in columns), strict=True))


@pytest.mark.parametrize("tile_cells", [1, 2, 10])
def test_by_hand(tile_cells):
    areas = areas_of(tile_cells=tile_cells)
    # A holds cell 0 of each row whole and half of cell 1; B holds cells 1 and 2 whole.
    assert table(areas.pair_complex, areas.pair_property, areas.pair_m2) == [
        (0, 0, 150.0), (0, 1, 100.0), (1, 0, 150.0), (1, 1, 100.0)
    ]  # fmt: skip
    assert table(areas.pair_complex, areas.pair_property, areas.pair_units_m2) == [
        (0, 0, 90.0), (0, 1, 60.0), (1, 0, 105.0), (1, 1, 50.0)
    ]  # fmt: skip
    assert areas.complex_m2.tolist() == [200, 200]
    assert areas.complex_units_m2.tolist() == pytest.approx([120, 130])
    # on enrolled land, A only
    assert areas.complex_enrolled_m2.tolist() == [150, 150]
    assert areas.enrolled_m2 == 300
    # all habitat lies on some property; the half cells that lie on both count once
    assert areas.covered_m2 == 400
    assert areas.covered_units_m2 == pytest.approx(250)
    assert areas.double_m2 == 150


def test_classes_by_property_hold_all_of_it_with_blanks():
    areas = areas_of()
    assert table(areas.class_property, areas.class_position, areas.class_m2) == [
        (0, SWAMP, 250.0), (0, PASTURE, 150.0), (0, FOREST, 50.0),
        (1, SWAMP, 100.0), (1, PASTURE, 300.0), (1, FOREST, 100.0), (1, BLANK_CLASS, 100.0),
    ]  # fmt: skip


def test_habitat_by_class_is_part_of_the_class():
    """Of A's 250 m2 of swamp cell rows 0 and 2 count; forest at 5000 counts, pasture (1000) does not."""
    areas = areas_of()
    assert table(areas.class_property, areas.class_position, areas.class_habitat_m2, areas.class_units_m2) == [
        (0, SWAMP, 250.0, 170.0), (0, PASTURE, 0.0, 0.0), (0, FOREST, 50.0, 25.0),
        (1, SWAMP, 100.0, 60.0), (1, PASTURE, 0.0, 0.0), (1, FOREST, 100.0, 50.0), (1, BLANK_CLASS, 0.0, 0.0),
    ]  # fmt: skip
    assert areas.class_habitat_m2.sum() == areas.pair_m2.sum()
    assert areas.class_units_m2.sum() == pytest.approx(areas.pair_units_m2.sum())


def test_overlap_counts_once_on_enrolled_land_too():
    areas = areas_of(enrolled=(True, True))
    assert areas.complex_enrolled_m2.tolist() == [200, 200]


def test_a_part_of_a_cell_that_lies_in_two_properties_counts_once():
    """The same boundary given three times: half of column 1, three times, is half a cell, not a whole one."""
    same = areas_of(shapes=[SHAPES[0]] * 3, enrolled=(True, True, False))
    assert same.covered_m2 == same.enrolled_m2 == 300
    assert same.double_m2 == 2 * 450


def test_patches_of_one_complex_add_up():
    areas = areas_of(complex_of=(0, 0))
    assert table(areas.pair_complex, areas.pair_property, areas.pair_m2) == [(0, 0, 300.0), (0, 1, 200.0)]
    assert areas.complex_m2.tolist() == [400]
    assert areas.covered_m2 == 400


def test_habitat_of_patches_too_small_does_not_count():
    grid = make_grid(3, 3)
    scored = scored_tile(SCORE, grid.window)
    sums = [sum_tile(land_of(SHAPES), scored)]
    patches = patches_of([scored], grid, 201.0)
    areas = add_up(sums, patches, Complexes(np.empty(0, np.int64), 0), cell_area_m2=100.0)
    assert areas.covered_m2 == areas.enrolled_m2 == 0
    assert len(areas.pair_m2) == len(areas.complex_m2) == 0
    assert areas.class_m2.sum() == pytest.approx(450 + 600)


def test_sums_of_large_scores_are_exact():
    """Shares times scores of a large tile pass 2**53: summed in halves they stay whole."""
    side = 1024
    score = np.full((side, side), 9999)
    grid = make_grid(side, side)
    scored = scored_tile(score, grid.window)
    land = land_of([box(0, 0, 10 * side, 10 * side)], [True], cover=np.zeros((side, side), np.uint8))
    sums = sum_tile(land, scored)
    whole = side * side * (1 << 20)
    assert whole * 9999 > 2**53
    assert sums.covered_share.tolist() == sums.enrolled_share.tolist() == sums.patch_share.tolist() == [whole]
    assert sums.covered_score.tolist() == sums.patch_score.tolist() == [whole * 9999]


def test_no_property_in_a_tile():
    grid = make_grid(3, 3)
    sums = sum_tile(land_of([box(900, 900, 910, 910)], [True]), scored_tile(SCORE, grid.window))
    assert isinstance(sums, Sums)
    assert len(sums.class_owner) == len(sums.patch_owner) == sums.double_share == 0
    assert sums.covered_share.tolist() == [0, 0]


def test_first_cells_are_counted_over_the_grid():
    grid = make_grid(6, 8)
    tile = next(one for one in grid.tiles(3) if (one.row, one.column) == (3, 3))
    scored = scored_tile(np.array([[0, 0, 9000], [0, 0, 9000], [9000, 0, 0]]), tile)
    assert first_cells(scored, grid).tolist() == [3 * 8 + 5, 5 * 8 + 3]


def test_the_index_of_the_cover_is_blank_where_not_scored():
    index = cover_index(make_study(np.zeros((1, 1), np.uint8), [box(0, 0, 10, 10)]).planned)
    assert index[: len(CLASSES)].tolist() == [1.0, 0.2, 0.0, 0.4, 0.45]
    assert np.isnan(index[len(CLASSES) :]).all()
    assert index.shape == (256,)


def test_components_need_a_source_and_a_weight():
    cover = np.full((3, 3), SWAMP, np.uint8)
    ground = np.zeros((3, 3), np.float32)
    dry = make_study(cover, [box(0, 0, 30, 30)], elevation=ground)
    assert used_components(dry, dry.planned) == ("cover",)
    wet = make_study(cover, [box(0, 0, 30, 30)], water=[box(0, 0, 1, 1)])
    assert used_components(wet, wet.planned) == ("cover", "water")
    high = make_study(cover, [box(0, 0, 30, 30)], water=[box(0, 0, 1, 1)], elevation=ground)
    assert used_components(high, high.planned) == ("cover", "water", "lowland")
    none = make_settings(habitat={"weights": {"water": 0}})
    still = make_study(cover, [box(0, 0, 30, 30)], water=[box(0, 0, 1, 1)], settings=none)
    assert used_components(still, still.planned) == ("cover",)


def test_the_score_of_a_tile_by_hand():
    """Water at the west end of a row of 10 m cells, curve from 1 at 0 to 0 at 40 m, weights 2 and 1.

    Swamp at 10 m: (1^2 * 0.75)^(1/3) = 0.9085; forest at 20 m: (0.4^2 * 0.5)^(1/3) = 0.4309; blank; beyond 40 m: 0.
    """
    cover = np.array([[WATER, SWAMP, FOREST, BLANK_CLASS, SWAMP, SWAMP]], np.uint8)
    settings = make_settings(habitat={"curves": {"water_m": [[0, 1], [40, 0]]}})
    study = make_study(cover, [box(0, 0, 60, 10)], settings=settings)
    tile = score_tile(land_reader(study).land(study.grid.window), study, study.planned)
    assert tile.score.tolist() == [[0, 9085, 4308, BLANK_SCORE, 0, 0]]
    assert tile.labels.tolist() == [[0, 1, 0, 0, 0, 0]]
    assert tile.count == 1


def test_habitat_cells_that_touch_at_a_corner_are_labelled_as_one():
    cover = np.array([[SWAMP, PASTURE, PASTURE], [PASTURE, SWAMP, PASTURE], [PASTURE, PASTURE, PASTURE]], np.uint8)
    study = make_study(cover, [box(0, 0, 30, 30)])
    tile = score_tile(land_reader(study).land(study.grid.window), study, study.planned)
    assert tile.count == 1
    assert tile.labels.tolist() == [[1, 0, 0], [0, 1, 0], [0, 0, 0]]


@pytest.mark.parametrize(("threshold", "habitat"), [(0.45, 1), (0.4501, 0), (0.0001, 1)])
def test_habitat_begins_at_the_threshold(threshold, habitat):
    settings = make_settings(habitat={"threshold": threshold, "cover": {}})
    study = make_study(np.full((1, 1), 4, np.uint8), [box(0, 0, 10, 10)], settings=settings)
    assert score_tile(land_reader(study).land(study.grid.window), study, study.planned).count == habitat


def test_a_blank_score_is_never_habitat():
    study = make_study(np.full((2, 2), BLANK_CLASS, np.uint8), [box(0, 0, 20, 20)])
    tile = score_tile(land_reader(study).land(study.grid.window), study, study.planned)
    assert (tile.score == BLANK_SCORE).all()
    assert tile.count == 0


def test_without_weight_on_the_cover_blank_cover_is_still_blank():
    settings = make_settings(habitat={"weights": {"cover": 0}})
    cover = np.array([[WATER, BLANK_CLASS, PASTURE]], np.uint8)
    study = make_study(cover, [box(0, 0, 30, 10)], settings=settings)
    tile = score_tile(land_reader(study).land(study.grid.window), study, study.planned)
    assert tile.score.tolist() == [[10000, BLANK_SCORE, 10000]]
