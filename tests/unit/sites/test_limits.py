"""Hard limits of a site, each at the limit and just beyond; and the distances that they are held against."""

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.core.settings import SiteSettings
from allocator.grid.land import land_reader
from allocator.sites.access import WayFinder, Ways
from allocator.sites.limits import FLOODING, LIMITS, broken_limits
from allocator.sites.measured import Measured, Measurer, joined
from allocator.sites.roads import NearestRoad, TruckRoads
from allocator.sites.spots import Spots
from tests.builders import PASTURE, make_settings, make_study, objects

NAMES = [one.name for one in LIMITS]
SITES = make_settings(
    sites={
        "road_distance_m": [5, 60], "dry_weather_roads": "no", "water_distance_m": [10, 400],
        "habitat_distance_m": 100.0, "slope_limit_percent": 8.0, "flooding_limit": "occasional",
        "boundary_setback_m": 12.0, "building_setback_m": 152.4, "damage_setback_m": 50.0, "access_limit_m": 150.0,
    }
).sites  # fmt: skip
OCCASIONAL, FREQUENT = FLOODING.index("occasional"), FLOODING.index("frequent")


def spots_in(row, column, owner=0, **terms):
    """Spots in cells, with nothing else known of them."""
    row = np.asarray(row, np.int64)
    whole, real = np.zeros(len(row), np.int64), np.full(len(row), np.nan)
    owner = np.broadcast_to(np.asarray(owner, np.int64), row.shape)
    blank = Spots(row, np.asarray(column, np.int64), owner, real, real, real, whole, whole, real, real)
    return replace(blank, **{name: np.array([value], float) for name, value in terms.items()})


GOOD = {
    "road_m": 30.0, "is_dry": False, "boundary_m": 40.0, "habitat_m": 20.0, "building_m": 500.0, "damage_m": 300.0,
    "is_excluded": False, "access_m": 45.0, "water_m": 100.0, "slope": 0.02, "flooding": 1.0,
}  # fmt: skip


def spot(**terms):
    """One spot that keeps all limits, but for the terms given."""
    its = {name: np.array([value]) for name, value in (GOOD | terms).items()}
    at = np.zeros(1)
    road = NearestRoad(np.zeros(1, np.int64), its["road_m"], at, at, its["is_dry"])
    where = spots_in([3], [4], water_m=its["water_m"][0], slope=its["slope"][0], flooding=its["flooding"][0])
    return Measured(
        where, at, at, road, its["boundary_m"], its["habitat_m"], its["building_m"], its["damage_m"],
        its["is_excluded"], Ways(its["access_m"], objects([LineString([(0, 0), (0, 45)])])),
    )  # fmt: skip


def broken_names(measured, sites=SITES):
    broken = broken_limits(measured, sites)
    assert broken.shape == (len(LIMITS), len(measured))
    assert broken.dtype == bool
    return [NAMES[at] for at in np.flatnonzero(broken[:, 0])]


ENDS = {
    "road": ("road_m", 60.0, 60.001),
    "road side": ("road_m", 5.0, 4.999),
    "weather": ("is_dry", False, True),
    "water": ("water_m", 400.0, 400.001),
    "water side": ("water_m", 10.0, 9.999),
    "habitat": ("habitat_m", 100.0, 100.001),
    "slope": ("slope", 0.08, 0.08001),
    "flooding": ("flooding", float(OCCASIONAL), float(FREQUENT)),
    "boundary": ("boundary_m", 12.0, 11.999),
    "building": ("building_m", 152.4, 152.399),
    "exclusion": ("is_excluded", False, True),
    "damage": ("damage_m", 50.0, 49.999),
    "access": ("access_m", 150.0, 150.001),
}
"""For each limit the term it holds, its value at the limit, and one just beyond."""


def test_every_limit_is_in_the_table_below_and_only_once():
    assert sorted(ENDS) == sorted(NAMES)


def test_a_good_spot_breaks_none():
    assert broken_names(spot()) == []


