"""What a plan costs, added up by hand."""

import math
from datetime import date
from decimal import Decimal

import numpy as np
import pytest
import shapely

from allocator.core.errors import SettingsError
from allocator.core.kit import CostLine, Design, KitInputs, Price
from allocator.core.units import METRES_PER_MILE
from allocator.field.costs import COMPLETE_TRAP, DRIVING, LABOUR, cost_plan
from allocator.field.labour import Task
from allocator.field.open_days import Stages
from allocator.field.rotation import Rotation
from allocator.field.schedule import Schedule, plan_schedule
from allocator.field.trips import Trips
from tests.builders import PASTURE, make_settings, make_study

# 3 panels of 16 ft less 1 ft of overlap: 45 ft, a post every 5 ft and an extra one. A set: 3 panels, 1 door, 10 posts.
RING = Design(
    panels=3, panel_length_ft=16, panel_height_ft=5, mesh_wide_in=2, mesh_high_in=4, wire_gauge=12, overlap_ft=1,
    door_ft=0, post_spacing_ft=5, post_length_ft=6, extra_posts=1, ties_per_overlap=1, bottom_ties=0,
    bait_lb_per_night=10,
)  # fmt: skip
STAGES = Stages(build=2, pre_bait=14, capture=6, reset=1)
PANEL_AND_POST = {"panel": "75", "post": "10"}
UNITS = {"bait": "lb", "mile": "mile"}
LATE, EARLY = date(2024, 10, 1), date(2024, 9, 30)


def cost(
    prices=None, *, other=(), tasks=(), sets=2, sites=2, base_miles=None, design=RING, weights=None, **sections
):  # fmt: skip
    """Costs of so many sets at so many sites; spares of 10 percent unless the sections say otherwise."""
    prices = {
        item: Price(item, Decimal(usd), UNITS.get(item, "each"), "2026-01-01", "an example")
        for item, usd in (prices or {}).items()
    }
    sections["equipment"] = {"spare_percent": 10} | sections.get("equipment", {})
    study = make_study(
        np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], settings=make_settings(**sections),
        kit=KitInputs("ring", design, prices, weights or {}, tuple(other)),
    )  # fmt: skip
    rotation = Rotation(
        tuple(site % sets for site in range(sites)), (0,) * sites, (22,) * sites, sets, sets, sites, "optimal", ()
    )
    base_m = np.full(sites, math.nan if base_miles is None else base_miles * METRES_PER_MILE)
    trips = Trips((), (), base_m, np.zeros(sites), None if base_miles is None else 1, None, ())
    return cost_plan(study, Schedule(STAGES, None, frozenset(), 3, rotation, ()), trips, tasks)


def usd(text):
    return Decimal(text)


def task(hours):
    return Task("Build", 1, "sites", hours, "by hand")


def amounts(costs):
    return {one.words.split(",")[0]: one.amount_usd for one in costs.lines}


def row(costs, letter):
    return next(amount for of, _, amount in costs.budget.rows if of == letter)


def test_two_items_with_a_price_and_one_without():
    """6 panels and 1 spare at 75, 20 posts and 2 spares at 10: 525 + 220; the door has no price."""
    costs = cost(PANEL_AND_POST)
    assert {one.kit.item: (one.kit.total, one.amount_usd) for one in costs.kit} == {
        "panel": (7, usd("525.00")), "door": (3, None), "post": (22, usd("220.00")),
    }  # fmt: skip
    assert costs.total_usd == usd("745.00") and costs.budget is None
    assert costs.blank == ("door", DRIVING, "Bait (pounds)")


def test_without_an_award_the_total_is_the_sum_of_priced_lines_whatever_a_unit_is():
    """Bait: 10 lb on 14 + 6 nights at 2 sites is 400 lb, at 0.25 100 USD."""
    for unit in ("trap", "item"):
        costs = cost(PANEL_AND_POST | {"bait": "0.25"}, grant={"unit": unit, "indirect_percent": 15})
        assert costs.bait_lb == 400 and costs.bait_usd == usd("100.00")
        assert costs.total_usd == usd("845.00") == sum(one.amount_usd for one in costs.lines if one.amount_usd)
        assert costs.blank == ("door", DRIVING)


def test_a_complete_trap_without_one_price_is_in_no_sum_and_named():
    """As one unit the trap has no class; what is left is 1 spare panel, 2 spare posts and the bait: 75 + 20 + 100."""
    prices, grant = PANEL_AND_POST | {"bait": "0.25"}, {"award_date": LATE, "unit": "trap"}
    costs = cost(prices, grant=grant)
    assert costs.total_usd == usd("195.00") and costs.blank == ("door", COMPLETE_TRAP, DRIVING)
    by_item = cost(prices, grant=grant | {"unit": "item"})
    assert by_item.total_usd == usd("845.00") and by_item.blank == ("door", DRIVING)
    whole = cost(prices | {"door": "200"}, grant=grant)  # 2 traps of 3 x 75 + 200 + 10 x 10 = 525, a spare door
    assert whole.total_usd == usd("1445.00") == 195 + 2 * 525 + 200 and whole.blank == (DRIVING,)


