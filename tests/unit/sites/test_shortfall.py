"""Traps without a site: the reason, and the setting that would place them, tried by planning again."""

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.core.settings import Settings
from allocator.core.study import Soils
from allocator.core.visits import SiteDecision
from allocator.plan import plan_traps
from allocator.sites.shortfall import Change, Shortfall
from tests.builders import PASTURE, SWAMP, WATER, joined, make_settings, make_study, objects

STRIP = box(0, 150, 600, 250)
"""Cells' centres lie 5 to 45 m from the road at y = 200, and 5 to 45 m inside the property line."""
APART = box(0, 0, 600, 20) | box(0, 60, 600, 400)
"""A verge of two rows of pasture along a road at y = 0, and the swamp, whose nearest row is y = 55."""
SOUTH_ROAD = [LineString([(0, 0), (600, 0)])]
COLUMNS_M = np.arange(60) * 10 + 5.0
RAMP_M = 0.1 * COLUMNS_M + 0.3 * ((COLUMNS_M - 300) / 100) ** 3
"""Ground that rises to the east, by 10 percent at least, in the middle."""
ONE_TRAP = {"traps": {"acres_per_trap": 40}}


def study_of(*, shapes=None, settings=None, water=False, **more):
    """500 by 300 m of swamp, 37 acres, a road through the middle at y = 200; every cell near it may hold a trap."""
    cover = np.full((40, 60), PASTURE, np.uint8)
    cover[5:35, 5:55] = SWAMP
    if water:
        cover[:, 0] = WATER
    base = {
        "habitat": {"smallest_patch_acres": 0.1, "curves": {"water_m": [[0, 1], [1000, 1]]}},
        "traps": {"acres_per_trap": 10, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 100.0, "boundary_setback_m": 0.0, "candidate_spacing_m": 60.0},
    }
    more = {"roads": [LineString([(0, 200), (600, 200)])]} | more
    settings = make_settings(**joined(base, settings or {}))
    return make_study(cover, shapes or [STRIP], settings=settings, **more)


def sites(**keys):
    return ONE_TRAP | {"sites": keys}


def again(study, setting, value):
    """The plan with one setting changed to a value as printed."""
    section, key = setting.split(".")
    values = joined(study.settings.model_dump(), {section: {key: json.loads(value)}})
    return plan_traps(replace(study, settings=Settings.model_validate(values)))


def change_of(plan, setting):
    rows = plan.shortfalls[plan.shortfalls["setting"] == setting]
    assert len(rows) == 1, plan.shortfalls.to_string()
    return rows.iloc[0]


def damage(x_m, y_m):
    return pd.DataFrame({"x_m": [x_m], "y_m": [y_m], "date": [""], "count": [""], "kind": ["damage"]})


DEAD_END = [
    LineString([(0, 200), (200, 200)]), LineString([(200, 200), (400, 200)]), LineString([(0, 390), (600, 390)]),
    LineString([(0, 20), (600, 20)]),
]  # fmt: skip

