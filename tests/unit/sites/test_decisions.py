"""Field decisions: what is kept stands, what is rejected is left alone, and nothing else moves."""

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.core.errors import SitesInfeasibleError
from allocator.core.visits import SiteDecision
from allocator.plan import plan_traps
from tests.builders import PASTURE, SWAMP, WATER, joined, make_settings, make_study, objects

WEST_EAST = [box(0, 0, 300, 400), box(300, 0, 600, 400)]


def keep(name, x_m, y_m, *, reason="", moved_m=np.nan):
    return SiteDecision(name, "keep", reason, float(x_m), float(y_m), moved_m)


def reject(name, x_m, y_m):
    return SiteDecision(name, "reject", "flooded", float(x_m), float(y_m), np.nan)


def swamp(*blocks, rows=40, columns=60):
    """Pasture with blocks of swamp: rows and columns of 10 m."""
    cover = np.full((rows, columns), PASTURE, np.uint8)
    for block in blocks or [np.s_[5:35, 5:55]]:
        cover[block] = SWAMP
    return cover


def study_of(*decisions, cover=None, shapes=None, settings=None, **more):
    """500 by 300 m of swamp, 37 acres and 4 traps, a road through the middle at y = 200."""
    base = {
        "habitat": {"smallest_patch_acres": 0.1},
        "traps": {"acres_per_trap": 10, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 100.0, "building_setback_m": 1.0, "candidate_spacing_m": 60.0},
    }
    more = {"roads": [LineString([(0, 200), (600, 200)])]} | more
    return make_study(
        swamp() if cover is None else cover, shapes or [box(0, 0, 600, 400)],
        settings=make_settings(**joined(base, settings or {})), site_decisions=decisions, **more,
    )  # fmt: skip


def places(plan):
    return {(point.x, point.y) for point in plan.sites.geometry}


def site_at(plan, x_m, y_m):
    found = plan.sites[[(point.x, point.y) == (x_m, y_m) for point in plan.sites.geometry]]
    assert len(found) == 1
    return found.iloc[0]


def far_apart(points):
    return shapely.distance(points[:, None], points[None])[np.triu_indices(len(points), 1)]


@pytest.fixture(scope="module")
def free():
    return plan_traps(study_of())


def test_a_kept_site_stands_exactly_there():
    plan = plan_traps(study_of(keep("T7", 301.7, 222.3, reason="bait taken", moved_m=12.4)))
    site = site_at(plan, 301.7, 222.3)
    assert (site["decision"], site["decision_reason"]) == ("keep", "bait taken")
    assert not site["cautions"].startswith("Kept by the field visit")
    row = plan.field_decisions.iloc[0]
    assert row["site_id"] == "T7"
    assert row["new_site_id"] == site["site_id"]
    assert row["outcome"] == f"kept as {site['site_id']}, moved 12 m"
    assert plan.totals.sites == plan.totals.traps_given == 4
    assert (plan.sites["decision"] == "").sum() == 3
    assert far_apart(plan.sites.geometry.to_numpy()).min() >= 100


SOFT = {
    "far from the road": ((311.7, 302.3), "no truck road lies within 60 m; the nearest is 102.3 m off"),
    "in the road": ((311.7, 202.0), "a truck road lies nearer than 5 m: 2 m"),
    "by the line": ((303.0, 222.3), "the property line is nearer than 10 m: 3 m"),
}


@pytest.mark.parametrize("name", SOFT)
def test_a_site_kept_against_a_limit_stands_and_says_so(name):
    where, words = SOFT[name]
    plan = plan_traps(study_of(keep("T7", *where), shapes=WEST_EAST))
    site = site_at(plan, *where)
    assert site["cautions"].startswith(f"Kept by the field visit although {words}.")
    assert plan.field_decisions["outcome"][0] == f"kept as {site['site_id']}; although {words}"


