"""Tables of kit, season, rounds, labour and money: columns, units, and blank where nothing is known."""

from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pytest
import shapely

from allocator.core.kit import CostLine, KitInputs, Price
from allocator.core.units import METRES_PER_MILE
from allocator.field.costs import cost_plan
from allocator.field.labour import labour
from allocator.field.schedule import Phase, plan_schedule
from allocator.field.trips import Round, Trips, Visits
from allocator.outputs.columns import columns_of, documented_values
from allocator.summary.work_frames import (
    budget_table,
    calendar_table,
    equipment_table,
    labour_table,
    round_stops_table,
    rounds_frame,
)
from tests.builders import DESIGN, PASTURE, make_settings, make_study

CALENDAR = {
    "first_day": date(2027, 2, 1), "last_day": date(2027, 3, 2), "holidays": "work", "build_days": 2,
    "pre_bait_days": 10, "capture_days": 2, "reset_days": 1, "move_test_day": 4,
}  # fmt: skip
PATH = shapely.LineString([(0, 0), (10, 10), (0, 0)])
MPH = 20


def price(item, usd, unit="each"):
    return Price(item, Decimal(usd), unit, "2026-01-01", "an example")


def study_of(prices=(), other=(), **sections):
    crews = {"road_mph": MPH, "check_minutes": 15} | sections.pop("crews", {})
    kit = KitInputs("ring", DESIGN, {one.item: one for one in prices}, {}, tuple(other))
    halves = [shapely.box(0, 0, 10, 20), shapely.box(10, 0, 20, 20)]
    return make_study(np.full((2, 2), PASTURE), halves, settings=make_settings(crews=crews, **sections), kit=kit)


def rounds_of(sites):
    """Two rounds over three sites; hours are stops and legs at 20 miles an hour, worked out in miles."""
    check = Visits("check", Phase(12, 13, (0, 1, 2)), 1, 1)
    made = []
    for crew, stops, legs in ((1, (2, 0), (3.0, 2.0, 5.0)), (2, (1,), (4.0, 4.0))):
        hours = tuple(0.25 + 0.1 * (site + 1) for site in stops)
        legs_m = tuple(leg * METRES_PER_MILE for leg in legs)
        made.append(Round(check, crew, 1, stops, legs_m, hours, sum(hours) + sum(legs) / MPH, PATH))
    base_m = np.array([5.0, 4.0, 3.0] + [np.inf] * (sites - 3)) * METRES_PER_MILE
    return Trips((check,), tuple(made), base_m, 0.1 * (np.arange(sites) + 1), 2, 2, ())


def no_trips(sites):
    return Trips((), (), np.full(sites, np.nan), np.zeros(sites), None, None, ())


def parts(study, sites, trips):
    schedule = plan_schedule(study.settings, sites)
    tasks = labour(study, schedule, trips)
    return schedule, tasks, cost_plan(study, schedule, trips, tasks)


def tables(study, sites, trips):
    schedule, tasks, costs = parts(study, sites, trips)
    return {
        "equipment": equipment_table(costs),
        "calendar": calendar_table(study, schedule, [site % 2 for site in range(sites)]),
        "rounds": rounds_frame(study, schedule, trips),
        "round_stops": round_stops_table(trips),
        "labour": labour_table(tasks),
        "budget": budget_table(costs, [("pig", None), ("trap set", schedule.rotation.sets)]),
    }


@pytest.mark.parametrize("sites", [0, 4])
@pytest.mark.parametrize("sections", [{}, {"calendar": CALENDAR, "equipment": {"sets": 1}}])
def test_columns_are_those_documented(sites, sections):
    made = tables(study_of(**sections), sites, rounds_of(4) if sites else no_trips(0))
    for name, frame in made.items():
        assert [one for one in frame.columns if one != "geometry"] == [one.column for one in columns_of(name)], name
        written = documented_values(name, frame)  # raises where a value has not the documented type
        assert len(written) == len(frame)
    for name in ("rounds", "round_stops", "calendar") if not sites else ():
        assert len(made[name]) == 0, name


