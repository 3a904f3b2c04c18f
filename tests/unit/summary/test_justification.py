"""Sentences of the justification: every number is one of the plan's; nothing is said that the plan does not hold."""

import math
import re
from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pytest
import shapely

from allocator.core.kit import KitInputs, Price
from allocator.core.results import Totals
from allocator.core.units import METRES_PER_MILE
from allocator.field.costs import cost_plan
from allocator.field.labour import labour
from allocator.field.schedule import Phase, plan_schedule
from allocator.field.trips import Round, Trips, Visits
from allocator.field.work import Work
from allocator.summary.justification import cost_counts, justification
from tests.builders import DESIGN, PASTURE, joined, make_settings, make_study

TOTALS = Totals(
    properties=17, area_acres=12345.67, habitat_acres=4321.08, habitat_units_acres=3000.5,
    enrolled_habitat_acres=2987.65, traps_exact=11.9506, traps=13, traps_low=9, traps_high=1918, traps_given=8,
    existing_traps=2, sites=5, shortfall=1, trap_sets=0, trap_sets_bound=0, sites_served=0, person_hours=None,
    miles=None, crews=None, cost_usd=0.0, unpriced=0,
)  # fmt: skip
SECTIONS = {
    "traps": {"acres_per_trap": 250},
    "calendar": {
        "first_day": date(2027, 2, 1), "last_day": date(2027, 4, 6), "holidays": "work", "build_days": 2,
        "pre_bait_days": 12, "capture_days": 4, "reset_days": 1,
    },
    "equipment": {"owned": 1, "spare_percent": 10, "payload_lb": 400},
    "crews": {"size": 3, "shift_hours": 7.5, "check_interval_hours": 36, "check_rule": "state rule",
              "wage_usd_per_hour": 21, "fringe_percent": 28, "road_mph": 24},
    "grant": {"award_date": date(2026, 1, 1), "unit": "item", "indirect_percent": "12.50", "match_percent": 20,
              "expected_pigs": 87},
}  # fmt: skip
PRICES = {"panel": "75.35", "post": "9.10", "bait": "0.31", "mile": "0.7"}
WEIGHTS = {"panel": 41.0, "door": 55.5, "post": 8.25, "tie": 0.1, "trigger": 6.0, "camera": 2.5, "sign": 1.0,
           "gloves": 0.3}  # fmt: skip
NUMBER = re.compile(r"\d{4}-\d\d-\d\d|\$?\d[\d,]*(?:\.\d+)?")


def told(*, sites=5, totals=TOTALS, prices=PRICES, weights=WEIGHTS, design=DESIGN, has_base=True, **sections):
    """Study, totals, work and text of a plan whose sites lie 4 miles from the base, on one round of 10 miles."""
    prices = {
        item: Price(item, Decimal(usd), {"bait": "lb", "mile": "mile"}.get(item, "each"), "2026-01-01", "an example")
        for item, usd in prices.items()
    }
    study = make_study(
        np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], settings=make_settings(**joined(SECTIONS, sections)),
        kit=KitInputs("ring", design, prices, weights),
    )  # fmt: skip
    schedule = plan_schedule(study.settings, sites)
    served = tuple(schedule.served.tolist())
    check = Visits("check", Phase(14, 17, served), 1, 1)
    legs_m = (10 * METRES_PER_MILE,)
    round_of = Round(check, 1, 1, served, legs_m, (0.25,) * len(served), 3.0, shapely.LineString())
    trips = Trips(
        (check,), (round_of,) if has_base else (),
        np.full(sites, 4 * METRES_PER_MILE if has_base else math.nan), np.full(sites, 0.1), 2 if has_base else None,
        None, (),
    )  # fmt: skip
    tasks = labour(study, schedule, trips)
    work = Work(schedule, trips, tasks, cost_plan(study, schedule, trips, tasks))
    totals = replace(
        totals, sites=sites, trap_sets=schedule.rotation.sets, trap_sets_bound=schedule.rotation.bound,
        sites_served=len(served),
    )  # fmt: skip
    return study, totals, work, " ".join(justification(study, totals, work))


