"""The panel 'what if' in a browser: every number is what the tool works out for the same settings."""

import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import from_wkt, points

import allocator.plan
from allocator import demo_study_file, plan_traps, read_study
from allocator.core.results import Plan
from allocator.core.study import Study
from allocator.outputs.web_map import map_page
from allocator.traps.need import Need, need_of_areas
from tests.builders import make_settings, make_study, objects, parcels, rough_land
from tests.journey.browser import NO_BROWSER, find_browser, opened

pytestmark = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
ROUNDINGS, RULES = ("nearest", "up", "down"), ("largest_remainder", "webster", "huntington_hill")
SETTINGS = 20
ANSWER = """() => Object.fromEntries([...document.querySelectorAll("[data-answer]")]
  .map((part) => [part.dataset.answer, part.textContent]))"""
ROWS = """() => [...document.querySelectorAll("#what-if-rows tr")].map((row) =>
  [...row.cells].slice(1).map((cell) => cell.textContent))"""


def _random_study() -> Study:
    """Land in blobs, 60 parcels of which some overlap the next and a third has not signed, and traps that stand."""
    random = np.random.default_rng(5)
    shapes = [one.buffer(random.choice([0, 0, 40])) for one in parcels(10, 6, 1000)]
    roads = [f"LINESTRING ({x} 0, {x} 6000)" for x in range(500, 10_000, 1000)]
    settings = make_settings(traps={"smallest_habitat_acres": 20}, sites={"seconds": 2})
    return make_study(
        rough_land(300, 500, 4), shapes, cell_m=20.0, enrolled=(random.random(len(shapes)) < 0.67).tolist(),
        roads=list(from_wkt(roads)), settings=settings,
        existing_traps=objects(list(points(random.uniform(500, 5500, (4, 2))))),
    )  # fmt: skip


@pytest.fixture(scope="module", params=["demo", "random"])
def planned(request: pytest.FixtureRequest) -> Iterator[tuple[Plan, Any, Any]]:
    """A plan, and the areas and the enrolled from which it worked out its need."""
    study = read_study(demo_study_file()) if request.param == "demo" else _random_study()
    seen: list[Any] = []

    def noted(areas: Any, enrolled: Any, traps: Any) -> Need:
        seen.append((areas, enrolled))
        return need_of_areas(areas, enrolled, traps)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(allocator.plan, "need_of_areas", noted)
        plan = plan_traps(study)
    yield plan, *seen[0]


def _with(plan: Plan, **changes: Any) -> Plan:
    settings = plan.study.settings
    traps = settings.traps.model_copy(update=changes)
    return replace(plan, study=replace(plan.study, settings=settings.model_copy(update={"traps": traps})))


def test_the_table_holds_what_the_need_was_worked_out_from(planned: tuple[Plan, Any, Any]) -> None:
    plan, areas, enrolled = planned
    table, signed = plan.trap_shares, enrolled[areas.pair_property]
    assert len(table) == signed.sum() > 10
    assert table["habitat_m2"].tolist() == areas.pair_m2[signed].tolist()
    assert table["complex_habitat_m2"].tolist() == areas.complex_enrolled_m2[areas.pair_complex[signed]].tolist()
    if plan.study.properties.ids[0] == "000":  # the random study has what makes it hard
        shared_m2 = table.groupby("complex_id")["habitat_m2"].sum()
        whole_m2 = table.groupby("complex_id")["complex_habitat_m2"].first()
        assert (shared_m2 > whole_m2 + 1).any() and plan.totals.existing_traps > 0
    of_complex = dict(zip(plan.complexes["complex_id"], range(len(plan.complexes)), strict=True))
    assert [of_complex[one] for one in table["complex_id"]] == areas.pair_complex[signed].tolist()