def test_a_kept_site_that_no_way_leads_to_says_so_in_words():
    """An island of swamp in a pond, 72.3 m from the road: a length without an end is no number to print."""
    cover = swamp()
    cover[10:16, 20:40] = WATER
    cover[11:15, 22:38] = SWAMP
    plan = plan_traps(study_of(keep("T7", 301.7, 272.3), cover=cover))
    assert np.isnan(site_at(plan, 301.7, 272.3)["access_m"])
    outcome = plan.field_decisions["outcome"][0]
    assert "the nearest is 72.3 m off" in outcome
    assert " inf" not in outcome


def test_a_site_kept_where_the_land_cover_has_water_stands():
    """The map may be wrong about a cell; the crew stood there."""
    cover = swamp()
    cover[17:19, 30:33] = WATER
    assert (311.7, 222.3) in places(plan_traps(study_of(keep("T7", 311.7, 222.3), cover=cover)))


@pytest.mark.parametrize("roads", [{"roads": None}, {"trucks": ["no"]}], ids=["none given", "none for trucks"])
def test_a_kept_site_without_any_truck_road_still_stands_or_is_refused_by_name(roads):
    try:
        plan = plan_traps(study_of(keep("T7", 301.7, 222.3), **roads))
    except SitesInfeasibleError as error:
        assert "T7" in str(error)
    else:
        assert (301.7, 222.3) in places(plan)


