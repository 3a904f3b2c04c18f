"""The lines that the command line prints of a plan."""

from dataclasses import replace
from pathlib import Path

from allocator.core.cautions import HEADLINE
from allocator.outputs.plan_words import plan_words
from tests.unit.outputs.map_plan import make_plan as make_large
from tests.unit.outputs.plan_builder import make_plan


def test_it_begins_with_the_name_and_ends_with_the_caution_and_the_map() -> None:
    plan = make_plan()
    lines = plan_words(plan, Path("out")).splitlines()
    assert lines[0] == "Invented bottoms" and lines[1] == "  3 properties, 5 acres"
    assert lines[4] == "  2 sites chosen (optimal, within 0.0 % of the best possible)"
    assert lines[-3:] == ["  ! 1 trap has no site", f"  {HEADLINE}", f"  Map: {Path('out') / 'map.html'}"]
    assert "  at least $300.00" in lines


def test_one_is_one() -> None:
    plan = make_plan(1)
    words = plan_words(replace(plan, totals=replace(plan.totals, properties=1)), Path("out"))
    assert "  1 property, 5 acres" in words and "  1 site chosen (" in words and "1 trap set for 1 site" in words


def test_dates_crews_and_hours_stand_where_they_are_known() -> None:
    plan = make_large()
    known = replace(
        plan.totals, trap_sets=3, trap_sets_bound=2, sites_served=9, crews=1, person_hours=120.4, miles=88.8
    )
    words = plan_words(replace(plan, totals=known), Path("out"))
    assert "3 trap sets for 9 sites from 2027-02-01 to 2027-09-30 (at least 2)" in words
    assert "1 crew on the busiest day, 120 person-hours, 89 miles" in words