@pytest.mark.parametrize(("owned", "bought"), [(0, 3), (1, 2), (3, 0), (5, 0)])
def test_sets_that_are_there_are_not_bought(owned, bought):
    """The ring of three sets weighs 3 x (3 x 40 + 50 + 10 x 8) = 750 lb, owned or not; spares are not hauled."""
    costs = cost(
        {"panel": "75", "post": "10", "door": "100"}, sets=3, sites=6, weights={"panel": 40, "door": 50, "post": 8},
        equipment={"owned": owned, "spare_percent": 0, "payload_lb": 500},
    )  # fmt: skip
    assert costs.bought == bought and costs.total_usd == bought * (225 + 100 + 100)
    assert (costs.loads.weight_lb, costs.loads.loads) == (750, 2)
    assert not bought or "door" not in costs.blank


def test_what_is_not_bought_is_not_missing_a_price():
    assert cost({"bait": "1"}, equipment={"owned": 2}, grant={"award_date": LATE}).blank == (DRIVING,)


def test_spares_are_whole_pieces_of_those_bought():
    """25 percent of 3 panels, 1 door and 10 posts is 0.75, 0.25 and 2.5: 1, 1 and 3."""
    costs = cost(PANEL_AND_POST | {"door": "1"}, equipment={"owned": 1, "spare_percent": 25})
    assert [one.kit.spares for one in costs.kit] == [1, 1, 3]
    assert costs.total_usd == 4 * 75 + 2 * 1 + 13 * 10


def test_bait_follows_nights_and_sites_not_sets():
    assert cost(sets=1, sites=5).bait_lb == 10 * (14 + 6) * 5
    assert cost(sites=0).bait_lb == 0


def test_labour_and_fringe():
    """100.5 and 20 hours at 20 USD: 2,010 and 400; 30 percent of 2,410 is 723."""
    tasks = (Task("Build", 1, "sites", 100.5, ""), Task("Check", 1, "visits", 20, ""), Task("Drive", 0, "miles", 0, ""))
    costs = cost({}, tasks=tasks, crews={"wage_usd_per_hour": 20, "fringe_percent": 30}, grant={"award_date": LATE})
    assert (row(costs, "a"), row(costs, "b")) == (usd("2410.00"), usd("723.00"))
    assert LABOUR not in costs.blank
    assert "Drive: person-hours" not in amounts(costs)
    (fringe,) = [one for one in costs.lines if one.object_class == "fringe"]
    assert fringe.words == "Fringe benefits, 30 percent of wages"


def test_labour_without_a_wage_is_named_once():
    costs = cost({}, tasks=(task(8), task(4)), crews={"fringe_percent": 30})
    assert costs.blank.count(LABOUR) == 1
    assert not [one for one in costs.lines if one.object_class == "fringe"]


def test_no_hours_no_fringe():
    costs = cost({}, tasks=(task(0), task(None)), crews={"wage_usd_per_hour": 20, "fringe_percent": 30})
    assert not [one for one in costs.lines if one.object_class in ("personnel", "fringe")]


def test_miles_are_travel():
    """2 sites x 2 ways x 3 days x 10 miles at 0.70."""
    costs = cost({"mile": "0.70"}, base_miles=10, grant={"award_date": LATE})
    assert row(costs, "c") == usd("84.00") and DRIVING not in costs.blank
    assert "Truck miles" in cost({}, base_miles=10).blank


@pytest.mark.parametrize(
    # from 5,000 before 1 October 2024 and 10,000 since, or the recipient's own level if lower: 2 CFR 200.1 (amounts:
    # squaremeals.org). Indirect: 10 percent of all but equipment.
    ("award", "level", "door", "equipment", "indirect"),
    [
        (EARLY, None, "5000", "15000.00", "74.50"),
        (EARLY, None, "4999.99", "0.00", "1574.50"),  # 745 + 14,999.97
        (LATE, None, "5000", "0.00", "1574.50"),
        (LATE, None, "10000", "30000.00", "74.50"),
        (LATE, "5000", "5000", "15000.00", "74.50"),
        (LATE, "75", "50", "525.00", "37.00"),  # panels of 75 are equipment; posts 220 and doors 150 are not
    ],
)
def test_the_award_decides_class_and_indirect(award, level, door, equipment, indirect):
    """3 doors beside 525 of panels and 220 of posts."""
    grant = {"award_date": award, "unit": "item", "indirect_percent": 10, "capitalisation_level_usd": level}
    costs = cost(PANEL_AND_POST | {"door": door}, grant=grant)
    assert row(costs, "d") == usd(equipment)
    direct = 745 + 3 * usd(door)
    assert row(costs, "e") == direct - usd(equipment)
    assert costs.budget.direct_usd == direct and costs.budget.indirect_usd == usd(indirect)
    assert costs.total_usd == row(costs, "k") == direct + usd(indirect)


