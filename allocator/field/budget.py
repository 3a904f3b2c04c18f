"""Arithmetic of a US federal grant budget: object classes, indirect costs, match.

It is arithmetic, not advice: the rules of the awarding agency, the award and the recipient's own agreements come first.
Amounts are `decimal.Decimal` in US dollars; rates are fractions. Definitions follow 2 CFR 200.1; amounts before and
since its revision of 2024 are from a summary of the Texas Department of Agriculture (squaremeals.org). That the day of
the award decides which of them apply, not the day of purchase, is from memory, unverified.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import ROUND_CEILING, Decimal
from typing import Literal

from allocator.core.errors import SettingsError
from allocator.core.kit import CENT, DE_MINIMIS, REVISED_FROM, CostLine, ObjectClass, RateKind, cents
from allocator.field.kit import TRAP_PARTS, PricedItem

FORM_CLASSES: tuple[tuple[str, str, ObjectClass], ...] = (
    ("a", "Personnel", "personnel"), ("b", "Fringe benefits", "fringe"), ("c", "Travel", "travel"),
    ("d", "Equipment", "equipment"), ("e", "Supplies", "supplies"), ("f", "Contractual", "contractual"),
    ("g", "Construction", "construction"), ("h", "Other", "other"),
)  # fmt: skip
"""Object classes in the order of form SF-424A (field mapping of SF424A v1.0)."""

EQUIPMENT_USD = (Decimal(5_000), Decimal(10_000))
"""Unit cost from which a thing is equipment, whatever the recipient's own level."""
SUBAWARD_USD = (Decimal(25_000), Decimal(50_000))
"""First part of each subaward, which bears indirect costs."""


def object_class_of_unit(
    unit_cost_usd: Decimal, award_date: date, capitalisation_level_usd: Decimal | None
) -> Literal["equipment", "supplies"]:
    """Whether a lasting thing is equipment or supplies.

    Parameters
    ----------
    unit_cost_usd : Decimal
        Cost of one unit with all that makes it usable, US dollars.
    award_date : date
        Day of the award.
    capitalisation_level_usd : Decimal or None
        Unit cost from which the recipient's own books capitalise; None where it has no such level.

    Returns
    -------
    {"equipment", "supplies"}
        Equipment from the lesser of the recipient's level and the threshold at the award date.

    Examples
    --------
    >>> object_class_of_unit(Decimal("9999.99"), date(2025, 1, 1), None)
    'supplies'
    """
    threshold = EQUIPMENT_USD[award_date >= REVISED_FROM]
    level = threshold if capitalisation_level_usd is None else min(threshold, capitalisation_level_usd)
    return "equipment" if unit_cost_usd >= level else "supplies"


def as_units(lines: Sequence[PricedItem], unit: Literal["trap", "item"], sets: int) -> tuple[CostLine, ...]:
    """A priced kit as the units by which its object class is decided; the class itself is left open.

    Parameters
    ----------
    lines : sequence of PricedItem
        Kit of all sets, with prices.
    unit : {"trap", "item"}
        A complete trap with all that makes it usable is one unit (spares, gloves and the like stay their own), or every
        piece is.
    sets : int
        Complete traps.

    Returns
    -------
    tuple of CostLine
        One line for each kind of unit; whatever is chosen, they cost the same in all. A trap that lacks a price of one
        part has no cost; its words name the part.
    """
    parts = [one for one in lines if unit == "trap" and one.kit.item in TRAP_PARTS]
    units = []
    if parts:
        missing = ", ".join(one.kit.words for one in parts if not one.price)
        words = f"Complete trap (no price: {missing})" if missing else "Complete trap"
        cost_usd = sum((one.price.unit_price_usd * one.kit.each for one in parts if one.price), Decimal(0))
        units.append(CostLine(words, None, Decimal(sets), None if missing else cost_usd))
    for one in lines:
        in_traps, before = (one.kit.each * sets, "Spare: ") if one in parts else (0, "")
        cost = one.price.unit_price_usd if one.price else None
        units.append(CostLine(before + one.kit.words, None, Decimal(one.kit.total - in_traps), cost))
    return tuple(line for line in units if line.quantity)


