"""Traps in place: whose share they take, what they serve, and the distance that new sites keep from them."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.core.units import acres
from allocator.core.visits import SiteDecision
from allocator.plan import plan_traps
from tests.builders import PASTURE, SWAMP, joined, make_settings, make_study, objects

WEST_EAST = [box(0, 0, 300, 400), box(300, 0, 600, 400)]
THREE_ONE = [box(0, 0, 400, 400), box(400, 0, 600, 400)]


def study_of(*traps, shapes=None, settings=None, cover=None, **more):
    """500 by 300 m of swamp, 37 acres and 4 traps, a road through the middle at y = 200; some traps stand already."""
    if cover is None:
        cover = np.full((40, 60), PASTURE, np.uint8)
        cover[5:35, 5:55] = SWAMP
    base = {
        "habitat": {"smallest_patch_acres": 0.1},
        "traps": {"acres_per_trap": 10, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 100.0, "building_setback_m": 1.0, "candidate_spacing_m": 60.0},
    }
    more = {"roads": [LineString([(0, 200), (600, 200)])]} | more
    return make_study(
        cover, shapes or WEST_EAST, settings=make_settings(**joined(base, settings or {})),
        existing_traps=objects([Point(*one) for one in traps]) if traps else None, **more,
    )  # fmt: skip


def shares(plan):
    """Traps given, in place, sites and shortfall of every property; totals are checked to be their sums."""
    columns = ["traps_given", "existing_traps", "sites", "shortfall"]
    totals = plan.totals
    sums = [totals.traps_given, totals.existing_traps, totals.sites, totals.shortfall]
    assert plan.properties[columns].sum().tolist() == sums
    assert sums[0] == sum(sums[1:])
    assert plan.complexes["existing_traps"].sum() == totals.existing_traps
    assert plan.complexes["traps_given"].sum() == totals.traps_given
    assert min(plan.properties[columns].min()) >= 0
    return plan.properties[columns].to_numpy().T.tolist()


def test_without_traps_in_place_the_shares_are_even():
    assert shares(plan_traps(study_of())) == [[2, 2], [0, 0], [2, 2], [0, 0]]


def test_a_trap_in_place_takes_one_of_its_owners_share():
    assert shares(plan_traps(study_of((150, 222)))) == [[2, 2], [1, 0], [1, 2], [0, 0]]
    assert shares(plan_traps(study_of((450, 222)))) == [[2, 2], [0, 1], [2, 1], [0, 0]]


def test_an_owner_with_more_traps_than_his_share_is_given_his_neighbours():
    plan = plan_traps(study_of((60, 222), (160, 222), (270, 222)))
    assert plan.properties["traps"].tolist() == [2, 2]
    assert shares(plan) == [[3, 1], [3, 0], [0, 1], [0, 0]]


OUTSIDE = {
    "on no property": ((500, -20), {}),
    "on land not enrolled": (
        (500, -20), {"shapes": [*THREE_ONE, box(0, -300, 600, 0)], "enrolled": [True, True, False]},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_trap_outside_enrolled_land_takes_from_the_largest_share(name):
    """It stands south of the smaller share; y = 55 is the nearest habitat, 75 m off, of a radius of 113 m."""
    where, changes = OUTSIDE[name]
    changes = {"shapes": THREE_ONE} | changes
    before, after = (shares(plan_traps(study_of(*traps, **changes))) for traps in ((), (where,)))
    assert [one[:2] for one in before] == [[3, 1], [0, 0], [3, 1], [0, 0]]
    assert [one[:2] for one in after] == [[3, 1], [1, 0], [2, 1], [0, 0]]


def test_an_enrolled_owner_without_habitat_takes_the_share_of_his_neighbour():
    shapes = [*THREE_ONE, box(0, -300, 600, 0)]
    assert shares(plan_traps(study_of((500, -20), shapes=shapes))) == [[2, 1, 1], [0, 0, 1], [2, 1, 0], [0, 0, 0]]


def test_a_trap_that_reaches_no_habitat_takes_no_share():
    """15 m further south than the radius of sqrt(10 acres / pi) = 113.5 m allows."""
    assert shares(plan_traps(study_of((500, 55 - 128.5)))) == [[2, 2], [0, 0], [2, 2], [0, 0]]


def test_beyond_the_need_a_trap_takes_nothing():
    standing = [(60, 222), (150, 222), (250, 222), (350, 222), (450, 222), (540, 222)]
    plan = plan_traps(study_of(*standing))
    given, in_place, sites, shortfall = shares(plan)
    assert (sum(given), sum(in_place), sum(sites), sum(shortfall)) == (4, 4, 0, 0)
    assert len(plan.sites) == 0


def test_a_complex_that_needs_no_trap_gives_none_away():
    plan = plan_traps(study_of((150, 222), settings={"traps": {"acres_per_trap": 200, "smallest_habitat_acres": 50}}))
    assert plan.totals.traps == 0
    assert shares(plan) == [[0, 0]] * 4


@pytest.mark.parametrize("spacing_m", [100.0, 180.0])
def test_new_sites_keep_the_spacing_from_traps_in_place(spacing_m):
    """The traps stand where sites were chosen without them; one of them serves no habitat and takes no share."""
    settings = {"sites": {"spacing_m": spacing_m}}
    before = plan_traps(study_of(settings=settings))
    where = [(point.x, point.y) for point in before.sites.geometry[:2]]
    plan = plan_traps(study_of(*where, settings=settings))
    assert len(plan.sites) >= 1
    apart = shapely.distance(plan.sites.geometry.to_numpy()[:, None], shapely.points(where)[None])
    assert apart.min() >= spacing_m


def test_a_trap_beyond_the_reach_of_habitat_keeps_its_distance_too():
    """One column of swamp, x = 250 to 260, radius 30 m: a trap at 200 serves nothing but keeps sites 90 m away."""
    cover = np.full((40, 60), PASTURE, np.uint8)
    cover[5:35, 25:26] = SWAMP
    settings = {
        "traps": {"acres_per_trap": 2, "smallest_habitat_acres": 0.1},
        "sites": {"service_radius_m": 30.0, "spacing_m": 90.0, "candidate_spacing_m": 10.0},
    }
    changes = {"cover": cover, "settings": settings, "shapes": [box(0, 0, 600, 400)]}
    before, after = plan_traps(study_of(**changes)), plan_traps(study_of((200, 200), **changes))
    assert before.sites.geometry[0].distance(Point(200, 200)) < 90
    assert after.totals.existing_traps == 0
    assert after.totals.sites == 1
    assert after.sites.geometry[0].distance(Point(200, 200)) >= 90


@pytest.fixture(scope="module")
def standing():
    return plan_traps(study_of((150, 222), (500, 100)))


def test_what_traps_in_place_serve_is_left_out_of_what_sites_serve(standing):
    """Circles drawn anew, 0.02 % from true ones; the habitat is a rectangle, 50 to 550 by 50 to 350."""
    habitat, radius = box(50, 50, 550, 350), np.sqrt(10 * 4046.8564224 / np.pi)
    served = shapely.union_all([Point(150, 222).buffer(radius, 64), Point(500, 100).buffer(radius, 64)])
    assert len(standing.sites) == 2
    for point, its in zip(standing.sites.geometry, standing.sites["served_acres"], strict=True):
        circle = point.buffer(radius, 64)
        assert its == pytest.approx(acres((circle - served).intersection(habitat).area), rel=2e-3)
        served = served | circle
    overlap = shapely.union_all([point.buffer(radius) for point in standing.sites.geometry])
    assert overlap.intersection(Point(150, 222).buffer(radius)).area > 0  # else nothing would be left out


def test_served_percent_counts_traps_in_place(standing):
    """Every cell is a square of its own here: served where a trap or site lies within the radius of its centre."""
    radius = np.sqrt(10 * 4046.8564224 / np.pi)
    x_m, y_m = np.meshgrid(np.arange(60) * 10 + 5.0, 395.0 - np.arange(40) * 10)
    cells = standing.score.is_habitat
    points = [*standing.sites.geometry, Point(150, 222), Point(500, 100)]
    near = np.min([np.hypot(x_m - one.x, y_m - one.y) for one in points], axis=0) <= radius
    assert standing.complexes["served_percent"][0] == pytest.approx(100 * near[cells].mean(), rel=1e-12)


def test_served_percent_of_traps_in_place_alone():
    standing = [(60, 222), (150, 222), (250, 222), (350, 222), (450, 222), (540, 222)]
    plan = plan_traps(study_of(*standing))
    assert plan.complexes["solver_status"][0] == "none"
    x_m, y_m = np.meshgrid(np.arange(5, 55) * 10 + 5.0, np.arange(5, 35) * 10 + 5.0)
    near = np.min([np.hypot(x_m - x, y_m - y) for x, y in standing], axis=0) <= np.sqrt(10 * 4046.8564224 / np.pi)
    assert plan.complexes["served_percent"][0] == pytest.approx(100 * near.mean(), rel=1e-12)


def test_a_trap_in_place_serves_every_complex_in_reach_and_takes_the_share_of_the_one_it_serves_most():
    cover = np.full((40, 60), PASTURE, np.uint8)
    cover[5:35, 5:28] = SWAMP
    cover[5:35, 33:55] = SWAMP
    plan = plan_traps(study_of((290, 200), cover=cover, settings={"habitat": {"join_distance_m": 10.0}}))
    assert plan.complexes["existing_traps"].tolist() == [1, 0]
    ground = shapely.union_all([point.buffer(113.5, 64) for point in plan.sites.geometry])
    alone = Point(290, 200).buffer(113.5, 64) - ground
    east = box(330, 50, 550, 350)
    assert alone.intersection(east).area > 500
    its = shapely.union_all([ground, Point(290, 200).buffer(113.5, 64)]).intersection(east).area
    assert plan.complexes["served_percent"][1] == pytest.approx(100 * its / east.area, abs=1.0)


def test_a_second_trap_on_the_same_spot_still_takes_a_share():
    assert shares(plan_traps(study_of((150, 222), (150, 222)))) == [[2, 2], [2, 0], [0, 2], [0, 0]]


def test_sites_to_keep_come_before_traps_in_place():
    """Four traps needed, four in place, one kept: the kept one has a share, and one trap in place finds none left."""
    kept = (SiteDecision("T1", "keep", "", 300.0, 222.0, np.nan),)
    plan = plan_traps(study_of((60, 222), (180, 100), (420, 222), (540, 100), site_decisions=kept))
    assert (plan.totals.traps_given, plan.totals.existing_traps, plan.totals.sites) == (4, 3, 1)
    assert plan.sites["decision"].tolist() == ["keep"]


def test_traps_on_hand_are_new_ones():
    for available, sites in ((0, 0), (1, 1), (2, 2), (3, 3), (7, 3)):
        plan = plan_traps(study_of((150, 222), settings={"traps": {"available": available}}))
        given, in_place, placed, shortfall = (sum(one) for one in shares(plan))
        assert (in_place, placed, shortfall) == (1, sites, 0)
        assert given == 1 + sites


def test_an_empty_file_of_traps_is_no_trap():
    empty = plan_traps(replace(study_of(), existing_traps=np.empty(0, object)))
    assert shares(empty) == [[2, 2], [0, 0], [2, 2], [0, 0]]
