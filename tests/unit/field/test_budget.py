"""Units, classes, indirect costs, match and cost of one."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.errors import SettingsError
from allocator.core.kit import CostLine, Price, cents
from allocator.field.budget import as_units, classed, indirect, match, mtdc, per, sf424a
from allocator.field.kit import KitItem, priced
from tests.builders import law

AWARD = date(2025, 3, 1)
ROWS = (
    # item, each, sets, spares, USD
    ("panel", 3, 10, 4, "75"),
    ("door", 1, 10, 1, "2500"),
    ("camera", 1, 10, 0, "400.5"),
    ("gloves", 2, 10, 2, "12"),
)


def kit(rows=ROWS):
    prices = {key: Price(key, Decimal(usd), "each", "2020-01-01", "an example") for key, *_, usd in rows if usd}
    return priced([KitItem(key, key, each, sets, spares, "each", None) for key, each, sets, spares, _ in rows], prices)


def line(usd, object_class="supplies", quantity="1", **more):
    return CostLine("a line", object_class, Decimal(quantity), None if usd is None else Decimal(usd), **more)


def test_amount_is_rounded_half_up_to_cents():
    assert line("0.125", quantity="1").amount_usd == Decimal("0.13")
    assert line("33.335", quantity="12.5").amount_usd == Decimal("416.69")  # 416.6875
    assert cents(Decimal("-0.005")) == Decimal("-0.01")
    assert line(None).amount_usd is None


def test_a_complete_trap_is_one_unit_with_all_that_makes_it_usable():
    units = {one.words: (one.quantity, one.unit_cost_usd) for one in as_units(kit(), "trap", 10)}
    assert units == {
        "Complete trap": (10, Decimal("3125.5")),  # 3 x 75 + 2500 + 400.5
        "Spare: panel": (4, 75),
        "Spare: door": (1, 2500),
        "gloves": (22, 12),
    }


def test_every_piece_is_its_own_unit():
    units = {one.words: (one.quantity, one.unit_cost_usd) for one in as_units(kit(), "item", 10)}
    assert units == {"panel": (34, 75), "door": (11, 2500), "camera": (10, Decimal("400.5")), "gloves": (22, 12)}


def test_what_counts_as_a_unit_decides_the_class():
    level = Decimal(3000)
    trap = {one.words: one.object_class for one in classed(as_units(kit(), "trap", 10), AWARD, level)}
    assert trap == {
        "Complete trap": "equipment", "Spare: panel": "supplies", "Spare: door": "supplies", "gloves": "supplies"
    }  # fmt: skip
    assert {one.object_class for one in classed(as_units(kit(), "item", 10), AWARD, level)} == {"supplies"}


def test_a_class_that_is_decided_stays():
    (one,) = classed([line("50000", "personnel")], AWARD, None)
    assert one.object_class == "personnel"


@law(200)
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from(["panel", "door", "post", "camera", "gloves", "bait"]),
            st.integers(1, 20),
            st.integers(0, 9),
            st.integers(0, 10**6),
        ),
        unique_by=lambda row: row[0],
    ),
    sets=st.integers(0, 40),
)
def test_the_kit_costs_the_same_whatever_a_unit_is(rows, sets):
    lines = kit([(key, each, sets, spares, str(Decimal(c) / 100)) for key, each, spares, c in rows])
    expected = sum(each * sets * c + spares * c for _, each, spares, c in rows)
    for unit in ("trap", "item"):
        assert sum(one.amount_usd * 100 for one in as_units(lines, unit, sets)) == expected


def test_a_missing_price_leaves_the_trap_blank_in_the_budget():
    rows = [*ROWS[:2], ("camera", 1, 10, 0, "")]
    lines = classed(as_units(kit(rows), "trap", 10), AWARD, None)
    assert lines[0].words == "Complete trap (no price: camera)"
    assert (lines[0].unit_cost_usd, lines[0].object_class) == (None, None)
    budget = sf424a(lines, rate=Decimal(0), award_date=AWARD)
    assert budget.blank == ("Complete trap (no price: camera)",)
    assert budget.total_usd == 4 * 75 + 2500


def test_a_line_without_class_is_in_no_sum():
    budget = sf424a([line("100", None), line("10")], rate=Decimal("0.1"), award_date=AWARD)
    assert (budget.direct_usd, budget.mtdc_usd, budget.total_usd, budget.blank) == (10, 10, 11, ("a line",))


def test_an_empty_budget_is_nothing():
    budget = sf424a([], rate=Decimal("0.15"), award_date=AWARD)
    assert {amount for _, _, amount in budget.rows} == {Decimal("0.00")}


def test_a_subaward_needs_an_id():
    with pytest.raises(SettingsError, match="subaward without id"):
        mtdc([line("100", "contractual", kind="subaward")], AWARD)


def test_a_de_minimis_rate_has_a_highest():
    lines = [line("1000")]
    before = date(2024, 9, 30)
    assert indirect(lines, Decimal("0.15"), date(2024, 10, 1)) == 150
    assert indirect(lines, Decimal("0.10"), before) == 100
    assert indirect(lines, Decimal("0.07"), AWARD) == 70
    with pytest.raises(SettingsError, match=r"15% found, .* at most 10% for an award of 2024-09-30"):
        indirect(lines, Decimal("0.15"), before)
    with pytest.raises(SettingsError, match=r"15\.01% found, .* at most 15%"):
        indirect(lines, Decimal("0.1501"), AWARD)
    assert indirect(lines, Decimal("0.32"), AWARD, "negotiated") == 320


@pytest.mark.parametrize("rate", ["-0.01", "NaN", "Infinity"])
def test_a_rate_that_is_none_is_refused(rate):
    with pytest.raises(SettingsError, match="indirect rate"):
        indirect([], Decimal(rate), AWARD, "negotiated")


def test_indirect_is_rounded_half_up():
    assert indirect([line("0.30")], Decimal("0.15"), AWARD) == Decimal("0.05")  # 0.045


@law(200)
@given(
    percent=st.integers(0, 99),
    base=st.sampled_from(["total", "federal"]),
    cents_given=st.integers(0, 10**9),
    known=st.sampled_from(["federal_usd", "total_usd"]),
)
def test_match_never_falls_short_and_is_never_a_cent_too_much(percent, base, cents_given, known):
    found = match(Decimal(percent), base, **{known: Decimal(cents_given) / 100})
    assert getattr(found, known) * 100 == cents_given
    assert found.federal_usd + found.match_usd == found.total_usd
    share = Decimal(percent) / 100
    assert found.match_usd >= share * getattr(found, f"{base}_usd")
    if found.match_usd > 0:
        less = found.match_usd - Decimal("0.01")
        federal = found.federal_usd + (Decimal("0.01") if known == "total_usd" else 0)
        assert less < share * (federal if base == "federal" else federal + less)


@pytest.mark.parametrize(
    ("percent", "base", "amounts"),
    [
        ("25", "total", {}),
        ("25", "total", {"federal_usd": Decimal(1), "total_usd": Decimal(1)}),
        ("100", "total", {"federal_usd": Decimal(1)}),
        ("-1", "federal", {"federal_usd": Decimal(1)}),
        ("NaN", "federal", {"federal_usd": Decimal(1)}),
    ],
)
def test_a_match_that_cannot_be_worked_out_is_refused(percent, base, amounts):
    with pytest.raises(SettingsError, match="match"):
        match(Decimal(percent), base, **amounts)


def test_a_match_as_large_as_the_federal_share_or_larger_can_be_asked():
    assert match(Decimal(100), "federal", total_usd=Decimal(500)).federal_usd == 250


def test_cost_of_one():
    assert per(Decimal(1000), 3) == Decimal("333.33")
    assert per(Decimal("0.25"), 2) == Decimal("0.13")
    assert per(Decimal(1000), 0.1) == Decimal("10000.00")
    assert per(Decimal(0), 4) == 0


@pytest.mark.parametrize(("amount", "count"), [(None, 3), (1, 0), (1, None), (1, float("nan")), (1, 0.0)])
def test_cost_of_one_is_blank_where_it_is_not_known(amount, count):
    assert per(None if amount is None else Decimal(amount), count) is None
