"""What the demo takes, redone from the written files: days, rounds, hours, miles, money."""

import json
import tomllib
from datetime import date, timedelta
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from allocator import demo_study_file
from tests.journey.studies import MILE_M, run

INPUTS = Path(demo_study_file()).parent / "inputs"
FEDERAL_HOLIDAYS = {"2027-02-15", "2027-05-31", "2027-06-18", "2027-07-05", "2027-09-06"}
"""Holidays of the demo's season as observed: third Monday of February, last of May, 19 June and 4 July (a Saturday and
a Sunday in 2027, kept on the Friday before and the Monday after), first Monday of September: 5 U.S.C. 6103."""
STAGES = ("build", "pre_bait", "capture", "reset")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("work") / "plan"
    assert run("plan", str(demo_study_file()), "--out", str(out)).returncode == 0
    return out


@pytest.fixture(scope="module")
def settings(folder: Path) -> dict:
    return tomllib.loads((folder / "settings.toml").read_text(encoding="utf-8"))


def table(folder: Path, name: str) -> pd.DataFrame:
    return pyogrio.read_dataframe(folder / "plan.gpkg", layer=name)


def open_days(settings: dict) -> list[str]:
    calendar = settings["calendar"]
    day, days = calendar["first_day"], []
    while day <= calendar["last_day"]:
        closed = any(first <= day <= last for first, last in calendar["closed"])
        if not closed and day.isoformat() not in FEDERAL_HOLIDAYS:
            days.append(day.isoformat())
        day += timedelta(days=1)
    return days


def test_every_date_is_open_and_in_order(folder: Path, settings: dict) -> None:
    days, calendar = open_days(settings), table(folder, "calendar")
    assert len(calendar) and (calendar["reason"] == "").all()
    at = {day: number for number, day in enumerate(days)}
    length = {stage: settings["calendar"][f"{stage}_days"] for stage in STAGES}
    for row in calendar.to_dict("records"):
        before = at[row["build_first"]] - 1
        assert row["first_open_day"] == before + 2
        for stage in STAGES:
            first, last = at[row[f"{stage}_first"]], at[row[f"{stage}_last"]]
            assert first == before + 1 and last - first + 1 == length[stage]
            before = last
        assert at[row["move_test"]] - at[row["pre_bait_first"]] + 1 == settings["calendar"]["move_test_day"]
        # nothing stands through a closed time
        spell = [date.fromisoformat(row[f"{end}"]) for end in ("build_first", "reset_last")]
        assert not any(spell[0] <= shut and end <= spell[1] for shut, end in settings["calendar"]["closed"])
    for _, of in calendar.sort_values("build_first").groupby("trap_set"):
        assert (of["build_first"].to_numpy()[1:] > of["reset_last"].to_numpy()[:-1]).all()


def test_calls_leave_the_business_days_before_posts_are_driven(folder: Path, settings: dict) -> None:
    for row in table(folder, "calendar").to_dict("records"):
        call, build = date.fromisoformat(row["call_by"]), date.fromisoformat(row["build_first"])
        between = [call + timedelta(days=number) for number in range(1, (build - call).days)]
        business = [one for one in between if one.weekday() < 5 and one.isoformat() not in FEDERAL_HOLIDAYS]
        assert call.weekday() < 5 and call.isoformat() not in FEDERAL_HOLIDAYS
        assert len(business) == settings["calendar"]["locate_business_days"]