@pytest.mark.parametrize("rounding", ROUNDINGS)
def test_every_number_is_that_of_the_tool(planned: tuple[Plan, Any, Any], rounding: str, tmp_path: Path) -> None:
    plan, areas, enrolled = planned
    random = np.random.default_rng(ROUNDINGS.index(rounding))
    path = tmp_path / "map.html"
    for rule in RULES:
        asked = _with(plan, rounding=rounding, share_by=rule)
        page_text = map_page(replace(asked, scores={}))  # without the picture of the score, which is slow to draw
        path.write_text(page_text, encoding="utf-8")
        with opened(path) as seen:
            for _ in range(SETTINGS):
                acres = float(np.round(random.uniform(20, 900), int(random.integers(0, 4))))
                hand = None if random.random() < 0.3 else int(random.integers(0, 40))
                cents = int(random.integers(0, 500_000))
                seen.page.fill("[name=acres]", repr(acres))
                seen.page.fill("[name=price]", f"{cents // 100}.{cents % 100:02}")
                seen.page.fill("[name=hand]", "" if hand is None else str(hand))
                seen.page.wait_for_timeout(30)
                traps = asked.study.settings.traps.model_copy(update={"acres_per_trap": acres})
                need = need_of_areas(areas, enrolled, traps)
                _check(seen.page, plan, need, hand=hand, cents=cents)
            assert seen.faults == [] and seen.requests == []


def _check(page: Any, plan: Plan, need: Need, *, hand: int | None, cents: int) -> None:
    told, rows = page.evaluate(ANSWER), page.evaluate(ROWS)
    standing = np.minimum(plan.complexes["existing_traps"].to_numpy(int), need.complex_traps).sum()
    wanted = int(need.complex_traps.sum() - standing)
    placed = wanted if hand is None else min(hand, wanted)
    assert told["fault"] == ""
    assert math.isclose(float(told["exact"].replace(",", "")), need.complex_exact.sum(), abs_tol=0.00501)
    assert told["traps"] == f"{need.complex_traps.sum():,}"
    assert told["standing"] == f"{standing:,}" and told["placed"] == f"{placed:,}"
    assert told["cost"] == f"${placed * cents // 100:,}.{placed * cents % 100:02}"
    assert told["holders"] == f"{(need.property_traps > 0).sum():,}"
    ids = plan.properties["property_id"].tolist()
    known = {name: str(count) for name, count in zip(ids, need.property_traps.tolist(), strict=True)}
    assert {row[0]: row[2] for row in rows} == {
        name: known[name] for name, now in zip(ids, plan.properties["traps"], strict=True) if now or known[name] != "0"
    }  # fmt: skip


def test_the_panel_opens_with_the_plan_itself(planned: tuple[Plan, Any, Any], tmp_path: Path) -> None:
    plan = planned[0]
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(plan, scores={})), encoding="utf-8")
    with opened(path) as seen:
        told = seen.page.evaluate(ANSWER)
        assert told["same"] == "These are this plan's own settings."
        assert told["traps"] == f"{plan.totals.traps:,}" and told["exact"] == f"{plan.totals.traps_exact:,.2f}"
        rows = seen.page.evaluate(ROWS)
        assert all(now == then and change == "same" for _, now, then, change in rows)
        assert sum(int(row[1]) for row in rows) == plan.totals.traps
        trap = plan.budget.query("words == 'Complete trap'")["unit_cost_usd"]
        assert seen.page.input_value("[name=price]") == (f"{trap.iloc[0]:.2f}" if len(trap) else "")


def test_the_command_that_is_named_plans_the_same_number(tmp_path: Path) -> None:
    """What the panel says for 250 acres is what the whole plan says with the settings that the panel names."""
    demo = read_study(demo_study_file())
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(plan_traps(demo), scores={})), encoding="utf-8")
    with opened(path) as seen:
        seen.page.fill("[name=acres]", "250")
        seen.page.fill("[name=hand]", "12")
        seen.page.wait_for_timeout(50)
        told = seen.page.evaluate(ANSWER)
        body = seen.page.inner_text("#what-if")
    assert "Sites, trap sets and season are not planned anew here." in body
    named = dict(re.findall(r"--set (\S+)=(\S+)", told["command"]))
    assert named == {"traps.acres_per_trap": "250", "traps.available": "12"}
    again = plan_traps(read_study(demo_study_file(), list(f"{key}={value}" for key, value in named.items())))
    assert told["traps"] == str(again.totals.traps) and told["placed"] == str(again.totals.traps_given)
