"""Rounds over roads from a base: who is on which round, how often, how far, how long, and what cannot be driven."""

import math

import numpy as np
import pytest
from shapely import LineString, box

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.units import METRES_PER_MILE
from allocator.plan import plan_traps
from tests.builders import CRS_WKT, PASTURE, SWAMP, joined, make_settings, make_study

ROAD = LineString([(0, 200), (2000, 200)])
STRIPS = [box(0, 0, 1000, 400), box(1000, 0, 2000, 400)]
DATES = {"first_day": "2027-02-01", "last_day": "2027-06-30", "holidays": "work"}


def base_at(x_m, y_m):
    longitude, latitude = transform_points(np.array([x_m]), np.array([y_m]), CRS_WKT, GEOGRAPHIC)
    return {"base_longitude": float(longitude[0]), "base_latitude": float(latitude[0])}


def planned(*, roads=(ROAD,), base=(0.0, 200.0), trucks=None, **sections):
    """A plan of 2 km of swamp, 198 acres, with a road through its middle at y = 200; a trap for 40 acres."""
    cover = np.full((40, 200), PASTURE, np.uint8)
    cover[2:38, 2:198] = SWAMP
    usual = {
        "habitat": {"smallest_patch_acres": 0.1, "curves": {"water_m": [[0, 1], [1000, 1]]}},
        "traps": {"acres_per_trap": 40, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 150.0, "boundary_setback_m": 0.0, "candidate_spacing_m": 60.0},
        "crews": base_at(*base) if base else {},
    }
    settings = make_settings(**joined(usual, sections))
    return plan_traps(make_study(cover, STRIPS, roads=list(roads), trucks=trucks, settings=settings))


def along_m(plan):
    """Where on the straight road the truck stops for each site: where its way on foot begins."""
    starts = {row.site_id: row.geometry.coords[0] for row in plan.access_paths.itertuples()}
    return {site: x for site, (x, y) in starts.items()}


def test_a_straight_road_is_driven_to_its_farthest_stop_and_back():
    plan = planned()
    assert len(plan.sites) >= 4
    farthest = max(along_m(plan).values())
    check = plan.rounds[plan.rounds["purpose"] == "check"]
    assert check["stops"].tolist() == [len(plan.sites)]
    assert check["distance_miles"].iloc[0] * METRES_PER_MILE == pytest.approx(2 * farthest, abs=0.01)
    assert check.geometry.iloc[0].length == pytest.approx(2 * farthest, abs=0.01)
    first, last = check.geometry.iloc[0].coords[0], check.geometry.iloc[0].coords[-1]
    assert first == pytest.approx((0, 200), abs=0.01) and last == pytest.approx((0, 200), abs=0.01)


def test_hours_are_driving_walking_and_work():
    plan = planned(crews={"road_mph": 30, "walk_mph": 2.5, "check_minutes": 12, "bait_minutes": 30})
    feet_m = plan.sites["access_m"].sum()
    for purpose, minutes in (("check", 12), ("bait", 30)):
        row = plan.rounds[plan.rounds["purpose"] == purpose].iloc[0]
        walk = 2 * feet_m / METRES_PER_MILE / 2.5
        assert row["hours"] == pytest.approx(row["distance_miles"] / 30 + walk + len(plan.sites) * minutes / 60)


def test_the_base_is_where_the_settings_say():
    near, far = planned(), planned(base=(2000.0, 210.0))
    check = far.rounds[far.rounds["purpose"] == "check"].iloc[0]
    assert check.geometry.coords[0] == pytest.approx((2000, 200), abs=0.01)
    assert check["distance_miles"] * METRES_PER_MILE == pytest.approx(2 * (2000 - min(along_m(far).values())), abs=0.01)
    assert len(near.sites) == len(far.sites)


