"""Candidates: exact distances, hard limits, and why a property has none."""

import numpy as np
import pytest
import shapely
from shapely import LineString, box

from allocator.grid.land import land_reader
from allocator.habitat.tile import score_tile
from allocator.sites.access import WayFinder
from allocator.sites.candidates import STEPS, measure_candidates, reason_without_candidates
from allocator.sites.measured import Measurer
from allocator.sites.roads import TruckRoads
from allocator.sites.spots import find_spots, join_spots
from tests.builders import PASTURE, WATER, make_settings, make_study, objects, rough_land

SPARSE = {"candidate_spacing_m": 1.0, "building_setback_m": 50.0}


def candidates_of(study, tile_cells=1000, patches=None):
    reader, found = land_reader(study), []
    for window in study.grid.tiles(tile_cells):
        land = reader.land(window)
        found.append(find_spots(land, score_tile(land, study, study.planned), study))
    roads = TruckRoads(study)
    joined = join_spots(found, study.grid, study.settings.sites)
    habitat = objects([box(0, 0, 10_000, 10_000)]) if patches is None else objects(patches)
    return measure_candidates(joined, Measurer(study, roads, habitat), WayFinder(reader, roads))


def rough_study(**sites):
    random = np.random.default_rng(8)
    return make_study(
        rough_land(60, 70, seed=2), [box(33, 48, 341, 552), box(341, 48, 688, 552), box(0, 0, 30, 30)],
        elevation=random.normal(5, 0.35, (60, 70)),
        roads=[LineString([(0, 330), (300, 250), (699, 305)]), LineString([(400, 0), (401, 600)])],
        trucks=["yes", "dry"], water=[LineString([(0, 90), (699, 140)])],
        buildings=[shapely.Point(200, 300), box(500, 270, 520, 290)], exclusions=[box(420, 200, 470, 400)],
        settings=make_settings(sites={"building_setback_m": 45.0} | sites),
    )  # fmt: skip


@pytest.mark.parametrize("spacing", [1.0, 60.0])
def test_every_hard_limit_holds_measured_anew(spacing):
    study = rough_study(candidate_spacing_m=spacing)
    found, sites = candidates_of(study), study.settings.sites
    points = shapely.points(found.places.x_m, found.places.y_m)
    assert len(points) > 20
    by_road = shapely.distance(points[:, None], study.roads.shapes[None]).min(axis=1)
    np.testing.assert_allclose(found.places.road.distance_m, by_road, atol=1e-9)
    assert by_road.min() >= sites.road_distance_m[0]
    assert by_road.max() <= sites.road_distance_m[1]
    own = study.properties.shapes[found.places.spots.owner]
    assert shapely.contains(own, points).all()
    np.testing.assert_allclose(found.places.boundary_m, shapely.distance(shapely.boundary(own), points), atol=1e-9)
    assert found.places.boundary_m.min() >= sites.boundary_setback_m
    by_building = shapely.distance(points[:, None], study.buildings[None]).min(axis=1)
    np.testing.assert_allclose(found.places.building_m, by_building, atol=1e-9)
    assert by_building.min() >= sites.building_setback_m
    assert not shapely.intersects(points[:, None], study.exclusions[None]).any()
    assert found.places.spots.water_m.min() >= sites.water_distance_m[0]
    assert found.places.spots.water_m.max() <= sites.water_distance_m[1]
    assert not (found.places.spots.slope > sites.slope_limit_percent / 100).any()
    assert 0 <= found.quality.min() <= found.quality.max() <= 1


@pytest.mark.parametrize("tile_cells", [9, 16, 41])
def test_candidates_are_the_same_for_all_tiles(tile_cells):
    study = rough_study()
    whole, tiled = candidates_of(study), candidates_of(study, tile_cells)
    for name in ("x_m", "y_m", "boundary_m", "building_m"):
        np.testing.assert_array_equal(getattr(tiled.places, name), getattr(whole.places, name), name)
    np.testing.assert_array_equal(tiled.places.access.length_m, whole.places.access.length_m)
    np.testing.assert_array_equal(tiled.quality, whole.quality)
    np.testing.assert_array_equal(tiled.passed, whole.passed)


def test_spots_left_out_early_for_want_of_habitat_change_nothing():
    study = rough_study()
    marked = np.zeros((60, 70), bool)
    marked[28:32, 5:30] = True
    reader, roads = land_reader(study), TruckRoads(study)
    land = reader.land(study.grid.window)
    tile = find_spots(land, score_tile(land, study, study.planned), study)
    habitat = objects([box(50, 280, 300, 320)])
    found = []
    for cells in (None, marked):
        spots = join_spots([tile], study.grid, study.settings.sites, cells)
        measurer = Measurer(study, roads, habitat, None if cells is None else marked)
        found.append((len(spots.spots.row), measure_candidates(spots, measurer, WayFinder(reader, roads), workers=2)))
    (number, plain), (fewer, sieved) = found
    assert fewer < number
    assert 0 < len(plain.quality) == len(sieved.quality)
    for name in ("x_m", "y_m", "habitat_m"):
        np.testing.assert_allclose(getattr(sieved.places, name), getattr(plain.places, name), atol=1e-9)
    np.testing.assert_array_equal(sieved.passed, plain.passed)


