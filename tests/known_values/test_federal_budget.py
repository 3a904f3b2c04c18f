"""A constructed federal budget to the cent, the thresholds by date, and the match of a pilot's award cap."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from allocator.core.kit import CostLine
from allocator.field.budget import match, mtdc, object_class_of_unit, sf424a

AWARD = date(2025, 3, 1)


def whole(words, object_class, usd, **more):
    return CostLine(words, object_class, Decimal(1), Decimal(usd), **more)


# Constructed by hand under 2 CFR 200.1; not a published budget.
LINES = (
    whole("personnel", "personnel", 60_000),
    whole("fringe", "fringe", 18_000),
    whole("travel", "travel", 4_000),
    whole("supplies", "supplies", 31_800),
    whole("equipment", "equipment", 34_500),
    whole("one subaward", "contractual", 60_000, kind="subaward", subaward_id="first"),
)


def test_constructed_budget_to_the_cent():
    """60,000 + 18,000 + 4,000 + 31,800 + 50,000 of the subaward = 163,800; 15 % of it and 208,300 make 232,870."""
    budget = sf424a(LINES, rate=Decimal("0.15"), award_date=AWARD)
    assert budget.direct_usd == Decimal("208300.00")
    assert budget.mtdc_usd == Decimal("163800.00")
    assert budget.indirect_usd == Decimal("24570.00")
    assert budget.total_usd == Decimal("232870.00")
    assert Decimal("0.15") * budget.direct_usd - budget.indirect_usd == 6675  # what the whole as base would overstate


def test_lines_of_the_form():
    """Lines a to k in the order of SF-424A v1.0 (field mapping at mapfiles.wvu.edu): i sums a to h, k = i + j."""
    rows = sf424a(LINES, rate=Decimal("0.15"), award_date=AWARD).rows
    assert {letter: int(amount) for letter, _, amount in rows} == {
        "a": 60_000, "b": 18_000, "c": 4_000, "d": 34_500, "e": 31_800, "f": 60_000, "g": 0, "h": 0,
        "i": 208_300, "j": 24_570, "k": 232_870,
    }  # fmt: skip
    assert [letter for letter, _, _ in rows] == list("abcdefghijk")


# 10,000 from 1 October 2024, 5,000 before, or the recipient's own level if lower: 2 CFR 200.1, amounts from a summary
# of the Texas Department of Agriculture (squaremeals.org).
UNITS = [
    ("9999.99", date(2024, 10, 1), None, "supplies"),
    ("10000.00", date(2024, 10, 1), None, "equipment"),
    ("9999.99", date(2024, 9, 30), None, "equipment"),
    ("5000.00", date(2024, 9, 30), None, "equipment"),
    ("4999.99", date(2024, 9, 30), None, "supplies"),
    ("2500.00", date(2025, 1, 1), "2500", "equipment"),
    ("2499.99", date(2025, 1, 1), "2500", "supplies"),
    ("10000.00", date(2025, 1, 1), "25000", "equipment"),
    ("5000.00", date(2024, 1, 1), "25000", "equipment"),
]


@pytest.mark.parametrize(("usd", "day", "level", "expected"), UNITS)
def test_equipment_or_supplies(usd, day, level, expected):
    assert object_class_of_unit(Decimal(usd), day, None if level is None else Decimal(level)) == expected


def test_the_base_before_the_revision_takes_25_000_of_a_subaward():
    """First 25,000 of each subaward before, 50,000 since: the same summary. 163,800 less 25,000."""
    assert mtdc(LINES, date(2024, 9, 30)) == 138_800
    assert mtdc(LINES, date(2024, 10, 1)) == 163_800


@pytest.mark.parametrize("kind", ["rental", "participant_support", "tuition", "scholarship", "patient_care", "capital"])
def test_what_the_base_excludes(kind):
    """Exclusions of modified total direct costs: 2 CFR 200.1, as quoted by a public university's page on its base."""
    assert mtdc((*LINES, whole("more", "other", 7_000, kind=kind)), AWARD) == 163_800
    assert mtdc((*LINES, whole("more", "other", 7_000)), AWARD) == 170_800
    assert mtdc((*LINES, whole("a shed", "construction", 7_000)), AWARD) == 163_800


def test_every_subaward_brings_its_own_first_part():
    """`Each subaward (regardless of the period of performance)`: 2 CFR 200.1."""
    year = replace(LINES[-1], unit_cost_usd=Decimal(30_000))
    assert mtdc((*LINES[:-1], year, replace(year, words="second year of the same")), AWARD) == 163_800
    other = replace(LINES[-1], subaward_id="second")
    assert mtdc((*LINES, other), AWARD) == 213_800


def test_match_of_the_award_cap_on_either_base():
    """A pilot with awards up to 1.5 million USD asked for at least 25 % of the agreement's budget (kfyo.com 2019); both
    readings of the base computed."""
    federal = Decimal(1_500_000)
    of_total = match(Decimal(25), "total", federal_usd=federal)
    assert (of_total.match_usd, of_total.total_usd) == (500_000, 2_000_000)
    of_federal = match(Decimal(25), "federal", federal_usd=federal)
    assert (of_federal.match_usd, of_federal.total_usd) == (375_000, 1_875_000)