# What stands in the way, worked out by hand: the study, words of the reason, the setting, the value that just does, and
# one that just does not.
KINDS = {
    "road": (  # the nearest row is y = 155
        {"roads": [LineString([(0, 60), (600, 60)])], "settings": ONE_TRAP},
        "no truck road within 60 m", "sites.road_distance_m", "[5, 95]", "[5, 94.9]",
    ),
    "too near the road": (  # the furthest rows lie 45 m off
        {"settings": sites(road_distance_m=[55, 60])},
        "no spot is 55 to 60 m from a truck road", "sites.road_distance_m", "[45, 60]", "[45.1, 60]",
    ),
    "water": (  # water ends at the column x = 5, the property begins with x = 205
        {"water": True, "shapes": [box(200, 150, 600, 250)], "settings": sites(water_distance_m=[10, 50])},
        "no ground near a truck road lies 10 to 50 m from water", "sites.water_distance_m", "[10, 200]", "[10, 199.9]",
    ),
    "too near water": (  # and ends with x = 595
        {"water": True, "settings": sites(water_distance_m=[800, 900])},
        "800 to 900 m from water", "sites.water_distance_m", "[590, 900]", "[590.1, 900]",
    ),
    "slope": (
        {"elevation": np.tile(RAMP_M, (40, 1)), "shapes": [box(20, 150, 580, 250)], "settings": ONE_TRAP},
        "steeper than 8 percent", "sites.slope_limit_percent",
        f"{math.ceil(1000 * np.gradient(RAMP_M, 10).min()) / 10:g}",
        f"{math.ceil(1000 * np.gradient(RAMP_M, 10).min()) / 10 - 0.1:g}",
    ),
    "flooding": (
        {"soils": Soils(objects([box(0, 0, 600, 400)]), np.array([4], np.uint8), None), "settings": ONE_TRAP},
        "floods more often than occasional", "sites.flooding_limit", '"frequent"', '"occasional"',
    ),
    "boundary": (  # rows 195 and 205 lie 45 m inside
        {"settings": sites(boundary_setback_m=70.0)},
        "70 m inside the property line", "sites.boundary_setback_m", "45", "45.1",
    ),
    "building": (  # furthest: the corner cell at 5, 155
        {"buildings": [Point(303, 207)], "settings": sites(building_setback_m=500.0)},
        "nearer than 500 m to a building", "sites.building_setback_m",
        f"{math.floor(10 * math.hypot(298, 52)) / 10:g}", f"{math.floor(10 * math.hypot(298, 52)) / 10 + 0.1:g}",
    ),
    "damage": (
        {"sightings": damage(303.0, 207.0), "settings": sites(damage_setback_m=500.0)},
        "nearer than 500 m to a damage spot", "sites.damage_setback_m",
        f"{math.floor(10 * math.hypot(298, 52)) / 10:g}", f"{math.floor(10 * math.hypot(298, 52)) / 10 + 0.1:g}",
    ),
    "access": (  # rows 225 and 175 lie 25 m off, straight from the road
        {"settings": sites(access_limit_m=20.0, road_distance_m=[25, 60])},
        "within 20 m on foot", "sites.access_limit_m", "25", "24.9",
    ),
    "habitat": (  # from y = 15 to the edge of the swamp at y = 50
        {"shapes": [APART], "roads": SOUTH_ROAD,
         "settings": sites(habitat_distance_m=20.0, road_distance_m=[5, 20])},
        "no spot lies within 20 m of habitat", "sites.habitat_distance_m", "35", "34.9",
    ),
    "dry weather": (  # all year only from 200 to 400, and reached over a road for dry weather
        {"roads": DEAD_END, "trucks": ["dry", "yes", "yes", "dry"], "shapes": [box(220, 150, 400, 250)],
         "settings": sites(dry_weather_roads="no")},
        "no spot is 5 to 60 m from a truck road", "sites.dry_weather_roads", '"yes"', '"no"',
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", KINDS)
def test_the_reason_and_the_change_that_just_places_the_trap(name):
    changes, words, setting, enough, too_little = KINDS[name]
    study = study_of(**changes)
    plan = plan_traps(study)
    assert (plan.totals.traps_given, plan.totals.sites, plan.totals.shortfall) == (1, 0, 1)
    row = change_of(plan, setting)
    assert words in row["reason"]
    assert row["value_needed"] == enough
    section, key = setting.split(".")
    now = study.settings.model_dump()[section][key]
    assert json.loads(row["value_now"]) == (list(now) if isinstance(now, tuple) else now)
    assert row["traps_placed"] == again(study, setting, enough).totals.sites == 1
    assert again(study, setting, too_little).totals.sites == 0
    reason = plan.properties["shortfall_reason"][0]
    first = plan.shortfalls.iloc[0]
    assert reason == (
        f"{words_of(plan)}; it could be placed with {first['change']} ({first['setting']} = {first['value_needed']}, "
        f"now {first['value_now']})"
    )


def words_of(plan):
    reasons = plan.shortfalls["reason"].unique()
    assert len(reasons) == 1
    return reasons[0]


def test_service_radius_in_whole_tens():
    """From 45, 15 to the middle of the first cell of swamp, 55, 55: 41.2 m, and at most one more square of 10 m."""
    study = study_of(
        shapes=[box(0, 0, 50, 20) | box(0, 60, 600, 400)], roads=SOUTH_ROAD,
        settings=sites(habitat_distance_m=200.0, road_distance_m=[5, 20], service_radius_m=20.0,
                       candidate_spacing_m=10.0),
    )  # fmt: skip
    plan = plan_traps(study)
    assert plan.totals.sites == 0
    row = change_of(plan, "sites.service_radius_m")
    assert "within 20 m of the habitat" in row["reason"]
    assert row["value_now"] == "20"
    assert row["value_needed"] in ("50", "60")
    assert again(study, "sites.service_radius_m", row["value_needed"]).totals.sites == row["traps_placed"] == 1
    assert again(study, "sites.service_radius_m", "41").totals.sites == 0


def crowded():
    """Four traps, and room for two at 300 m."""
    return study_of(settings={"sites": {"spacing_m": 300.0}}, shapes=[box(0, 0, 600, 400)])


def test_spacing_in_whole_tens():
    study = crowded()
    plan = plan_traps(study)
    assert (plan.totals.traps_given, plan.totals.sites) == (4, 2)
    row = change_of(plan, "sites.spacing_m")
    assert "nearer than 300 m to another trap" in row["reason"]
    assert row["value_now"] == "300"
    assert float(row["value_needed"]) % 10 == 0 and 0 < float(row["value_needed"]) < 300
    assert again(study, "sites.spacing_m", row["value_needed"]).totals.sites == 2 + row["traps_placed"]


def test_spacing_is_the_widest_that_gives_more():
    study = crowded()
    needed = float(change_of(plan_traps(study), "sites.spacing_m")["value_needed"])
    wider = {spacing: again(study, "sites.spacing_m", f"{spacing}").totals.sites for spacing in range(150, 300, 20)}
    assert wider[150] > 2 and wider[290] == 2
    assert needed >= max(spacing for spacing, number in wider.items() if number > 2)


def test_a_trap_in_place_may_be_what_the_spacing_is_kept_from():
    """One strip of 120 m: a trap at its middle leaves no spot 70 m off."""
    study = study_of(
        shapes=[box(240, 150, 360, 250)], existing_traps=objects([Point(300, 200)]),
        settings={"traps": {"acres_per_trap": 1.5}, "sites": {"spacing_m": 90.0, "candidate_spacing_m": 10.0}},
    )  # fmt: skip
    plan = plan_traps(study)
    assert (plan.totals.traps_given, plan.totals.existing_traps, plan.totals.sites) == (2, 1, 0)
    row = change_of(plan, "sites.spacing_m")
    furthest = math.hypot(55, 45)  # the corner cells
    assert row["value_needed"] == f"{math.floor(furthest / 10) * 10}"
    assert again(study, "sites.spacing_m", row["value_needed"]).totals.sites == 1


def test_share_a_neighbour_takes_the_trap():
    shapes = [box(0, 0, 600, 200), box(0, 200, 600, 400)]
    study = study_of(shapes=shapes, roads=[LineString([(0, 100), (600, 100)])])
    plan = plan_traps(study)
    assert plan.properties["sites"].tolist() == [2, 0]
    row = change_of(plan, "sites.beyond_share")
    assert (row["property_id"], row["traps"]) == ("001", 2)
    assert (row["value_now"], row["value_needed"]) == ("0", "1")
    after = again(study, "sites.beyond_share", "1")
    assert after.totals.sites == 2 + row["traps_placed"] == 3
    assert after.properties["traps_given"].tolist() == [3, 1]
    assert after.properties["traps"].tolist() == [2, 2]


NOTHING = {
    "no roads": ({"roads": None}, "roads were not given"),
    "an exclusion over all": ({"exclusions": [box(0, 0, 600, 400)]}, "where no trap may stand"),
    "every road far away": ({"roads": [LineString([(0, 5000), (600, 5000)])]}, "no truck road within 60 m"),
    "two limits at once": (
        {"exclusions": [box(0, 0, 600, 400)], "buildings": [Point(300, 200)]}, "nearer than 152.4 m to a building",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", NOTHING)
def test_where_nothing_helps_it_says_so(name):
    changes, words = NOTHING[name]
    if name == "two limits at once":
        changes = changes | {"shapes": [box(200, 150, 400, 250)]}
    plan = plan_traps(study_of(settings=ONE_TRAP, **changes))
    assert plan.totals.shortfall == 1
    assert len(plan.shortfalls) == 1
    row = plan.shortfalls.iloc[0]
    assert words in row["reason"]
    assert (row["setting"], row["value_now"], row["value_needed"], row["traps_placed"]) == ("", "", "", 0)
    said = plan.properties["shortfall_reason"][0]
    assert said.endswith("; no change of a single limit that was tried would place it")


def test_a_rejection_of_all_spots_is_a_reason():
    gone = (SiteDecision("T1", "reject", "", 300.0, 200.0, np.nan),)
    plan = plan_traps(study_of(settings=sites(reject_radius_m=600.0), site_decisions=gone))
    assert "nearer than 600 m to a rejected site" in plan.shortfalls["reason"][0]


def test_a_plan_with_all_its_sites_has_an_empty_table():
    plan = plan_traps(study_of(settings=ONE_TRAP))
    assert plan.totals.shortfall == 0
    assert len(plan.shortfalls) == 0
    assert plan.properties["shortfall_reason"][0] == ""


def test_the_smallest_change_comes_first():
    changes = (
        Change("sites.road_distance_m", "[5, 60]", "[5, 66]", 0.1, 1, "truck roads up to 66 m off"),
        Change("sites.spacing_m", "500", "100", 0.8, 1, "traps 100 m apart"),
    )
    assert Shortfall(0, 0, 1, "too far", changes).words == (
        "too far; it could be placed with truck roads up to 66 m off (sites.road_distance_m = [5, 66], now [5, 60])"
    )
    assert Shortfall(0, 0, 1, "too far", is_tried=False).words == "too far"
    plan = plan_traps(study_of(**KINDS["access"][0]))
    sizes = []
    for row in plan.shortfalls.to_dict("records"):
        now, needed = (np.atleast_1d(json.loads(row[name])) for name in ("value_now", "value_needed"))
        changed = now != needed
        sizes.append(float((np.abs(needed - now) / np.maximum(np.abs(now), 1))[changed][0]))
    assert len(sizes) == 2
    assert sizes == sorted(sizes)


# Values that are looked for where other limits stand close by.


def test_the_property_line_does_not_hide_what_a_wider_road_limit_would_do():
    """Property from y = 300: the rows nearest the road lie in the setback of 10 m, the next at y = 315 holds."""
    study = study_of(
        shapes=[box(0, 300, 600, 400)], settings=sites(boundary_setback_m=10.0, candidate_spacing_m=10.0)
    )  # fmt: skip
    row = change_of(plan_traps(study), "sites.road_distance_m")
    assert row["value_needed"] == "[5, 115]"
    assert again(study, "sites.road_distance_m", row["value_needed"]).totals.sites == 1


def test_the_property_line_does_not_hide_what_softer_soil_would_do():
    """All soil floods frequently; of equal cells those in the north-west corner lie in the setback or off the road."""
    soils = Soils(objects([box(0, 0, 600, 400)]), np.array([4], np.uint8), None)
    study = study_of(soils=soils, shapes=[box(0, 0, 600, 400)], settings=sites(boundary_setback_m=10.0))
    row = change_of(plan_traps(study), "sites.flooding_limit")
    assert again(study, "sites.flooding_limit", row["value_needed"]).totals.sites == 1


def test_only_roads_for_dry_weather_are_named_as_what_is_missing():
    study = study_of(trucks=["dry"], settings=sites(dry_weather_roads="no"))
    row = plan_traps(study).shortfalls.iloc[0]
    assert row["reason"].startswith("no truck road fit for all weather within 60 m")
    assert again(study, "sites.dry_weather_roads", '"yes"').totals.sites == 1


def test_a_wider_radius_counts_on_wider_squares_of_habitat():
    """Radius 140 m, habitat 150 m off: with 150 m habitat is summed over squares of two cells, whose middle is 155 m
    off; the value printed must place the trap all the same."""
    cover = np.full((40, 60), PASTURE, np.uint8)
    cover[4:24, 5:55] = SWAMP
    keys = {"service_radius_m": 140.0, "habitat_distance_m": 200.0, "road_distance_m": [5, 20]}
    study = study_of(shapes=[APART], roads=SOUTH_ROAD, settings=sites(**keys))
    study = replace(study, cover=replace(study.cover, values=cover))
    row = change_of(plan_traps(study), "sites.service_radius_m")
    assert again(study, "sites.service_radius_m", row["value_needed"]).totals.sites == 1


def test_a_spot_that_would_be_thinned_out_is_no_change():
    """The property is one square of 60 m, which keeps one candidate: a lower setback from the damage lets in a spot
    30 m from the site, but in its square. A change that is printed must place a trap when it is made."""
    study = study_of(
        shapes=[box(240, 160, 300, 220)], sightings=damage(330.0, 190.0),
        settings={
            "habitat": {"smallest_patch_acres": 0.1},
            "traps": {"acres_per_trap": 0.45, "smallest_habitat_acres": 0.1},
            "sites": {"spacing_m": 25.0, "damage_setback_m": 65.0},
        },
    )  # fmt: skip
    plan = plan_traps(study)
    assert (plan.totals.traps_given, plan.totals.sites) == (2, 1)
    for row in plan.shortfalls.to_dict("records"):
        if row["setting"]:
            assert again(study, row["setting"], row["value_needed"]).totals.sites == 2, row


def test_shapes_of_the_studies_are_as_said():
    points = shapely.points(np.repeat(COLUMNS_M, 40), np.tile(np.arange(40) * 10 + 5.0, 60))
    inside = shapely.get_y(points[shapely.contains(STRIP, points)])
    assert set(np.abs(inside - 200)) == {5, 15, 25, 35, 45}
    assert np.gradient(RAMP_M, 10).min() > 0.1