def test_a_base_off_the_roads_is_told_and_the_rest_stands():
    plan = planned(base=(0.0, 800.0))
    said = [one for one in plan.warnings if one.startswith("crews: the base at")]
    assert len(said) == 1 and "lies 600 m from the nearest truck road" in said[0] and "within 250 m" in said[0]
    assert len(plan.rounds) == 0 and plan.totals.miles is None and plan.totals.crews is None
    assert len(plan.sites) >= 4 and plan.labour["person_hours"].notna().sum() == len(plan.labour) - 1


def test_no_base_no_rounds_and_no_complaint():
    plan = planned(base=None)
    assert len(plan.rounds) == 0 and plan.totals.crews is None
    assert not [one for one in plan.warnings if one.startswith("crews")]


def test_sites_that_no_road_leads_to_are_named_and_the_others_are_driven():
    gap = [LineString([(0, 200), (990, 200)]), LineString([(1010, 200), (2000, 200)])]
    plan = planned(roads=gap)
    cut_off = sorted(site for site, x in along_m(plan).items() if x > 1000)
    reached = sorted(site for site, x in along_m(plan).items() if x < 1000)
    assert cut_off and reached
    said = [one for one in plan.warnings if "no truck road of the roads file leads" in one]
    assert len(said) == 1 and all(site in said[0] for site in cut_off) and not any(site in said[0] for site in reached)
    assert sorted(set(plan.round_stops["site_id"]) - {""}) == reached
    joined_up = planned(roads=gap, sites={"road_snap_m": 25})
    assert not [one for one in joined_up.warnings if "no truck road" in one]
    assert len(set(joined_up.round_stops["site_id"]) - {""}) == len(joined_up.sites)


def test_roads_for_dry_weather_are_not_driven_when_the_settings_leave_them_out():
    ways = [LineString([(0, 200), (990, 200)]), LineString([(990, 200), (1010, 200)]),
            LineString([(1010, 200), (2000, 200)])]  # fmt: skip
    trucks = ["yes", "dry", "yes"]
    assert not [one for one in planned(roads=ways, trucks=trucks).warnings if "no truck road" in one]
    plan = planned(roads=ways, trucks=trucks, sites={"dry_weather_roads": "no"})
    assert [one for one in plan.warnings if "no truck road" in one]


def test_a_site_that_takes_longer_than_a_shift_is_named():
    plan = planned(crews={"road_mph": 1, "shift_hours": 1.5, "check_minutes": 15, "bait_minutes": 15})
    said = [one for one in plan.warnings if "longer than a shift" in one]
    alone = {
        site: 2 * x / METRES_PER_MILE
        + 0.25
        + 2 * plan.sites.set_index("site_id").loc[site, "access_m"] / METRES_PER_MILE / 2
        for site, x in along_m(plan).items()
    }
    too_far = [site for site, hours in alone.items() if hours > 1.5]
    assert too_far and len(too_far) < len(alone)
    assert len(said) == 1 and all(site in said[0] for site in too_far)
    assert not set(too_far) & set(plan.round_stops["site_id"])
    assert (plan.rounds["hours"] <= 1.5 + 1e-6).all()


@pytest.mark.parametrize(
    ("interval", "checks"),
    # six days armed: every day; two checks a day; with 36 hours two days would be too long; every other day
    [(24, 6), (12, 12), (36, 6), (48, 3), (30, 6), (100, 2)],
)
def test_armed_traps_are_checked_within_the_interval(interval, checks):
    plan = planned(crews={"check_interval_hours": interval}, calendar=DATES | {"build_days": 1, "pre_bait_days": 11,
                   "move_test_day": 0})  # fmt: skip
    # armed on days 12 to 17 of the season, counted from 0; every fourth day: 12 and 16
    check = plan.rounds[(plan.rounds["purpose"] == "check") & (plan.rounds["first_open_day"] == 13)]
    assert (check["last_open_day"] == 18).all() and set(check["times"]) == {checks}


