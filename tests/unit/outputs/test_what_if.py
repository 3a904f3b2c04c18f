"""The panel 'what if': the numbers that the page carries, and its own arithmetic beside that of the tool."""

import json
import math
from dataclasses import replace
from decimal import Decimal
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
import pytest

from allocator.core.kit import ITEM_UNITS
from allocator.core.settings import TrapSettings
from allocator.field.kit import TRAP_PARTS
from allocator.outputs.what_if import USED_AT_TRAP, trap_price, what_if
from allocator.traps.need import Pairs, traps_needed, work_out_need
from allocator.traps.sharing import share
from tests.builders import make_settings
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened
from tests.unit.outputs.map_plan import make_plan

RULES = ("largest_remainder", "webster", "huntington_hill")
HAS_BROWSER = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)


# ---- without a browser -------------------------------------------------------------------------------------------


def test_every_digit_reaches_the_page() -> None:
    plan = make_plan()
    third = 1e7 / 3
    shares = pd.DataFrame({"property_id": ["00004", "00001"], "complex_id": ["C2", "C2"],
                           "habitat_m2": [third, 0.1 + 0.2], "complex_habitat_m2": [third + 0.1] * 2})  # fmt: skip
    complexes = pd.concat([plan.complexes, plan.complexes.assign(complex_id="C2", existing_traps=3)])
    made = json.loads(json.dumps(what_if(replace(plan, trap_shares=shares, complexes=complexes))))
    assert made["complexes"] == [
        {"m2": third + 0.1, "standing": 3, "holders": [4, 1], "sizes": [third, 0.1 + 0.2]}
    ]  # fmt: skip
    assert made["rule"] == {"acresPerTrap": 300, "onHand": None, "rounding": "nearest", "shareBy": "largest_remainder",
                            "smallestAcres": 75, "squareMetresPerAcre": 4046.8564224}  # fmt: skip


def test_a_plan_without_signed_up_habitat_has_no_complexes() -> None:
    plan = make_plan()
    assert what_if(replace(plan, trap_shares=plan.trap_shares.iloc[:0]))["complexes"] == []


def test_a_complete_trap_is_what_the_budget_calls_one() -> None:
    assert frozenset(ITEM_UNITS) - TRAP_PARTS - {"bait", "mile"} == USED_AT_TRAP


def test_price_of_a_trap_by_hand() -> None:
    """3 panels at 75 and 13 posts at 8.50 make 335.50; gloves and bait are no part of the trap."""
    plan = make_plan()
    blank = plan.equipment.iloc[0].to_dict()
    rows = [("panel", 3.0, 75.0), ("post", 13.0, 8.5), ("gloves", 2.0, 14.0), ("bait", np.nan, 0.2)]
    kit = pd.DataFrame([blank | {"item": item, "each_per_trap": each, "unit_price_usd": usd}
                        for item, each, usd in rows])  # fmt: skip
    assert Decimal(trap_price(replace(plan, equipment=kit))) == Decimal("335.50")
    kit.loc[1, "unit_price_usd"] = np.nan
    assert trap_price(replace(plan, equipment=kit)) == ""
    assert trap_price(replace(plan, equipment=kit.iloc[3:])) == ""


# ---- in a browser ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def code(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A page with the arithmetic alone."""
    script = (resources.files("allocator.outputs") / "templates/what_if.js").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("code") / "code.html"
    path.write_text(f"<!doctype html><meta charset=utf-8><title>code</title><script>{script}</script>", "utf-8")
    with opened(path) as seen:
        yield seen


def _sizes(random: np.random.Generator) -> list[float]:
    """Sizes of every kind: whole ones that tie, tenths that no float holds, large, tiny, none."""
    kinds = [random.integers(1, 6), random.integers(1, 6) * 0.1, random.uniform(0, 1e8), random.uniform(0, 1e-3), 0.0]
    return [float(kinds[random.integers(5)]) for _ in range(random.integers(1, 10))]