def known_numbers(study, totals, work):
    """Every number that the plan holds, written as people write it; worked out here, not by the code under test."""
    costs, design, schedule = work.costs, study.kit.design, work.schedule
    crews, calendar, grant = study.settings.crews, study.settings.calendar, study.settings.grant
    whole = [
        totals.properties, totals.traps, totals.traps_low, totals.traps_high, totals.traps_given, totals.existing_traps,
        totals.sites, totals.shortfall, totals.trap_sets, totals.trap_sets_bound, totals.sites_served,
        totals.sites - totals.sites_served, schedule.rotation.sets, costs.bought, len(costs.blank), design.panels,
        crews.size, calendar.build_days + calendar.pre_bait_days + calendar.capture_days + calendar.reset_days,
        len(schedule.days or ()), 13,  # posts of the ring of 45 ft: common practice, no source
        round(costs.bait_lb), round(costs.loads.weight_lb), costs.loads.loads, work.trips.crews,
    ]  # fmt: skip
    whole += [round(one) for one in (work.person_hours, work.miles) if one is not None]
    plain = [study.settings.traps.acres_per_trap, design.panel_length_ft, design.panel_height_ft, crews.shift_hours,
             crews.check_interval_hours, float(grant.match_percent or 0)]  # fmt: skip
    money = [costs.total_usd]
    if costs.budget:
        money += [costs.budget.direct_usd, costs.budget.indirect_usd, costs.budget.mtdc_usd]
    if costs.match:
        money += [costs.match.match_usd, costs.match.federal_usd]
    counts = (totals.trap_sets, totals.sites_served, totals.enrolled_habitat_acres, grant.expected_pigs)
    money += [Decimal(f"{float(costs.total_usd) / count:.2f}") for count in counts if count]
    acres = (totals.area_acres, totals.habitat_acres, totals.enrolled_habitat_acres)
    return {
        *(f"{one:,d}" for one in whole if one is not None), *(f"{one:g}" for one in plain), *(f"${one:,.2f}" for one in
        money), *(f"{one:,.1f}" for one in acres), f"{totals.traps_exact:.2f}", f"{45 / math.pi:.1f}",
        str(calendar.first_day), str(calendar.last_day),
    }  # fmt: skip


def numbers_in(text):
    return [one.rstrip(",") for one in NUMBER.findall(text)]


PLANS = [
    {}, {"sites": 1}, {"sites": 0}, {"has_base": False}, {"prices": {}}, {"weights": {}},
    {"equipment": {"sets": 1}}, {"equipment": {"owned": 9}}, {"calendar": {"first_day": None, "last_day": None}},
    {"grant": {"award_date": None}}, {"grant": {"match_percent": None, "expected_pigs": None}},
    {"grant": {"indirect_percent": None}}, {"grant": {"match_base": "federal"}},
    {"calendar": {"closed": [(date(2027, 1, 1), date(2027, 12, 31))]}}, {"crews": {"available": 1, "build_hours": 20}},
    {"totals": replace(TOTALS, traps_given=13, existing_traps=0, shortfall=0)},
]  # fmt: skip


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_every_number_is_one_of_the_plan(plan):
    study, totals, work, text = told(**plan)
    strange = set(numbers_in(text)) - known_numbers(study, totals, work)
    assert not strange, (strange, text)
    assert "None" not in text and "nan" not in text and ".." not in text


def test_numbers_by_hand_stand_where_they_belong():
    """65 days, a stay of 19: a set does 3 sites, 5 sites take 2 sets. Bait 25 lb x 16 nights x 5 sites.

    A set weighs: panels 3 x 41, door 55.5, 13 posts x 8.25, 18 ties x 0.1, 6 + 2.5 + 1, 2 x 0.3: 297.65 lb, two 595.3.
    """
    *_, work, text = told()
    for words in (
        "On 17 properties with 12,345.7 acres, 4,321.1 acres score as feral swine habitat; 2,987.7 acres",
        "At one trap for 250 acres of habitat this is 11.95, and after rounding by complex 13 traps",
        "9 to 1,918.", "8 traps are at hand", "2 of them stand already", "5 sites were chosen", "1 trap has no site",
        "From 2027-02-01 to 2027-04-06, with 65 open days", "2 trap sets can serve 5 sites at 19 open days each",
        "fewer cannot do it", "a ring of 3 panels of 16 by 5 feet, 14.3 feet wide, on 13 posts",
        "1 trap set of 2 would be bought", "The trap sets in use weigh 595 pounds, 2 truck loads",
        "2,000 pounds of bait",
        "at least every 36 hours (state rule)", "crews of 3 and shifts of 7.5 hours the busiest day takes 2 crews",
        # one round of 10 miles on 4 days, and 2 x (2 + 1) days x 5 sites x 4 miles
        "160 miles of driving", f"{round(work.person_hours):,} person-hours",
        "One trap for 250 acres of habitat was set for this study",
    ):  # fmt: skip
        assert words in text, words
    budget = work.costs.budget
    assert f"The plan costs ${budget.total_usd:,.2f}: ${budget.direct_usd:,.2f} of direct and " in text
    assert (
        f"${budget.indirect_usd:,.2f} of indirect costs, on modified total direct costs of ${budget.mtdc_usd:,}" in text
    )
    assert (
        f"A match of 20 percent of the total is ${work.costs.match.match_usd:,.2f}, beside a federal share of" in text
    )
    assert f"${work.costs.total_usd / 87:,.2f} for one pig expected to be caught" in text
    assert f"${work.costs.total_usd / 2:,.2f} for one trap set, ${work.costs.total_usd / 5:,.2f} for one site" in text