def test_spots_measured_in_lots_are_the_same(monkeypatch):
    study = rough_study()
    whole = candidates_of(study)
    monkeypatch.setattr("allocator.sites.candidates.LOT", 7)
    lots = candidates_of(study)
    np.testing.assert_array_equal(lots.quality, whole.quality)
    np.testing.assert_array_equal(lots.places.boundary_m, whole.places.boundary_m)


def test_one_candidate_is_kept_per_square_and_property():
    study = rough_study()
    found = candidates_of(study)
    key = np.stack([found.places.spots.row // 6, found.places.spots.column // 6, found.places.spots.owner])
    assert len(np.unique(key, axis=1).T) == len(found.places.x_m)
    assert (np.diff(found.places.spots.row) >= 0).all()


def strip(**changes):
    """Pasture, 10 rows of 40 columns, a pond at the west end, a road along y = 50, one property."""
    cover = np.full((10, 40), PASTURE, np.uint8)
    cover[:, 0] = WATER
    sites = SPARSE | changes.pop("sites", {})
    options = {"roads": [LineString([(0, 50), (400, 50)])], "settings": make_settings(sites=sites)}
    return make_study(cover, changes.pop("shapes", [box(0, 0, 400, 100)]), **(options | changes))


def test_limits_are_met_by_equality():
    """Cell centres lie 5, 15, 25 ... m from the road and from the property line."""
    found = candidates_of(strip(sites={"road_distance_m": [5, 25], "boundary_setback_m": 25.0}))
    assert sorted(set(found.places.road.distance_m.tolist())) == [5, 15, 25]
    assert found.places.boundary_m.min() == 25
    closer = candidates_of(strip(sites={"road_distance_m": [5.01, 24.99], "boundary_setback_m": 25.01}))
    assert set(closer.places.road.distance_m.tolist()) == {15}
    assert closer.places.boundary_m.min() == 35


def test_a_spot_whose_middle_lies_outside_the_property_is_none():
    """A hole of 6 m round the middle of one cell: most of the cell is the property's, its middle is not."""
    hole = box(202, 42, 208, 48)
    everywhere = {"boundary_setback_m": 0.0, "road_distance_m": [0, 60]}
    whole, holed = (
        candidates_of(strip(sites=everywhere)),
        candidates_of(strip(sites=everywhere, shapes=[box(0, 0, 400, 100) - hole])),
    )
    assert (205.0, 45.0) in set(zip(whole.places.x_m, whole.places.y_m, strict=True))
    assert (205.0, 45.0) not in set(zip(holed.places.x_m, holed.places.y_m, strict=True))
    assert len(holed.places.x_m) == len(whole.places.x_m) - 1


def test_without_buildings_and_exclusions_they_do_not_apply():
    found = candidates_of(strip())
    assert np.isnan(found.places.building_m).all()
    assert len(found.places.x_m)


def test_the_screening_counts_what_is_left_step_by_step():
    found = candidates_of(strip(buildings=[shapely.Point(100, 50)], exclusions=[box(150, 0, 200, 100)]))
    left = found.passed[:, 0].tolist()
    assert len(left) == len(STEPS) == 10
    assert left == sorted(left, reverse=True)
    assert left[5] > left[6] > left[7] > 0


REASONS = {
    "no road near": ({"roads": [LineString([(0, 900), (400, 900)])]}, "no truck road within 60 m"),
    "no roads at all": ({"roads": None}, "roads were not given"),
    "only roads without trucks near": (
        {"roads": [LineString([(0, 50), (400, 50)]), LineString([(0, 900), (9, 900)])], "trucks": ["no", "yes"]},
        "no truck road within 60 m",
    ),
    "water too far": ({"sites": {"water_distance_m": [5000, 6000]}}, "5000 to 6000 m from water"),
    "too steep": ({"elevation": np.tile(np.arange(40) * 2.0, (10, 1))}, "steeper than 8 percent"),
    "too near the line": ({"sites": {"boundary_setback_m": 60.0}}, "60 m inside the property line"),
    "buildings": (
        {"buildings": [LineString([(0, 50), (400, 50)])], "sites": {"building_setback_m": 150.0}},
        "150 m to a building",
    ),
    "exclusions": ({"exclusions": [box(-9, -9, 999, 999)]}, "no trap may stand"),
}  # fmt: skip


@pytest.mark.parametrize("name", REASONS)
def test_why_a_property_has_no_candidate(name):
    changes, words = REASONS[name]
    study = strip(**changes)
    if name == "too steep":  # the rim of the elevation has no slope, so keep spots off it
        study = strip(**changes, shapes=[box(30, 20, 370, 80)])
    found = candidates_of(study)
    assert len(found.places.x_m) == 0
    assert words in reason_without_candidates(found.passed[:, 0], study)


def test_with_candidates_there_is_no_reason():
    study = strip()
    assert reason_without_candidates(candidates_of(study).passed[:, 0], study) == ""