def classed(
    units: Sequence[CostLine], award_date: date, capitalisation_level_usd: Decimal | None
) -> tuple[CostLine, ...]:
    """Lines with their class decided, equipment or supplies, wherever it was open and the unit cost is known.

    Parameters
    ----------
    units : sequence of CostLine
        Lines, the quantity of each counting units.
    award_date : date
        Day of the award.
    capitalisation_level_usd : Decimal or None
        The recipient's own level, US dollars; None where it has none.

    Returns
    -------
    tuple of CostLine
        The same lines in the same order.
    """
    return tuple(
        one
        if one.object_class or one.unit_cost_usd is None
        else replace(one, object_class=object_class_of_unit(one.unit_cost_usd, award_date, capitalisation_level_usd))
        for one in units
    )


def mtdc(lines: Sequence[CostLine], award_date: date) -> Decimal:
    """Modified total direct costs: the base of indirect costs.

    Parameters
    ----------
    lines : sequence of CostLine
        Direct costs; those without amount or class are left out.
    award_date : date
        Day of the award.

    Returns
    -------
    Decimal
        All direct costs but equipment, construction and other capital expenditure, rental, participant support,
        tuition, scholarships, patient care, and what exceeds the first part of each subaward, over all its lines.

    Raises
    ------
    SettingsError
        A subaward has no id.
    """
    for one in lines:
        if one.kind == "subaward" and not one.subaward_id:
            raise SettingsError(f"budget line {one.words!r}: a subaward without id found; give each subaward its own")
    base = Decimal("0.00")
    subawards: dict[str, Decimal] = {}
    for one in lines:
        if one.amount_usd is None or one.object_class in (None, "equipment", "construction"):
            continue
        if one.kind == "subaward":
            subawards[one.subaward_id] = subawards.get(one.subaward_id, Decimal("0.00")) + one.amount_usd
        elif one.kind == "ordinary":
            base += one.amount_usd
    most = SUBAWARD_USD[award_date >= REVISED_FROM]
    return base + sum((min(amount, most) for amount in subawards.values()), Decimal("0.00"))


def indirect(lines: Sequence[CostLine], rate: Decimal, award_date: date, rate_kind: RateKind = "de_minimis") -> Decimal:
    """Indirect costs on modified total direct costs.

    Parameters
    ----------
    lines : sequence of CostLine
        Direct costs.
    rate : Decimal
        Rate, fraction.
    award_date : date
        Day of the award.
    rate_kind : {"de_minimis", "negotiated"}
        A negotiated rate may be higher; its agreement may state another base than this one.

    Returns
    -------
    Decimal
        US dollars, rounded half up to cents.

    Raises
    ------
    SettingsError
        The rate is blank or negative, or a de minimis rate above the highest at the award date.
    """
    if not rate.is_finite() or rate < 0:
        raise SettingsError(f"indirect rate: {rate} found, 0 or more expected; correct it")
    most = DE_MINIMIS[award_date >= REVISED_FROM]
    if rate_kind == "de_minimis" and rate > most:
        raise SettingsError(
            f"indirect rate: {rate:%} found, but a de minimis rate is at most {most:.0%} for an award of "
            f"{award_date.isoformat()} (2 CFR 200); lower it, or call it negotiated if an agreement grants it"
        )
    return cents(mtdc(lines, award_date) * rate)


@dataclass(frozen=True)
class Budget:
    """A budget by object class.

    Parameters
    ----------
    rows : tuple of (str, str, Decimal)
        Lines a to k of form SF-424A, letter, words, US dollars: classes a to h, direct i, indirect j, total k.
    direct_usd, mtdc_usd, indirect_usd, total_usd : Decimal
        Lines i, the base of j, j and k.
    blank : tuple of str
        Lines without amount or class: in none of the sums, so that the true ones are higher.
    """

    rows: tuple[tuple[str, str, Decimal], ...]
    direct_usd: Decimal
    mtdc_usd: Decimal
    indirect_usd: Decimal
    total_usd: Decimal
    blank: tuple[str, ...]


