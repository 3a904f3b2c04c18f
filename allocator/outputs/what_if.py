"""What the page needs to answer 'what if': the numbers that traps are counted and shared by, with all their digits."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from allocator.core.results import Plan
from allocator.core.units import SQUARE_METRES_PER_ACRE
from allocator.outputs.columns import documented_values

USED_AT_TRAP = frozenset(["gloves", "eye_cover"])
"""Items of the kit that a complete trap works without; spares are none of it either."""


def what_if(plan: Plan, listed: Sequence[str] = ()) -> dict[str, Any]:
    """Habitat by complex and property, the rule of the plan and the price of a trap, for ``templates/what_if.js``.

    Parameters
    ----------
    plan : Plan
        The plan.
    listed : sequence of str
        Ids of the properties that the page lists, in its order; the others come after them.

    Returns
    -------
    dict
        ``properties``: how many there are. ``complexes``: of each that lies on signed-up land its habitat (``m2``), the
        traps ``standing`` in it already, and by property its place (``holders``) and the habitat (``sizes``, m2), in
        the order in which equal claims are settled. ``rule``: settings as the study has them. ``price``: dollars as
        text; blank where the price of a part is not known. Floats keep all their digits.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    shares = documented_values("trap_shares", plan.trap_shares)
    place_of = {name: place for place, name in enumerate(dict.fromkeys([*listed, *plan.properties["property_id"]]))}
    found = documented_values("complexes", plan.complexes)
    standing = dict(zip(found["complex_id"], found["existing_traps"].fillna(0), strict=True))
    complexes: dict[str, dict[str, Any]] = {}
    for row in shares.to_dict("records"):
        name = row["complex_id"]
        start = {"m2": row["complex_habitat_m2"], "standing": int(standing.get(name, 0)), "holders": [], "sizes": []}
        of = complexes.setdefault(name, start)
        of["holders"].append(place_of[row["property_id"]])
        of["sizes"].append(row["habitat_m2"])
    traps = plan.study.settings.traps
    return {
        "properties": len(place_of),
        "complexes": list(complexes.values()),
        "rule": {
            "acresPerTrap": traps.acres_per_trap,
            "onHand": traps.available,
            "rounding": traps.rounding,
            "shareBy": traps.share_by,
            "smallestAcres": traps.smallest_habitat_acres,
            "squareMetresPerAcre": SQUARE_METRES_PER_ACRE,
        },
        "price": trap_price(plan),
    }


def trap_price(plan: Plan) -> str:
    """Price of one complete trap with all its parts.

    Parameters
    ----------
    plan : Plan
        With the table ``equipment``.

    Returns
    -------
    str
        US dollars such as ``1822.20``; blank where no kit is listed or a part of it has no price.
    """
    kit = documented_values("equipment", plan.equipment)
    parts = kit[kit["each_per_trap"].notna() & ~kit["item"].isin(USED_AT_TRAP)]
    if not len(parts) or parts["unit_price_usd"].isna().any():
        return ""
    prices = zip(parts["unit_price_usd"], parts["each_per_trap"], strict=True)
    return f"{sum((Decimal(repr(usd)) * Decimal(repr(each)) for usd, each in prices), Decimal(0)):.2f}"