@HAS_BROWSER
@pytest.mark.parametrize("rule", RULES)
def test_shares_are_those_of_the_tool(code: OpenPage, rule: str) -> None:
    random = np.random.default_rng(RULES.index(rule))
    cases = [(int(random.integers(0, 70)), sizes, rule) for _ in range(400) if any(sizes := _sizes(random))]
    cases += [(160, [3.31, 2.67, 1.33, 0.69], rule), (2, [1.0, 1.0, 1.0], rule), (3, [5e-324, 1e308], rule)]
    cases.append((2, [2.0**-1022, 2.0**-1023], rule))  # the second has no leading bit of its own
    found = code.page.evaluate("cases => cases.map((one) => share(...one))", cases)
    assert found == [share(*case) for case in cases]


@HAS_BROWSER
def test_rounding_is_that_of_the_tool(code: OpenPage) -> None:
    random = np.random.default_rng(3)
    exact = [0.0, 0.5, 1.5, 2.5, 2.5 - 1e-10, 2.5 - 1e-8, 3 + 1e-10, 3 - 1e-10, 3 + 1e-8, *random.uniform(0, 9, 300)]
    cases = [(one, rule, large) for one in exact for rule in ("nearest", "up", "down") for large in (True, False)]
    found = code.page.evaluate("cases => cases.map((one) => trapsNeeded(...one))", cases)
    assert found == [traps_needed(one, rule, is_large_enough=large) for one, rule, large in cases]


def _need(data: dict[str, Any], traps: TrapSettings, properties: int) -> Any:
    pairs = [(holder, place, size) for place, one in enumerate(data["complexes"])
             for holder, size in zip(one["holders"], one["sizes"], strict=True)]  # fmt: skip
    owner, complex_, m2 = (np.array(part) for part in zip(*pairs, strict=True))
    total = np.array([one["m2"] for one in data["complexes"]])
    return work_out_need(Pairs(owner, complex_, m2), total, properties=properties, traps=traps)


@HAS_BROWSER
@pytest.mark.parametrize("rule", RULES)
def test_need_of_many_complexes_with_the_smallest_habitat(code: OpenPage, rule: str) -> None:
    """Complexes that just reach the smallest habitat, by the last bit and not."""
    acre = 4046.8564224
    random = np.random.default_rng(11)
    complexes = []
    for m2 in (75 * acre, np.nextafter(75 * acre, 0), 75 * acre * (1 - 1e-8), 0.0, *random.uniform(0, 4e7, 30)):
        cuts = np.diff([0, *np.sort(random.uniform(0, m2, 5)), m2])
        complexes.append({"m2": float(m2), "standing": 0, "holders": random.permutation(12)[:6].tolist(),
                          "sizes": cuts.tolist()})  # fmt: skip
    for one in complexes:
        one["holders"].sort()
    for acres in (1.0, 74.9, 300.0, 1234.5):
        traps = make_settings(traps={"acres_per_trap": acres, "share_by": rule}).traps
        data = {"complexes": complexes, "rule": {"rounding": traps.rounding, "shareBy": rule, "smallestAcres": 75,
                                                 "squareMetresPerAcre": acre}}  # fmt: skip
        found = code.page.evaluate("one => workOutNeed(...one)", [data, acres, 12])
        need = _need(data, traps, 12)
        assert found["traps"] == need.complex_traps.sum()
        assert found["byProperty"] == (None if found["traps"] > 20_000 else need.property_traps.tolist())
        assert math.isclose(found["exact"], need.complex_exact.sum(), rel_tol=1e-13)


@HAS_BROWSER
def test_money_in_whole_cents(code: OpenPage) -> None:
    typed = ["1822.2", " 0.05 ", "7", "1.999", "-3", "1e3", "12,5", "999999999999.99"]
    found = code.page.evaluate("all => all.map((one) => { const c = centsOf(one); return c === null ? null : "
                               "dollarsOf(c * 3n); })", typed)  # fmt: skip
    known = [Decimal(one) * 3 for one in (typed[0], typed[1], typed[2], typed[7])]
    shown = [f"${one:,.2f}" for one in known]
    assert found == [*shown[:3], None, None, None, None, shown[3]]
