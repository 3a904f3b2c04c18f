"""The land of a tile: the same whatever the tile."""

from dataclasses import replace

import numpy as np
from shapely import LineString, Polygon, box

from allocator.core.grid import Window
from allocator.grid.land import MOST_EDGES, land_reader
from allocator.grid.targets import Target
from tests.builders import PASTURE, WATER, make_settings, make_study

LAKE = Target("water", ("permanent",))
SETTINGS = make_settings(
    habitat={"curves": {"water_m": [[0, 1], [50, 0]]}}, sites={"water_distance_m": [10, 30], "road_distance_m": [5, 20]}
)


def line_study(**changes):
    cover = np.full((3, 20), PASTURE, np.uint8)
    cover[1, 0] = WATER
    return make_study(cover, [box(0, 0, 200, 30)], settings=SETTINGS, **changes)


def test_water_is_looked_for_as_far_as_the_curve_reaches_and_no_further():
    reader = land_reader(line_study())
    assert reader.reach_cells == {LAKE: 5}
    squared = reader.land(Window(1, 0, 1, 20)).squared[LAKE]
    assert squared[0].tolist() == [0, 1, 4, 9, 16, 25] + [36] * 14


def test_water_beyond_the_tile_is_seen():
    assert land_reader(line_study()).land(Window(1, 3, 1, 1)).squared[LAKE].tolist() == [[9]]


def test_a_site_may_be_further_from_water_than_the_curve_reaches():
    settings = make_settings(habitat={"curves": {"water_m": [[0, 1], [50, 0]]}}, sites={"water_distance_m": [10, 80]})
    study = make_study(
        np.full((3, 20), PASTURE, np.uint8), [box(0, 0, 200, 30)], settings=settings, water=[box(0, 0, 1, 1)]
    )
    assert land_reader(study).reach_cells == {LAKE: 8}


def test_height_and_slope_are_those_of_the_wider_land():
    ground = np.zeros((3, 20), np.float32) + np.arange(20, dtype=np.float32)
    land = land_reader(line_study(elevation=ground)).land(Window(1, 2, 1, 2))
    assert land.height_m[LAKE].tolist() == [[2, 3]]
    np.testing.assert_allclose(land.slope, [[0.1, 0.1]], rtol=1e-6)


def test_without_sources_there_are_no_layers():
    study = make_study(np.full((3, 20), PASTURE, np.uint8), [box(0, 0, 200, 30)], settings=SETTINGS)
    land = land_reader(study).land(study.grid.window)
    assert land.squared == land.height_m == {}
    assert land.slope is land.road_squared is land.flooding is land.drainage is land.canopy is None


def test_only_roads_that_a_truck_may_use_count():
    lines = [LineString([(0, 5), (200, 5)]), LineString([(0, 25), (200, 25)])]
    study = make_study(
        np.full((3, 20), PASTURE, np.uint8), [box(0, 0, 200, 30)], roads=lines, trucks=["no", "dry"], settings=SETTINGS
    )
    squared = land_reader(study).land(Window(0, 4, 3, 1)).road_squared
    assert squared.ravel().tolist() == [0, 1, 4]


def test_a_road_beyond_the_tile_is_seen_as_far_as_a_site_may_be_from_it():
    """20 m of 10 m cells and one cell more: three cells; further is all the same."""
    study = make_study(
        np.full((14, 3), PASTURE, np.uint8),
        [box(0, 0, 30, 140)],
        roads=[LineString([(0, 5), (30, 5)])],
        settings=SETTINGS,
    )
    reader = land_reader(study)
    windows = [Window(row, 1, 1, 1) for row in range(13, -1, -1)]
    assert [int(reader.land(one).road_squared[0, 0]) for one in windows] == [0, 1, 4, 9] + [16] * 10
    assert [int(reader.road_squared(one, 60.0)[0, 0]) for one in windows] == [0, 1, 4, 9, 16, 25, 36] + [49] * 7


def test_property_lines_count_by_share_or_by_centre():
    cover = np.full((3, 3), PASTURE, np.uint8)
    for how, total in (("share", 1.6 * 3), ("centre", 2.0 * 3)):
        study = make_study(cover, [box(0, 0, 16, 30)], settings=make_settings(study={"property_lines": how}))
        shares = land_reader(study).land(study.grid.window).shares
        assert abs(shares.share.sum() / 2**20 - total) < 1e-5


def test_elevation_is_read_no_further_off_than_the_water_it_is_for():
    asked = []

    class Noting:
        def read(self, window):
            asked.append(window)
            return study.elevation.read(window)

    study = line_study(elevation=np.zeros((3, 20), np.float32))
    reader = land_reader(replace(study, elevation=Noting()))
    reader.land(Window(0, 2, 3, 2))
    reader.land(Window(1, 12, 1, 8))  # no water within the five cells that the curve reaches
    assert asked == [Window(0, 2, 3, 2).widened(4), Window(1, 12, 1, 8).widened(1)]


def test_tiles_are_larger_where_much_around_them_is_read():
    def side(reach_m):
        settings = make_settings(habitat={"curves": {"water_m": [[0, 1], [reach_m, 0]]}})
        cover = np.full((3, 20), PASTURE, np.uint8)
        cover[0, 0] = WATER
        return land_reader(make_study(cover, [box(0, 0, 200, 30)], settings=settings)).tile_cells

    assert (side(5120), side(5130)) == (1024, 1536)


def test_tiles_are_smaller_where_they_hold_many_property_lines():
    def side(corners):
        angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
        ring = np.column_stack([100 + 10 * np.cos(angle), 15 + 10 * np.sin(angle)])
        study = make_study(np.full((3, 20), PASTURE, np.uint8), [Polygon(ring)], settings=SETTINGS)
        return land_reader(study).tile_cells

    most = MOST_EDGES * 60 // 1024**2  # of these 60 cells
    assert (side(most), side(2 * most)) == (1024, 512)