def sf424a(lines: Sequence[CostLine], *, rate: Decimal, award_date: date, rate_kind: RateKind = "de_minimis") -> Budget:
    """The budget as form SF-424A adds it up.

    Parameters
    ----------
    lines : sequence of CostLine
        Direct costs.
    rate : Decimal
        Indirect rate, fraction.
    award_date : date
        Day of the award.
    rate_kind : {"de_minimis", "negotiated"}
        What the rate is.

    Returns
    -------
    Budget
        Lines a to k, the base of the indirect costs and what is blank.
    """
    known = [(one.object_class, one.amount_usd) for one in lines if one.amount_usd is not None]
    rows = tuple(
        (letter, words, sum((usd for name, usd in known if name == object_class), Decimal("0.00")))
        for letter, words, object_class in FORM_CLASSES
    )
    direct = sum((amount for _, _, amount in rows), Decimal("0.00"))
    base, charges = mtdc(lines, award_date), indirect(lines, rate, award_date, rate_kind)
    total = direct + charges
    sums = (("i", "Total direct charges", direct), ("j", "Indirect charges", charges), ("k", "Totals", total))
    blank = tuple(one.words for one in lines if one.amount_usd is None or one.object_class is None)
    return Budget((*rows, *sums), direct, base, charges, total, blank)


@dataclass(frozen=True)
class Match:
    """Federal and other share of a budget.

    Parameters
    ----------
    federal_usd, match_usd, total_usd : Decimal
        Federal share, match, both together: US dollars.
    """

    federal_usd: Decimal
    match_usd: Decimal
    total_usd: Decimal


def match(
    percent: Decimal,
    base: Literal["total", "federal"],
    *,
    federal_usd: Decimal | None = None,
    total_usd: Decimal | None = None,
) -> Match:
    """The match that goes with a federal share or is part of a total.

    Parameters
    ----------
    percent : Decimal
        Match in percent of the base: 0 or more, less than 100 of the total.
    base : {"total", "federal"}
        What the percent is taken of; the call for proposals says which.
    federal_usd, total_usd : Decimal, optional
        The one of the two that is known, US dollars.

    Returns
    -------
    Match
        All three. The match is rounded up to whole cents, so that it never falls short of the percent.

    Raises
    ------
    SettingsError
        Not just one amount is given, or the percent is out of range.

    Examples
    --------
    >>> match(Decimal(25), "total", federal_usd=Decimal(1_500_000)).match_usd
    Decimal('500000.00')
    >>> match(Decimal(25), "federal", federal_usd=Decimal(1_500_000)).match_usd
    Decimal('375000.00')
    """
    if not percent.is_finite() or percent < 0 or (base == "total" and percent >= 100):
        raise SettingsError(f"match: {percent} % of the {base} found, 0 or more expected (of the total: under 100)")
    if federal_usd is not None and total_usd is None:
        amount_usd, of = federal_usd, 100 - percent if base == "total" else Decimal(100)
    elif total_usd is not None and federal_usd is None:
        amount_usd, of = total_usd, 100 + percent if base == "federal" else Decimal(100)
    else:
        raise SettingsError("match: give the federal share or the total, not both and not neither")
    match_usd = (amount_usd * percent / of).quantize(CENT, ROUND_CEILING)
    if federal_usd is not None:
        return Match(cents(federal_usd), match_usd, cents(federal_usd) + match_usd)
    return Match(cents(amount_usd) - match_usd, match_usd, cents(amount_usd))


def per(amount_usd: Decimal | None, count: Decimal | float | None) -> Decimal | None:
    """Cost of one: a trap, an acre, a night.

    Parameters
    ----------
    amount_usd : Decimal or None
        Cost of all, US dollars; None where not known.
    count : Decimal or float or None
        How many; None or NaN where not known.

    Returns
    -------
    Decimal or None
        US dollars, rounded half up to cents; None where the cost or the count is not known, or the count is 0.
    """
    if amount_usd is None or not count or not math.isfinite(count):
        return None
    return cents(amount_usd / Decimal(str(count)))