@pytest.mark.parametrize("name", ENDS)
def test_each_limit_is_kept_at_equality_and_broken_just_beyond(name):
    term, at, beyond = ENDS[name]
    assert broken_names(spot(**{term: at})) == []
    assert broken_names(spot(**{term: beyond})) == [name]


@pytest.mark.parametrize(
    ("term", "value", "name"),
    [("boundary_m", -3.0, "boundary"), ("access_m", np.inf, "access"), ("habitat_m", np.inf, "habitat")],
)
def test_outside_the_property_and_out_of_reach_are_beyond_any_limit(term, value, name):
    assert broken_names(spot(**{term: value})) == [name]


@pytest.mark.parametrize("term", [name for name, value in GOOD.items() if not isinstance(value, bool)])
def test_what_is_not_known_breaks_nothing(term):
    assert broken_names(spot(**{term: np.nan})) == []


def test_limits_follow_the_settings():
    """Every limit that a setting moves is broken, and no more once its setting is moved."""
    poor = spot(**{
        "road_m": 75.0, "is_dry": True, "water_m": 450.0, "habitat_m": 130.0, "slope": 0.11,
        "flooding": float(FREQUENT), "boundary_m": 2.0, "building_m": 90.0, "damage_m": 10.0, "access_m": 200.0,
    })  # fmt: skip
    loose = {
        "road_distance_m": (5, 75), "dry_weather_roads": "yes", "water_distance_m": (10, 450),
        "habitat_distance_m": 130.0, "slope_limit_percent": 11.0, "flooding_limit": "frequent",
        "boundary_setback_m": 2.0, "building_setback_m": 90.0, "damage_setback_m": 10.0, "access_limit_m": 200.0,
    }  # fmt: skip
    assert len(broken_names(poor)) == len(loose)
    for key, value in loose.items():
        left = broken_names(poor, SITES.model_copy(update={key: value}))
        gone = set(broken_names(poor)) - set(left)
        assert {one.setting for one in LIMITS if one.name in gone} == {f"sites.{key}"}
    assert broken_names(poor, SITES.model_copy(update=loose)) == []


def test_every_setting_named_is_one():
    for one in LIMITS:
        section, _, key = one.setting.partition(".")
        assert not one.setting or (section == "sites" and key in SiteSettings.model_fields), one.name
    assert [one.name for one in LIMITS if not one.setting] == ["exclusion"]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("road", 60.0, "60 m"), ("building", 152.4, "152.4 m"), ("slope", 0.08, "8 percent"), ("weather", 0, "no"),
        ("weather", 1.0, "yes"), ("flooding", float(OCCASIONAL), "occasional"),
        ("flooding", float(FLOODING.index("very_frequent")), "very frequent"), ("exclusion", 1.0, "1"),
    ],
)  # fmt: skip
def test_values_in_words(name, value, words):
    assert LIMITS[NAMES.index(name)].show(value) == words


def test_words_of_a_broken_limit():
    said = {
        one.name: one.words.format(limit=one.show(one.limit(SITES)), value=one.show(ENDS[one.name][2]))
        for one in LIMITS
    }
    assert said["building"] == "a building is nearer than 152.4 m: 152.399 m"
    assert said["flooding"] == "the soil floods more often than occasional: frequent"
    assert said["weather"] == "the road is fit for dry weather only"
    assert all(text and not set("{}_") & set(text) for text in said.values())


# What the limits are held against: spots measured exactly.

HOUSE = box(300, 100, 320, 120)


HABITAT = (box(100, 0, 200, 100),)


def measured_at(points, patches=HABITAT, owner=0, **more):
    """Spots at points on two tracts side by side, split at x = 250; a road along y = 5."""
    tracts = [box(0, 0, 250, 200), box(250, 0, 400, 200)]
    cover = np.full((20, 40), PASTURE, np.uint8)
    study = make_study(cover, tracts, **({"roads": [LineString([(0, 5), (400, 5)])]} | more))
    x_m, y_m = np.asarray(points, float).T
    columns, rows = study.grid.to_cells(x_m, y_m)
    spots = spots_in(rows.astype(int), columns.astype(int), owner)
    found = Measurer(study, TruckRoads(study), objects(patches)).measure(spots, shapely.points(x_m, y_m))
    return study, found