def test_a_long_interval_spreads_rounds_over_its_days():
    slow = {"check_minutes": 100, "shift_hours": 2.5}
    daily = planned(crews=slow)
    rounds = len(daily.rounds[daily.rounds["purpose"] == "check"])
    assert rounds >= 4
    other = planned(crews=slow | {"check_interval_hours": 48})
    check = other.rounds[other.rounds["purpose"] == "check"]
    assert len(check) == rounds and check["crew"].max() == math.ceil(rounds / 2)
    assert sorted(zip(check["turn"], check["crew"], strict=True)) == sorted(
        (number // math.ceil(rounds / 2) + 1, number % math.ceil(rounds / 2) + 1) for number in range(rounds)
    )


def test_visits_on_a_later_turn_are_counted_on_its_days():
    plan = planned(crews={"check_minutes": 100, "shift_hours": 2.5, "check_interval_hours": 48, "bait_every_days": 5},
                   calendar=DATES | {"capture_days": 5})  # fmt: skip
    for row in plan.rounds.itertuples():
        every = 2 if row.purpose == "check" else 5
        days = [day for day in range(row.first_open_day - 1, row.last_open_day) if day % every == row.turn - 1]
        assert row.times == len(days)
    visits = plan.labour.set_index("task")["count"]
    for purpose, task in (("check", "Check armed traps"), ("bait", "Bait and look at cameras")):
        of = plan.rounds[plan.rounds["purpose"] == purpose]
        assert visits[task] == (of["times"] * of["stops"]).sum()


def test_every_site_in_a_stage_is_on_one_round_of_its_purpose():
    plan = planned(equipment={"sets": 2}, calendar=DATES, crews={"check_minutes": 100, "shift_hours": 2.5})
    stops = plan.round_stops.merge(plan.rounds.drop(columns="geometry"), on="round_id")
    calendar = plan.calendar[plan.calendar["reason"] == ""]
    assert len(calendar) >= 4
    for purpose, stage in (("check", "capture"), ("bait", "pre_bait")):
        for day in {*calendar[f"{stage}_first"], *calendar[f"{stage}_last"]}:
            due = calendar[(calendar[f"{stage}_first"] <= day) & (day <= calendar[f"{stage}_last"])]
            today = stops[(stops["purpose"] == purpose) & (stops["first_day"] <= day) & (day <= stops["last_day"])]
            assert sorted(today.loc[today["site_id"] != "", "site_id"]) == sorted(due["site_id"])


def test_crews_of_the_busiest_day():
    """One site: two people build it in 2 days of 3 person-hours each, 1.5 crew-hours a day; it takes one crew."""
    one = planned(traps={"acres_per_trap": 400})
    assert len(one.sites) == 1 and one.totals.crews == 1
    # 60 person-hours on 2 days are 15 hours a day for a crew of two: two shifts of 8
    assert planned(traps={"acres_per_trap": 400}, crews={"build_hours": 60}).totals.crews == 2
    # with shifts of 5 hours three crews
    assert planned(traps={"acres_per_trap": 400}, crews={"build_hours": 60, "shift_hours": 5}).totals.crews == 4


def test_too_few_crews_are_told_with_the_numbers():
    plan = planned(traps={"acres_per_trap": 400}, crews={"build_hours": 60, "available": 1})
    assert any("needs 2 crews and crews.available gives 1" in one for one in plan.warnings)


def test_miles_of_the_season_are_rounds_times_and_ways_to_work():
    plan = planned(calendar=DATES, equipment={"sets": 3})
    rounds = float((plan.rounds["distance_miles"] * plan.rounds["times"]).sum())
    to_sites = sum(along_m(plan).values()) / METRES_PER_MILE
    days = 2 + 1  # building, taking down
    assert plan.totals.miles == pytest.approx(rounds + 2 * days * to_sites, rel=1e-6)


def test_the_same_plan_gives_the_same_rounds():
    one, other = planned(calendar=DATES), planned(calendar=DATES)
    assert one.rounds.drop(columns="geometry").equals(other.rounds.drop(columns="geometry"))
    assert one.round_stops.equals(other.round_stops)
