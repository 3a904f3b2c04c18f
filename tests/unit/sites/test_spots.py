"""Spots: limits, shade, quality, and the best of each square."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, box

from allocator.core.study import BLANK_CLASS
from allocator.grid.land import land_reader
from allocator.habitat.tile import score_tile
from allocator.sites.quality import SHADES, quality, shade_of
from allocator.sites.spots import BEST_PER_SQUARE, CELL_STEPS, Spots, find_spots, join_spots
from allocator.sites.squares import best_per_square
from tests.builders import (
    CLASSES,
    FOREST,
    PASTURE,
    SHRUB,
    SWAMP,
    WATER,
    ArrayReader,
    law,
    make_grid,
    make_settings,
    make_study,
    rough_land,
)  # fmt: skip

OPEN, PARTIAL, CLOSED = range(3)


def test_closed_cover_beside_open_ground_makes_partial_shade_on_both_sides():
    cover = np.array([[SWAMP, SWAMP, SWAMP, PASTURE, PASTURE, PASTURE]] * 3, np.uint8)
    assert shade_of(cover, CLASSES)[1].tolist() == [CLOSED, CLOSED, PARTIAL, PARTIAL, OPEN, OPEN]


def test_an_edge_of_partial_shade_changes_nothing():
    cover = np.array([[SWAMP, SWAMP, SHRUB, SHRUB, PASTURE, PASTURE]] * 3, np.uint8)
    assert shade_of(cover, CLASSES)[1].tolist() == [CLOSED, CLOSED, PARTIAL, PARTIAL, OPEN, OPEN]


def test_an_edge_reaches_over_a_corner_and_blank_counts_as_open():
    cover = np.full((5, 5), FOREST, np.uint8)
    cover[0, 0] = BLANK_CLASS
    shade = shade_of(cover, CLASSES)
    assert shade[1, 1] == shade[0, 1] == shade[0, 0] == PARTIAL
    assert shade[2, 2] == shade[0, 2] == CLOSED


SITES = make_settings().sites


def quality_of(water_m=10.0, slope=0.0, shade=PARTIAL, score=1.0, road_m=5.0, sites=SITES):
    one = [np.array([float(value)]) for value in (water_m, slope, score)]
    road = None if road_m is None else np.array([float(road_m)])
    return float(quality(sites, water_m=one[0], slope=one[1], shade=np.array([shade]), score=one[2], road_m=road)[0])


def test_the_best_spot_has_quality_1():
    assert quality_of() == 1.0


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        # five terms of weight 1
        ({"water_m": 400}, 0.9), ({"water_m": 205}, 0.95), ({"water_m": 9999}, 0.9), ({"water_m": 0}, 1.0),
        ({"road_m": 60}, 0.9), ({"road_m": 32.5}, 0.95),
        ({"slope": 0.08}, 0.9), ({"slope": 0.04}, 0.95),
        ({"shade": CLOSED}, 0.94), ({"shade": OPEN}, 0.86),
        ({"score": 0.5}, 0.9), ({"score": 0}, 0.8),
        # a blank term is left out: the mean of four
        ({"slope": np.nan, "score": 0.6}, 0.9), ({"water_m": np.nan, "score": 0.6}, 0.9),
        ({"score": np.nan, "slope": 0.08}, 0.875), ({"road_m": None, "score": 0.6}, 0.9),
    ],
)  # fmt: skip
def test_quality_is_the_mean_of_the_terms_that_are_known(change, expected):
    assert quality_of(**change) == pytest.approx(expected)


def test_weights_of_quality_count():
    sites = make_settings(sites={"quality_weights": {"score": 6.0}}).sites
    assert quality_of(score=0.5, sites=sites) == pytest.approx((4 + 6 * 0.5) / 10)


def spots_at(row, column, owner):
    number = len(row)
    blank, zero = np.full(number, np.nan), np.zeros(number, np.int64)
    terms = blank, blank, blank, zero, zero, blank, np.zeros(number)
    return Spots(np.array(row), np.array(column), np.array(owner), *terms)


def test_the_best_of_each_square_and_property():
    """Squares of 2 by 2 cells: the first three spots lie in one."""
    spots = spots_at([0, 0, 1, 0, 0], [0, 1, 0, 2, 0], [0, 0, 0, 0, 1])
    rank = np.array([0.1, 0.9, 0.5, 0.2, 0.1])
    kept = best_per_square(spots, rank, make_grid(4, 4), side_m=20.0, most=1)
    assert kept.tolist() == [4, 1, 3]
    kept = best_per_square(spots, rank, make_grid(4, 4), side_m=20.0, most=2)
    assert kept.tolist() == [4, 1, 3, 2]


def test_of_equal_spots_the_more_northern_then_the_more_western():
    spots = spots_at([1, 1, 0, 0], [0, 1, 1, 0], [0, 0, 0, 0])
    assert best_per_square(spots, np.ones(4), make_grid(4, 4), side_m=20.0, most=1).tolist() == [3]
    assert best_per_square(spots.take(np.arange(3)), np.ones(3), make_grid(4, 4), side_m=20.0, most=1).tolist() == [2]


def test_no_spots_no_best():
    assert len(best_per_square(spots_at([], [], []), np.empty(0), make_grid(4, 4), side_m=20.0, most=1)) == 0


@law(80)
@given(seed=st.integers(0, 10**6), most=st.integers(1, 4), side_m=st.sampled_from([10.0, 30.0, 47.0]))
def test_the_best_are_those_of_a_plain_search_in_any_order(seed, most, side_m):
    random = np.random.default_rng(seed)
    number = int(random.integers(1, 60))
    cell = random.choice(15 * 12 * 2, number, replace=False)
    owner, place = np.divmod(cell, 15 * 12)
    row, column = np.divmod(place, 12)
    rank = random.integers(0, 4, number) / 4
    grid, cells = make_grid(15, 12), max(1, round(side_m / 10))
    squares: dict = {}
    for one in sorted(range(number), key=lambda i: (-rank[i], row[i], column[i])):
        its = squares.setdefault((row[one] // cells, column[one] // cells, owner[one]), [])
        if len(its) < most:
            its.append(one)
    expected = {(row[i], column[i], owner[i]) for its in squares.values() for i in its}
    kept = best_per_square(spots_at(row, column, owner), rank, grid, side_m=side_m, most=most)
    assert {(row[i], column[i], owner[i]) for i in kept} == expected
    assert len(kept) == len(expected)
    places = [(row[i], column[i]) for i in kept]
    assert places == sorted(places)


def a_study(**changes):
    """A strip of pasture, 3 rows by 40 columns of 10 m, water at the west end, a road along the middle."""
    cover = np.full((3, 40), PASTURE, np.uint8)
    cover[:, 0] = WATER
    settings = make_settings(sites={"candidate_spacing_m": 1.0})
    options = {"roads": [LineString([(0, 15), (400, 15)])], "settings": settings}
    return make_study(cover, changes.pop("shapes", [box(0, 0, 400, 30)]), **(options | changes))


def spots_of(study, tile_cells=1000):
    reader = land_reader(study)
    found = []
    for window in study.grid.tiles(tile_cells):
        land = reader.land(window)
        found.append(find_spots(land, score_tile(land, study, study.planned), study))
    return join_spots(found, study.grid, study.settings.sites)


def test_spots_lie_within_the_limits_on_water():
    settings = make_settings(sites={"candidate_spacing_m": 1.0, "water_distance_m": [20, 50]})
    found = spots_of(a_study(settings=settings))
    assert sorted(set(found.spots.column.tolist())) == [2, 3, 4, 5]
    assert sorted(set(found.spots.water_m.tolist())) == [20, 30, 40, 50]
    assert found.passed.toarray()[:, 0].tolist() == [3 * 39, 12, 12, 12]


def test_no_spot_on_water_or_blank_ground():
    cover = np.full((3, 40), PASTURE, np.uint8)
    cover[:, 10:20], cover[:, 20:30] = WATER, BLANK_CLASS
    found = spots_of(replace(a_study(), cover=ArrayReader(cover, BLANK_CLASS)))
    assert len(found.spots.column)
    assert not set(found.spots.column.tolist()) & set(range(10, 30))


def test_spots_are_level_enough():
    ground = np.zeros((3, 40), np.float32)
    ground[:, 20:] = np.arange(20) * 0.9  # 9 percent from there on; half of it at the bend
    found = spots_of(a_study(elevation=ground))
    slope = found.spots.slope
    assert slope[~np.isnan(slope)].max() == pytest.approx(0.045)
    assert not set(found.spots.column[found.spots.row == 1].tolist()) & set(range(21, 39))
    assert found.passed.toarray()[2, 0] < found.passed.toarray()[1, 0]


def test_spots_only_on_enrolled_land_that_holds_more_than_half_the_cell():
    shapes = [box(0, 0, 94.9, 30), box(95.1, 0, 200, 30), box(200, 0, 400, 30)]
    found = spots_of(a_study(shapes=shapes, enrolled=[True, True, False], settings=make_settings(
        sites={"candidate_spacing_m": 1.0, "water_distance_m": [10, 4000]})))  # fmt: skip
    assert found.spots.column.max() == 19
    assert set(found.spots.owner[found.spots.column < 9].tolist()) == {0}
    assert 9 not in found.spots.column  # under half of the cell lies on either
    assert found.passed.toarray()[:, 2].tolist() == [0, 0, 0, 0]


def test_spots_lie_near_a_truck_road():
    cover = np.full((30, 5), PASTURE, np.uint8)
    settings = make_settings(sites={"candidate_spacing_m": 1.0, "road_distance_m": [5, 40]})
    study = make_study(cover, [box(0, 0, 50, 300)], roads=[LineString([(0, 295), (50, 295)])], settings=settings)
    found = spots_of(study)
    # the road lies in row 0; rows up to 40 m and one cell on pass here, exact distances decide later
    assert sorted(set(found.spots.row.tolist())) == [0, 1, 2, 3, 4, 5]
    closed = make_study(
        cover, [box(0, 0, 50, 300)], roads=[LineString([(0, 295), (50, 295)])], trucks=["no"], settings=settings
    )
    assert len(spots_of(closed).spots.row) == 0


def test_without_roads_there_are_no_spots():
    found = spots_of(a_study(roads=None))
    assert len(found.spots.row) == 0
    assert found.passed.toarray().tolist() == [[0]] * len(CELL_STEPS)


@pytest.mark.parametrize("tile_cells", [7, 16, 33])
@pytest.mark.parametrize("side_m", [60.0, 35.0])
def test_spots_are_the_same_for_all_tiles(tile_cells, side_m):
    random = np.random.default_rng(5)
    study = make_study(
        rough_land(50, 60), [box(33, 48, 311, 432), box(250, 48, 588, 400)],
        elevation=random.normal(5, 0.4, (50, 60)), roads=[LineString([(0, 300), (599, 233)])],
        settings=make_settings(
            sites={"candidate_spacing_m": side_m, "water_distance_m": [10, 60], "slope_limit_percent": 3}
        ),
    )  # fmt: skip
    whole, tiled = spots_of(study), spots_of(study, tile_cells)
    assert len(whole.spots.row) > 20
    np.testing.assert_array_equal(tiled.passed.toarray(), whole.passed.toarray())
    order = [np.lexsort((one.spots.owner, one.spots.column, one.spots.row)) for one in (whole, tiled)]
    for name in Spots.__dataclass_fields__:
        first, second = (getattr(one.spots, name)[its] for one, its in zip((whole, tiled), order, strict=True))
        np.testing.assert_array_equal(second, first, name)
    assert set(whole.spots.shade.tolist()) <= set(range(len(SHADES)))
    per_square = np.unique(
        np.stack([whole.spots.row // round(side_m / 10), whole.spots.column // round(side_m / 10), whole.spots.owner]),
        axis=1, return_counts=True,
    )[1]  # fmt: skip
    assert 4 < per_square.max() <= BEST_PER_SQUARE
