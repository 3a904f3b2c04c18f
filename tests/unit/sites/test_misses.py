"""Spots that break just one limit, looked for property by property."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, box

from allocator.core.visits import SiteDecision
from allocator.grid.land import land_reader
from allocator.sites import misses
from allocator.sites.limits import LIMITS, broken_limits
from allocator.sites.measured import Measurer
from allocator.sites.misses import MOST_PER_LIMIT, NearMisses
from allocator.sites.roads import TruckRoads
from tests.builders import PASTURE, WATER, make_settings, make_study, objects, rough_land

HABITAT = objects([box(0, 0, 10_000, 10_000)])


def rough_study(**more):
    random = np.random.default_rng(8)
    return make_study(
        rough_land(60, 70, seed=2), [box(33, 48, 341, 552), box(341, 48, 688, 552)],
        elevation=random.normal(5, 0.35, (60, 70)), roads=[LineString([(0, 330), (300, 250), (699, 305)])],
        settings=make_settings(sites={"building_setback_m": 45.0, "water_distance_m": [10, 60]}), **more,
    )  # fmt: skip


def misses_of(study):
    return NearMisses(land_reader(study), Measurer(study, TruckRoads(study), HABITAT))


@pytest.mark.parametrize("owner", [0, 1])
def test_they_break_at_most_one_limit_and_lie_on_the_property(owner):
    study = rough_study(buildings=[shapely.Point(200, 300)])
    found = misses_of(study).of(owner)
    broken = broken_limits(found, study.settings.sites)
    assert np.count_nonzero(broken, axis=0).max() == 1
    names = {one.name for one, its in zip(LIMITS, broken, strict=True) if its.any()}
    assert names >= {"road", "water"}
    points = shapely.points(found.x_m, found.y_m)
    assert shapely.contains(study.properties.shapes[owner], points).all()


def test_of_a_limit_on_cells_the_few_that_break_it_least():
    """One road along the south; the line touches the first column and lies outside the last. Roads count to 160 m."""
    cover = np.full((30, 8), PASTURE, np.uint8)
    settings = make_settings(sites={"road_distance_m": [5, 40], "boundary_setback_m": 0.0, "slope_limit_percent": 99})
    study = make_study(cover, [box(0, 0, 80, 300)], roads=[LineString([(0, 5), (80, 5)])], settings=settings)
    found = misses_of(study).of(0)
    beyond = found.spots.row < 30 - 6  # cells pass one cell beyond the limit
    by_line = found.spots.column == 0
    assert sorted(found.y_m[beyond & by_line].tolist()) == list(range(65, 166, 10))
    assert sorted(found.y_m[beyond & ~by_line].tolist()) == [65.0] * 7 + [75.0] * (MOST_PER_LIMIT - 7)


def test_parts_of_a_large_property_make_the_same(monkeypatch):
    study = rough_study()
    whole = misses_of(study).of(1)
    monkeypatch.setattr(misses, "PART_CELLS", 13)
    parts = misses_of(study).of(1)
    orders = [np.lexsort((one.x_m, one.y_m)) for one in (whole, parts)]
    for name in ("x_m", "y_m", "boundary_m", "habitat_m"):
        first, second = (getattr(one, name)[its] for one, its in zip((whole, parts), orders, strict=True))
        np.testing.assert_array_equal(first, second)


def test_none_on_the_ground_of_a_rejected_site():
    study = rough_study()
    found = misses_of(study).of(0)
    x_m, y_m = float(found.x_m[0]), float(found.y_m[0])
    reject = SiteDecision("S1", "reject", "", x_m, y_m, 0.0)
    left = misses_of(replace(study, site_decisions=(reject,))).of(0)
    near = np.hypot(found.x_m - x_m, found.y_m - y_m) <= study.settings.sites.reject_radius_m
    assert near.sum() > 0
    assert len(left) == len(found) - near.sum()


def test_none_without_roads():
    cover = np.full((5, 5), PASTURE, np.uint8)
    cover[:, 0] = WATER
    assert len(misses_of(make_study(cover, [box(0, 0, 50, 50)])).of(0)) == 0