def test_legs_and_stops_of_a_round_add_up_to_it():
    """Miles by hand: 3 + 2 + 5 and 4 + 4; the last leg leads home and has no site and no time."""
    made = tables(study_of(calendar=CALENDAR), 3, rounds_of(3))
    rounds, stops = made["rounds"].set_index("round_id"), made["round_stops"]
    assert rounds["distance_miles"].tolist() == pytest.approx([10, 8])
    assert stops["site_id"].tolist() == ["T003", "T001", "", "T002", ""]
    assert stops["stop"].tolist() == [1, 2, 3, 1, 2]
    assert stops["leg_miles"].tolist() == pytest.approx([3, 2, 5, 4, 4])
    of = stops.groupby("round_id")
    assert of["leg_miles"].sum().to_numpy() == pytest.approx(rounds["distance_miles"].to_numpy())
    driving = rounds["distance_miles"] / MPH
    assert (of["stop_hours"].sum() + driving).to_numpy() == pytest.approx(rounds["hours"].to_numpy())
    assert (of.size() - 1).tolist() == rounds["stops"].tolist() == [2, 1]


def test_days_of_rounds():
    """1 February 2027 is open day 1: phase days 12 and 13, counted from 0, are 13 and 14 February."""
    row = tables(study_of(calendar=CALENDAR), 3, rounds_of(3))["rounds"].iloc[0]
    assert (row["first_day"], row["last_day"], row["first_open_day"], row["last_open_day"]) == (
        "2027-02-13", "2027-02-14", 13, 14,
    )  # fmt: skip
    assert (row["purpose"], row["crew"], row["turn"], row["times"]) == ("check", 1, 1, 2)
    undated = tables(study_of(), 3, rounds_of(3))["rounds"].iloc[0]
    assert (undated["first_day"], undated["last_day"], undated["first_open_day"]) == ("", "", 13)


def test_calendar_of_a_set_that_moves():
    """30 days, a stay of 15: one set does two of three sites; the first is called for on Tuesday 26 January."""
    table = tables(study_of(calendar=CALENDAR, equipment={"sets": 1}), 3, no_trips(3))["calendar"].set_index("site_id")
    assert table["trap_set"].tolist()[:2] == [1, 1] and np.isnan(table["trap_set"].iloc[2])
    assert table["property_id"].tolist() == ["000", "001", "000"]
    first = table.loc["T001"]
    assert (first["call_by"], first["first_open_day"], first["last_open_day"]) == ("2027-01-26", 1, 15)
    assert (first["build_first"], first["build_last"]) == ("2027-02-01", "2027-02-02")
    assert (first["pre_bait_first"], first["pre_bait_last"]) == ("2027-02-03", "2027-02-12")
    assert (first["capture_first"], first["capture_last"]) == ("2027-02-13", "2027-02-14")
    assert first["reset_first"] == first["reset_last"] == "2027-02-15"
    assert first["move_test"] == "2027-02-06"  # the fourth day of pre-bait
    for column in (one for one in table.columns if one.endswith(("_first", "_last")) or one == "move_test"):
        days = [date.fromisoformat(day) for day in table[column].iloc[:2]]
        assert days[1] - days[0] == timedelta(days=15), column
    last = table.loc["T003"]
    assert last["reason"] == "no set free" and (table["reason"].iloc[:2] == "").all()
    assert all(last[column] == "" for column in ("call_by", "build_first", "reset_last", "move_test"))
    assert np.isnan(last["first_open_day"])


def test_calendar_without_dates_or_test_leaves_them_blank():
    row = tables(study_of(calendar={"move_test_day": 0}), 1, no_trips(1))["calendar"].iloc[0]
    assert (row["trap_set"], row["first_open_day"], row["last_open_day"]) == (1, 1, 30)
    assert row["call_by"] == row["build_first"] == row["move_test"] == ""
    dated = study_of(calendar=CALENDAR | {"move_test_day": 0})
    assert tables(dated, 1, no_trips(1))["calendar"]["move_test"].tolist() == [""]