def test_an_award_without_a_rate_has_no_indirect_costs():
    costs = cost(PANEL_AND_POST, grant={"award_date": LATE, "unit": "item"})
    assert costs.budget.indirect_usd == 0 and costs.total_usd == usd("745.00")


def test_a_negotiated_rate_may_be_higher():
    grant = {"award_date": LATE, "unit": "item", "indirect_percent": 40, "indirect_kind": "negotiated"}
    assert cost(PANEL_AND_POST, grant=grant).budget.indirect_usd == usd("298.00")


@pytest.mark.parametrize(
    ("base", "federal", "match"),
    [("total", "558.75", "186.25"), ("federal", "596.00", "149.00")],  # a quarter of 745; 745 x 25 / 125
)
def test_match_on_both_bases(base, federal, match):
    costs = cost(PANEL_AND_POST, grant={"match_percent": 25, "match_base": base})
    assert (costs.match.federal_usd, costs.match.match_usd) == (usd(federal), usd(match))
    assert costs.match.total_usd == costs.total_usd


def test_no_match_is_none():
    assert cost(PANEL_AND_POST).match is None


def budget_lines():
    """The constructed example of tests/known_values/test_federal_budget.py (2 CFR 200.1), not a published budget."""
    whole = (
        ("staff", "personnel", 60_000), ("benefits", "fringe", 18_000), ("trips", "travel", 4_000),
        ("goods", "supplies", 31_800), ("truck", "equipment", 34_500),
    )  # fmt: skip
    lines = [CostLine(words, of, Decimal(1), Decimal(amount)) for words, of, amount in whole]
    return [*lines, CostLine("partner", "contractual", Decimal(1), Decimal(60_000), "subaward", "first")]


def test_the_constructed_budget_as_other_costs():
    """208,300 direct; 15 percent of 163,800 (without the truck, and 50,000 of the subaward): 24,570; 232,870 in all."""
    settings = make_settings(grant={"award_date": LATE, "indirect_percent": 15}, crews={"wage_usd_per_hour": 20})
    study = make_study(
        np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], settings=settings,
        kit=KitInputs("ring", RING, {}, {}, tuple(budget_lines())),
    )  # fmt: skip
    trips = Trips((), (), np.empty(0), np.empty(0), None, None, ())
    costs = cost_plan(study, plan_schedule(settings, 0), trips, (task(0.0),))
    assert costs.blank == () and len(costs.lines) == 6
    assert costs.budget.mtdc_usd == usd("163800.00") and costs.total_usd == usd("232870.00")


def test_lines_of_the_user_without_a_price_are_named_in_their_words():
    """Whatever they are called: not taken for wages, nor for a part of the kit."""
    words = ("Coordinator", "Complete trap storage", "Post, 6 ft")
    classes = ("personnel", "other", "supplies")
    other = [CostLine(one, of, Decimal(1), None) for one, of in zip(words, classes, strict=True)]
    other.append(CostLine("Known", "other", Decimal(2), Decimal(5)))
    costs = cost(PANEL_AND_POST | {"door": "0", "bait": "0"}, other=other, base_miles=0)
    assert costs.blank == words and costs.total_usd == usd("755.00")


def test_a_price_of_nothing_is_a_price():
    costs = cost(PANEL_AND_POST | {"door": "0"})
    assert "door" not in costs.blank and costs.total_usd == usd("745.00")


def test_cost_of_one():
    costs = cost(PANEL_AND_POST)
    assert costs.each(2) == usd("372.50") and costs.each(7) == usd("106.43")
    assert costs.each(None) is None and costs.each(0) is None


def test_what_is_known_against_the_design_is_told():
    """4-ft panels may let pigs out: AgriLife L-5524 (2011)."""
    low = Design(**{**vars(RING), "panel_height_ft": 4})
    assert any("4-ft panels" in one for one in cost(design=low).known_against)
    assert not any("4-ft panels" in one for one in cost().known_against)


def test_a_price_for_another_unit_is_refused():
    study_prices = {"panel": Price("panel", Decimal(1), "ft", "2026-01-01", "an example")}
    study = make_study(np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], kit=KitInputs("ring", RING, study_prices))
    trips = Trips((), (), np.full(1, np.nan), np.zeros(1), None, None, ())
    with pytest.raises(SettingsError, match="panel per ft, expected panel per each"):
        cost_plan(study, plan_schedule(study.settings, 1), trips, ())