REFUSED = {
    "not enrolled": ({"shapes": WEST_EAST, "enrolled": [True, False]}, ["T7", "property 001", "not enrolled"]),
    "on no property": ({"shapes": [box(0, 0, 300, 400)]}, ["T7", "none of the properties"]),
    "too near a building": (
        {"buildings": [Point(400, 230)], "settings": {"sites": {"building_setback_m": 50.0}}},
        ["T7", "nearer than 50 m: 8 m", "sites.building_setback_m"],
    ),
    "where no trap may stand": ({"exclusions": [box(380, 200, 420, 240)]}, ["T7", "no trap may stand"]),
    "no habitat near": ({"cover": swamp(np.s_[5:35, 5:25])}, ["T7", "no habitat lies within 113 m"]),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_site_that_cannot_be_kept_is_refused_by_name(name):
    changes, words = REFUSED[name]
    with pytest.raises(SitesInfeasibleError) as error:
        plan_traps(study_of(keep("T7", 400, 222), **changes))
    assert all(one in str(error.value) for one in words), str(error.value)


def test_all_sites_that_cannot_be_kept_are_named_at_once():
    areas = {"exclusions": [box(380, 200, 420, 240), box(100, 200, 150, 240)]}
    with pytest.raises(SitesInfeasibleError) as error:
        plan_traps(study_of(keep("T7", 400, 222), keep("T8", 250, 222), keep("T9", 120, 222), **areas))
    assert "T7" in str(error.value) and "T9" in str(error.value) and "T8" not in str(error.value)


def test_more_sites_to_keep_than_traps_is_refused():
    five = [keep(f"T{place}", 60 + 110 * place, 222) for place in range(5)]
    with pytest.raises(SitesInfeasibleError, match=r"5 sites are to be kept \(T0, T1, T2, T3, T4\).*needs 4 traps"):
        plan_traps(study_of(*five))
    assert plan_traps(study_of(*five[:4])).totals.sites == 4


def test_two_sites_to_keep_nearer_than_the_spacing_are_refused():
    with pytest.raises(SitesInfeasibleError):
        plan_traps(study_of(keep("T7", 265, 222), keep("T8", 364.9, 222)))
    assert {(265, 222), (365, 222)} <= places(plan_traps(study_of(keep("T7", 265, 222), keep("T8", 365, 222))))


def test_the_two_that_are_too_near_are_named():
    with pytest.raises(SitesInfeasibleError) as error:
        plan_traps(study_of(keep("T7", 265, 222), keep("T8", 335, 222)))
    assert "T7" in str(error.value) and "T8" in str(error.value) and "100" in str(error.value)


def test_two_sites_to_keep_in_two_complexes_keep_the_spacing_too():
    cover = swamp(np.s_[5:35, 5:28], np.s_[5:35, 32:55])
    apart = {"cover": cover, "settings": {"habitat": {"join_distance_m": 10.0}}}
    assert len(plan_traps(study_of(**apart)).complexes) == 2
    with pytest.raises(SitesInfeasibleError):
        plan_traps(study_of(keep("T7", 265, 222), keep("T8", 335, 222), **apart))


def test_a_keep_beyond_the_owners_share_moves_a_share():
    even = plan_traps(study_of(shapes=WEST_EAST))
    assert even.properties["traps_given"].tolist() == [2, 2]
    three = [keep(f"T{place}", x, 222) for place, x in enumerate((60, 165, 270))]
    plan = plan_traps(study_of(*three, shapes=WEST_EAST))
    assert plan.properties["traps"].tolist() == [2, 2]
    assert plan.properties["traps_given"].tolist() == [3, 1]
    assert plan.properties["sites"].tolist() == [3, 1]
    assert plan.totals.shortfall == 0


def test_a_keep_on_land_without_habitat_takes_a_share_of_its_neighbour():
    """The east property is pasture within reach of the swamp next door: no share of its own."""
    changes = {"cover": swamp(np.s_[5:35, 5:35]), "shapes": [box(0, 0, 360, 400), box(360, 0, 600, 400)]}
    assert plan_traps(study_of(**changes)).properties["traps_given"].tolist() == [2, 0]
    plan = plan_traps(study_of(keep("T7", 380, 222), **changes))
    assert plan.properties["traps_given"].tolist() == [1, 1]
    assert plan.properties["sites"].tolist() == [1, 1]
    assert site_at(plan, 380, 222)["property_id"] == "001"


def test_keeping_the_sites_of_a_plan_changes_nothing(free):
    again = plan_traps(study_of(*[keep(f"A{place}", *where) for place, where in enumerate(sorted(places(free)))]))
    assert places(again) == places(free)
    assert again.complexes["served_percent"].tolist() == free.complexes["served_percent"].tolist()
    assert again.sites["served_acres"].sum() == pytest.approx(free.sites["served_acres"].sum(), rel=1e-12)


def test_no_site_stands_near_a_rejected_one(free):
    x_m, y_m = sorted(places(free))[1]
    plan = plan_traps(study_of(reject("T7", x_m, y_m)))
    gone = shapely.distance(free.candidates.geometry.to_numpy(), Point(x_m, y_m)) <= 100
    assert gone.sum() > 1
    assert shapely.distance(plan.sites.geometry.to_numpy(), Point(x_m, y_m)).min() > 100
    left = {(point.x, point.y) for point in free.candidates.geometry[~gone]}
    assert {(point.x, point.y) for point in plan.candidates.geometry} == left
    row = plan.field_decisions.iloc[0]
    assert (row["decision"], row["decision_reason"], row["new_site_id"]) == ("reject", "flooded", "")
    assert row["outcome"] == f"rejected; {gone.sum()} spots within 100 m left out"


def test_the_radius_of_a_rejection_is_a_setting(free):
    x_m, y_m = sorted(places(free))[1]
    plan = plan_traps(study_of(reject("T7", x_m, y_m), settings={"sites": {"reject_radius_m": 1.0}}))
    assert len(plan.candidates) == len(free.candidates) - 1
    assert (x_m, y_m) not in places(plan)
    assert plan.field_decisions["outcome"][0] == "rejected; 1 spot within 1 m left out"


def test_a_rejection_where_no_site_was_changes_no_site(free):
    plan = plan_traps(study_of(reject("T7", 300, -500)))
    assert places(plan) == places(free)
    assert plan.field_decisions["outcome"][0] == "rejected; 0 spots within 100 m left out"


def test_each_rejection_counts_its_own_spots(free):
    plan = plan_traps(study_of(reject("T7", 300, -500), reject("T8", 300, 200), reject("T9", 320, 200)))
    points = free.candidates.geometry.to_numpy()
    near = [int((shapely.distance(points, Point(x, 200)) <= 100).sum()) for x in (300, 320)]
    outcomes = [f"rejected; {number} spots within 100 m left out" for number in (0, *near)]
    assert plan.field_decisions["outcome"].tolist() == outcomes


def test_a_rejection_in_one_complex_leaves_the_sites_of_another():
    apart = {
        "cover": swamp(np.s_[5:35, 2:20], np.s_[5:35, 70:88], columns=90), "shapes": [box(0, 0, 900, 400)],
        "roads": [LineString([(0, 200), (900, 200)])],
    }  # fmt: skip
    before = plan_traps(study_of(**apart))
    assert before.complexes["sites"].tolist() == [1, 1]
    west, east = sorted(places(before))
    after = sorted(places(plan_traps(study_of(reject("T7", *west), **apart))))
    assert after[1] == east
    assert Point(after[0]).distance(Point(west)) > 100


def test_a_kept_site_within_reach_of_a_rejected_one_stays():
    plan = plan_traps(study_of(reject("T6", 300, 222), keep("T7", 320, 222)))
    near = shapely.distance(plan.sites.geometry.to_numpy(), Point(300, 222)) <= 100
    assert near.sum() == 1
    assert site_at(plan, 320, 222)["decision"] == "keep"


def test_decisions_are_told_in_the_order_of_the_file():
    told = [keep("B", 120, 222), reject("A", 300, 222), keep("C", 500, 222)]
    plan = plan_traps(study_of(*told))
    assert plan.field_decisions["site_id"].tolist() == ["B", "A", "C"]
    by_id = plan.field_decisions.set_index("site_id")["new_site_id"]
    assert by_id["B"] == site_at(plan, 120, 222)["site_id"]
    assert by_id["C"] == site_at(plan, 500, 222)["site_id"]
    assert any("2 kept, 1 rejected" in one for one in plan.warnings)


def test_no_decisions_leave_an_empty_table(free):
    assert len(free.field_decisions) == 0
    assert (free.sites["decision"] == "").all()


def test_kept_sites_stay_when_traps_are_short(free):
    worst = min(free.candidates.geometry, key=lambda point: (point.x, point.y))
    two = [keep("T7", worst.x, worst.y), keep("T8", 590, 215)]
    for available, expected in ((2, 2), (3, 3), (9, 4)):
        plan = plan_traps(study_of(*two, settings={"traps": {"available": available}}))
        assert plan.totals.traps_given == plan.totals.sites == expected
        assert {(worst.x, worst.y), (590, 215)} <= places(plan)


def test_fewer_traps_on_hand_than_sites_to_keep_is_refused():
    two = [keep("T7", 120, 222), keep("T8", 500, 222)]
    with pytest.raises(SitesInfeasibleError, match=r"traps\.available is 1 but 2 sites are to be kept"):
        plan_traps(study_of(*two, settings={"traps": {"available": 1}}))


def test_a_site_kept_beside_a_trap_in_place_counts_both():
    plan = plan_traps(study_of(keep("T7", 500, 222), existing_traps=objects([Point(150, 222)])))
    totals = plan.totals
    assert (totals.traps_given, totals.existing_traps, totals.sites, totals.shortfall) == (4, 1, 3, 0)
    assert site_at(plan, 500, 222)["decision"] == "keep"


def test_a_site_kept_where_a_trap_stands_already_is_refused():
    with pytest.raises(SitesInfeasibleError, match="T7 is to be kept but a trap stands 0 m from it already"):
        plan_traps(study_of(keep("T7", 500, 222), existing_traps=objects([Point(500, 222)])))


def test_a_kept_site_that_adds_no_habitat_is_a_site_all_the_same():
    beside = {"existing_traps": objects([Point(500, 222)]), "settings": {"sites": {"spacing_m": 0.0}}}
    plan = plan_traps(study_of(keep("T7", 500, 222), **beside))
    assert site_at(plan, 500, 222)["served_acres"] == pytest.approx(0, abs=1e-9)
    assert plan.field_decisions["new_site_id"][0] == site_at(plan, 500, 222)["site_id"]
    assert plan.totals.sites == 3