def test_sets_are_as_few_as_the_open_runs_allow(folder: Path, settings: dict) -> None:
    """Sites over the sum of floor(run / cycle) over the runs of open days, rounded up: model.md 7."""
    days, shut = open_days(settings), settings["calendar"]["closed"]
    run_of = [sum(last.isoformat() < day for _, last in shut) for day in days]
    cycle = sum(settings["calendar"][f"{stage}_days"] for stage in STAGES)
    each = sum(count // cycle for count in np.bincount(run_of))
    totals = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["totals"]
    assert totals["trap_sets"] == totals["trap_sets_bound"] == -(-totals["sites"] // each)
    assert table(folder, "calendar")["trap_set"].max() == totals["trap_sets"]


def test_armed_traps_are_on_just_one_round_a_day(folder: Path) -> None:
    calendar, rounds, stops = (table(folder, name) for name in ("calendar", "rounds", "round_stops"))
    stops = stops[stops["site_id"] != ""].merge(rounds.drop(columns="geometry"), on="round_id")
    # T006 stands on a trail that no other road meets: the plan says so, and no round goes there
    warnings = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["warnings"]
    assert sum("leads from the base to site T006;" in one for one in warnings) == 1
    reached = calendar["site_id"] != "T006"
    for purpose, stage in (("check", "capture"), ("bait", "pre_bait")):
        of = stops[stops["purpose"] == purpose]
        spans = calendar[[f"{stage}_first", f"{stage}_last"]]
        for day in sorted({*spans.iloc[:, 0], *spans.iloc[:, 1]}):
            due = calendar.loc[(spans.iloc[:, 0] <= day) & (day <= spans.iloc[:, 1]) & reached, "site_id"]
            today = of.loc[(of["first_day"] <= day) & (day <= of["last_day"]), "site_id"]
            assert sorted(due) == sorted(today), day
    check = rounds[rounds["purpose"] == "check"]
    days = check["last_open_day"] - check["first_open_day"] + 1
    assert (check["times"] == days).all()  # every 24 hours


def test_miles_and_hours_follow_from_the_lines(folder: Path, settings: dict) -> None:
    rounds, stops, sites = (table(folder, name) for name in ("rounds", "round_stops", "sites"))
    ways, crews = table(folder, "access_paths").set_index("site_id"), settings["crews"]
    base = gpd.GeoSeries.from_xy([crews["base_longitude"]], [crews["base_latitude"]], crs=4326).to_crs(rounds.crs)[0]
    np.testing.assert_allclose(rounds["distance_miles"], rounds.length / MILE_M, rtol=1e-9)
    on_foot_m = sites.set_index("site_id")["access_m"]
    for row in rounds.itertuples():
        on = stops[stops["round_id"] == row.round_id]
        line, ids = row.geometry, on["site_id"].tolist()[:-1]
        assert row.stops == len(ids) == len(set(ids)) and on["site_id"].iloc[-1] == ""
        assert on["leg_miles"].sum() == pytest.approx(row.distance_miles, rel=1e-9)
        ends = [shapely.Point(line.coords[0]), shapely.Point(line.coords[-1])]
        assert ends[0].distance(ends[1]) < 1e-6 and ends[0].distance(base) < crews["base_road_distance_m"]
        park = [shapely.Point(ways.geometry[site].coords[0]) for site in ids]
        assert max(line.distance(one) for one in park) < 0.01
        minutes = crews[f"{row.purpose}_minutes"]
        walk = sum(2 * on_foot_m[site] / MILE_M / crews["walk_mph"] for site in ids)
        hours = row.geometry.length / MILE_M / crews["road_mph"] + len(ids) * minutes / 60 + walk
        assert row.hours == pytest.approx(hours, rel=1e-9) and row.hours <= crews["shift_hours"]


def test_rounds_keep_to_truck_roads(folder: Path) -> None:
    rounds, roads = table(folder, "rounds"), gpd.read_file(INPUTS / "roads.gpkg").to_crs(table(folder, "rounds").crs)
    usable = roads[~roads["mtfcc"].isin(["S1100", "S1630"])].geometry.union_all()
    off = shapely.difference(rounds.geometry.union_all(), shapely.buffer(usable, 0.5))
    assert rounds.length.min() > 1000 and off.length < 12  # one gap of 10 m is closed (sites.road_snap_m)


def test_labour_and_miles_add_up(folder: Path, settings: dict) -> None:
    labour, rounds, crews = table(folder, "labour").set_index("task"), table(folder, "rounds"), settings["crews"]
    totals = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["totals"]
    sites = totals["sites_served"]
    for task, key in (("Locate utilities (811)", "locate"), ("Build", "build"), ("Take down and move", "reset")):
        assert labour["person_hours"][task] == pytest.approx(sites * crews[f"{key}_hours"])
    of_rounds = (rounds["hours"] - rounds["distance_miles"] / crews["road_mph"]) * rounds["times"] * crews["size"]
    at_sites = labour["person_hours"][["Bait and look at cameras", "Check armed traps"]].sum()
    # T006, which no round reaches, is visited all the same: 7 times for bait, 6 armed
    walk = 2 * table(folder, "sites").set_index("site_id")["access_m"]["T006"] / MILE_M / crews["walk_mph"]
    alone = 7 * (crews["bait_minutes"] / 60 + walk) + 6 * (crews["check_minutes"] / 60 + walk)
    assert of_rounds.sum() + alone * crews["size"] == pytest.approx(at_sites)
    assert labour["count"]["Drive"] == pytest.approx(totals["miles"])
    assert labour["person_hours"]["Drive"] == pytest.approx(totals["miles"] / crews["road_mph"] * crews["size"])
    assert labour["person_hours"].sum() == pytest.approx(totals["person_hours"])
    assert (rounds["distance_miles"] * rounds["times"]).sum() < totals["miles"]


def cents(value: float | Decimal) -> Decimal:
    return Decimal(str(value)).quantize(Decimal("0.01"), ROUND_HALF_UP)


def test_money_adds_up_to_the_cent(folder: Path, settings: dict) -> None:
    budget, equipment = table(folder, "budget"), table(folder, "equipment")
    prices = pd.read_csv(INPUTS / "prices.csv")
    own = prices[prices["design"].isna()].set_index("item")["unit_price_usd"]
    assert (equipment["unit_price_usd"].to_numpy() == own[equipment["item"]].to_numpy()).all()
    for row in equipment.itertuples():
        assert cents(row.amount_usd) == cents(Decimal(str(row.unit_price_usd)) * Decimal(str(row.total)))
    lines = budget[budget["part"] == "line"]
    for row in lines.itertuples():
        assert cents(row.amount_usd) == cents(Decimal(str(row.quantity)) * Decimal(str(row.unit_cost_usd)))
    form = budget[budget["part"] == "form"].set_index("form_line")["amount_usd"].map(cents)
    for letter in "abcdefgh":
        of = lines.loc[lines["form_line"] == letter, "amount_usd"].map(cents)
        assert form[letter] == sum(of, Decimal("0.00"))
    assert form["i"] == sum((form[letter] for letter in "abcdefgh"), Decimal(0))
    # 2 CFR 200.1: all but equipment, rental, and what a subaward has beyond 50,000
    inside = lines[(lines["object_class"] != "equipment") & (lines["kind"] == "ordinary")]["amount_usd"].map(cents)
    subaward = lines.loc[lines["kind"] == "subaward", "amount_usd"].map(cents)
    base = sum(inside, Decimal(0)) + min(sum(subaward, Decimal(0)), Decimal(50_000))
    assert cents(budget.loc[budget["part"] == "base", "amount_usd"].iloc[0]) == base
    assert form["j"] == cents(base * Decimal(str(settings["grant"]["indirect_percent"])) / 100)
    assert form["k"] == form["i"] + form["j"]
    assert cents(json.loads((folder / "plan.json").read_text(encoding="utf-8"))["totals"]["cost_usd"]) == form["k"]
    match = budget[budget["part"] == "match"].set_index("words")["amount_usd"].map(cents)
    # rounded up, so that it never falls short of its percent
    assert match.sum() == form["k"] and match["Match"] == (form["k"] / 4).quantize(Decimal("0.01"), ROUND_CEILING)
    each = budget[budget["part"] == "each"]
    for row in each.itertuples():
        assert cents(row.amount_usd) == cents(form["k"] / Decimal(str(row.quantity)))


def test_another_panel_changes_the_cost_as_the_prices_say(folder: Path, tmp_path: Path) -> None:
    """Two panel types differ by 110 to 120 USD a trap of three panels: common practice, no source."""
    other = tmp_path / "low"
    done = run("plan", str(demo_study_file()), "--out", str(other), "--set", "equipment.design=ring_3x16_4ft")
    assert done.returncode == 0 and "4-ft panels may let pigs out" in done.stdout + done.stderr
    kits = [table(one, "equipment").set_index("item") for one in (folder, other)]
    a_trap = [float((kit["each_per_trap"] * kit["unit_price_usd"]).sum()) for kit in kits]
    assert 110 <= a_trap[0] - a_trap[1] <= 120
    told = run("compare", str(folder), str(other)).stdout
    assert "cost_usd" in told and "equipment.design: ring_3x16_5ft -> ring_3x16_4ft" in told
    assert "trap_sets" in told and "person_hours" in told


def test_the_justification_says_what_the_tables_say(folder: Path) -> None:
    text = " ".join((folder / "justification.txt").read_text(encoding="utf-8").split())
    totals = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["totals"]
    for words in (
        f"{totals['habitat_acres']:,.1f} acres", f"{totals['traps']} traps", f"${totals['cost_usd']:,.2f}",
        f"{totals['trap_sets']} trap sets can serve {totals['sites_served']} sites", f"{totals['miles']:,.0f} miles",
    ):  # fmt: skip
        assert words in text, words
    assert "Local law and licensed practice come first" in text