def test_a_price_that_is_not_known_is_blank_and_not_zero():
    """Panel 2 sets x 3 and a spare at 75; a door that costs nothing; the others have no price."""
    table = tables(study_of([price("panel", "75"), price("door", "0")]), 2, no_trips(2))["equipment"].set_index("item")
    assert (table["unit_price_usd"]["panel"], table["amount_usd"]["panel"]) == (75, 525)
    assert (table["unit_price_usd"]["door"], table["amount_usd"]["door"]) == (0, 0)
    rest = table.drop(["panel", "door"])
    assert rest["unit_price_usd"].isna().all() and rest["amount_usd"].isna().all() and (rest["price_date"] == "").all()
    assert table["weight_lb"].drop("bait").isna().all()
    assert table.index[-1] == "bait" and table["total"]["bait"] == 25 * (21 + 6) * 2
    assert (table["total"] == table["each_per_trap"] * table["trap_sets"] + table["spares"]).drop("bait").all()


def test_bait_with_a_price():
    made = tables(study_of([price("bait", "0.2", "lb")]), 2, no_trips(2))["equipment"].iloc[-1]
    assert (made["amount_usd"], made["price_date"], made["price_source"]) == (270, "2026-01-01", "an example")
    none = tables(study_of([price("bait", "0.2", "lb")]), 0, no_trips(0))["equipment"].iloc[-1]
    assert (none["total"], none["amount_usd"]) == (0, 0)  # none of what costs something


def test_labour_without_a_base_is_blank_for_driving():
    table = tables(study_of(), 2, no_trips(2))["labour"].set_index("task")
    assert table.loc["Drive", ["count", "person_hours"]].isna().all() and table["person_hours"].notna().sum() == 5
    known = tables(study_of(), 3, rounds_of(3))["labour"].set_index("task")
    assert known["count"]["Drive"] == pytest.approx(2 * (10 + 8) + 2 * 3 * (5 + 4 + 3))


def test_lines_of_the_form_follow_from_the_lines_of_cost():
    award = {"award_date": date(2026, 1, 1), "unit": "item", "indirect_percent": 10, "match_percent": 25}
    other = [CostLine("Rent", "other", Decimal(4), Decimal("100"), "rental")]
    study = study_of([price("panel", "75"), price("bait", "0.2", "lb")], other, grant=award)
    table = tables(study, 2, no_trips(2))["budget"]
    lines, form = table[table["part"] == "line"], table[table["part"] == "form"].set_index("form_line")["amount_usd"]
    for letter in "abcdefgh":
        assert form[letter] == pytest.approx(lines.loc[lines["form_line"] == letter, "amount_usd"].sum()), letter
    assert form["e"] == 525 + 270 and form["h"] == 400 and form["i"] == 1195
    (base,) = table.loc[table["part"] == "base", "amount_usd"]
    assert base == 795 and form["j"] == 79.5 and form["k"] == 1274.5  # rent bears no indirect costs
    match = table[table["part"] == "match"].set_index("words")["amount_usd"]
    assert match.tolist() == [955.87, 318.63]  # a quarter is 318.625, rounded up
    no_price = lines[lines["words"] == "Door, hung in a panel"]
    assert no_price["amount_usd"].isna().all() and no_price["unit_cost_usd"].isna().all() and len(no_price) == 1
    assert (no_price["form_line"] == "").all()
    each = table[table["part"] == "each"]
    assert each["words"].tolist() == ["Cost of one trap set"] and each["amount_usd"].tolist() == [637.25]


def test_without_an_award_there_is_a_total_and_no_form():
    table = tables(study_of([price("panel", "75")]), 2, no_trips(2))["budget"]
    assert set(table["part"]) == {"line", "total", "each"}
    assert table.loc[table["part"] == "total", "amount_usd"].tolist() == [525]