def test_one_of_everything_is_singular():
    one = replace(TOTALS, properties=1, traps=2, traps_given=1, existing_traps=1)
    all_but_gloves = PRICES | dict.fromkeys(("door", "tie", "trigger", "camera", "sign"), "1")
    *_, text = told(sites=1, totals=one, prices=all_but_gloves, equipment={"owned": 0, "payload_lb": 5000})
    for words in (
        "1 property ", "1 trap is at hand", "1 of them stands", "1 site was chosen", "1 trap set can serve 1 site ",
        "The trap set in use weighs 298 pounds, 1 truck load by", "1 thing has no price",
    ):  # fmt: skip
        assert words in text, words
    for noun in ("propertys", "properties", "traps", "sites", "trap sets", "loads", "things", "crews", "posts"):
        assert not re.search(rf"\b1 {noun}\b", text), noun


def test_many_are_plural():
    *_, text = told(totals=replace(TOTALS, shortfall=3), prices={})
    for words in (
        "17 properties", "13 traps", "8 traps are", "2 of them stand ", "5 sites were", "3 traps have no site",
        "2 trap sets", "2 crews",
    ):  # fmt: skip
        assert words in text, words
    for noun in ("property", "trap", "site", "trap set", "truck load", "thing", "crew", "post", "panel"):
        assert not re.search(rf"(?<![.,\d])([02-9]|\d\d+) {noun}\b(?! set)", text), noun


def test_none_is_plural():
    text = told(sites=0, totals=replace(TOTALS, traps_given=0))[-1]
    assert "0 traps are at hand" in text and "0 sites were chosen" in text
    assert "0 trap sets of 2 would be bought" in told(equipment={"owned": 2})[-1]


def test_nothing_about_indirect_costs_or_match_where_there_are_none():
    for grant in ({"indirect_percent": None}, {"indirect_percent": 0}):
        *_, work, text = told(grant=grant)
        assert "direct" not in text and f"The plan costs ${work.costs.total_usd:,.2f}. " in text
    for grant in ({"match_percent": None}, {"match_percent": 0}):
        text = told(grant=grant)[-1]
        assert "match" not in text.lower() and "federal" not in text
    plain = told(grant={"award_date": None, "match_percent": None})[-1]
    assert "What has a price costs $" in plain and "direct" not in plain


def test_a_match_on_the_federal_share_says_so():
    assert "A match of 20 percent of the federal share is $" in told(grant={"match_base": "federal"})[-1]


def test_nothing_is_priced():
    *_, work, text = told(prices={}, crews={"wage_usd_per_hour": None})
    assert work.costs.total_usd == 0 and "$" not in text


def test_no_pigs_no_cost_of_one():
    study, totals, work, text = told(grant={"expected_pigs": None})
    assert "pig expected" not in text
    assert cost_counts(study, totals) == (
        ("trap set", 2), ("site served", 5), ("acre of habitat on signed-up land", 2987.65),
        ("pig expected to be caught", None),
    )  # fmt: skip
    assert work.costs.each(None) is None


def test_without_habitat_there_is_one_sentence():
    study, totals, work, _ = told()
    (only,) = justification(study, replace(totals, habitat_acres=0.0), work)
    assert "no feral swine habitat" in only and not numbers_in(only)


def test_more_sets_than_the_bound_are_not_called_the_fewest():
    study, totals, work, _ = told()
    text = " ".join(justification(study, replace(totals, trap_sets_bound=1), work))
    assert "at least 1 is needed" in text and "fewer cannot" not in text
    text = " ".join(justification(study, replace(totals, trap_sets=5, trap_sets_bound=3), work))
    assert "5 trap sets can serve" in text and "at least 3 are needed" in text


def test_sites_without_a_set_are_told():
    assert "1 trap set can serve 3 sites" in (text := told(equipment={"sets": 1})[-1])
    assert "2 sites get no trap set." in text
    undated = {"first_day": None, "last_day": None}
    text = told(calendar=undated, equipment={"sets": 4})[-1]
    assert "No dates are planned: 4 trap sets for 5 sites" not in text
    assert "No dates are planned: 4 trap sets for 4 sites" in text and "1 site gets no trap set." in text
    none = told(calendar={"first_call": date(2027, 4, 1)})[-1]
    assert "5 sites get no trap set." in none and "can serve" not in none and "A trap is" not in none


def test_driving_that_is_not_known_has_no_sentence():
    text = told(has_base=False)[-1]
    assert "miles" not in text and "crew" not in text


def test_weights_that_are_not_known_have_no_sentence():
    assert "weigh" not in told(weights={"panel": 40.0})[-1]


def test_a_trap_with_corners_is_no_ring():
    text = told(design=replace(DESIGN, has_corners=True))[-1]
    assert (
        "A trap is 3 panels of 16 by 5 feet with corners, on 13 posts." in text
        and "ring" not in text.split("A trap")[1]
    )


def test_the_usual_rule_is_called_common_practice():
    """300 acres for each trap: common practice, no source."""
    text = told(traps={"acres_per_trap": 300})[-1]
    assert "One trap for 300 acres of habitat is common practice; no published source is known." in text
    assert "was set for this study" not in text
    assert text.endswith("camera surveys come before traps are built.")