def test_distances_by_hand():
    kinds = ["Damage to crops", "tracks", "DAMAGE"]
    sightings = pd.DataFrame({"x_m": [100.0, 40.0, 390.0], "y_m": [150.0, 20.0, 150.0], "kind": kinds})
    study, found = measured_at(
        [(40, 20), (150, 50), (280, 130), (310, 110)], owner=[0, 0, 0, 1], sightings=sightings, buildings=[HOUSE],
        exclusions=[box(0, 0, 60, 60)],
    )  # fmt: skip
    np.testing.assert_allclose(found.road.distance_m, [15, 45, 125, 105])
    np.testing.assert_allclose(found.boundary_m, [20, 50, -30, 60])
    np.testing.assert_allclose(found.habitat_m, [60, 0, np.hypot(80, 30), np.hypot(110, 10)])
    np.testing.assert_allclose(found.building_m, [np.hypot(260, 80), np.hypot(150, 50), np.hypot(20, 10), 0])
    np.testing.assert_allclose(found.damage_m[[0, 2]], [np.hypot(60, 130), np.hypot(110, 20)])
    assert found.is_excluded.tolist() == [True, False, False, False]
    assert np.isnan(found.access.length_m).all()
    assert [(one.x, one.y) for one in found.points] == [(40, 20), (150, 50), (280, 130), (310, 110)]
    assert (found.quality(study) >= 0).all()


def test_what_is_not_given_is_not_known():
    seen = pd.DataFrame({"x_m": [100.0], "y_m": [100.0], "kind": ["tracks"]})
    _, found = measured_at([(40, 20)], patches=(), sightings=seen)
    assert np.isnan([found.building_m[0], found.damage_m[0]]).all()
    assert found.habitat_m.tolist() == [np.inf]
    assert found.is_excluded.tolist() == [False]


def test_without_points_spots_lie_in_the_middle_of_their_cells():
    study, _ = measured_at([(40, 20)])
    found = Measurer(study, TruckRoads(study), objects([])).measure(spots_in([0, 19], [0, 3]))
    assert list(zip(found.x_m, found.y_m, strict=True)) == [(5, 195), (35, 5)]


def test_ways_are_added_to_the_spots_asked_for_only():
    study, found = measured_at([(45, 25), (155, 35), (205, 45)])
    finder = WayFinder(land_reader(study), TruckRoads(study))
    after = found.with_access(finder, np.array([2, 0]), furthest_m=60.0)
    assert np.isnan(found.access.length_m).all()
    np.testing.assert_array_equal(after.access.length_m, [20, np.nan, 40])
    assert after.access.path[1] is None
    np.testing.assert_array_equal(shapely.length(after.access.path[[0, 2]]), [20, 40])


def same_values(some, other):
    """Whether two lots of spots are equal field by field, to the last."""
    if isinstance(some, np.ndarray):
        return np.array_equal(some, other, equal_nan=some.dtype.kind == "f")
    return all(same_values(getattr(some, one.name), getattr(other, one.name)) for one in fields(some))


def test_taken_apart_and_joined_again_they_are_the_same():
    _, found = measured_at([(40, 20), (150, 50), (280, 130), (310, 110)], buildings=[Point(10, 10)], owner=[0, 0, 1, 1])
    parts = [found.take(np.array(which, int)) for which in ([0], [], [1, 2, 3])]
    assert [len(part) for part in parts] == [1, 0, 3]
    assert same_values(joined(*parts), found)
    turned = found.take(np.array([3, 0]))
    assert (turned.x_m.tolist(), turned.spots.owner.tolist()) == ([310, 40], [1, 0])
    assert not same_values(turned, found.take(np.array([0, 3])))
