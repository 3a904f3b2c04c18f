"""What kit and money are made from: trap designs, dated prices, cost lines. Checked where they are read.

Panels, posts and wire are bought in feet, inches and pounds. These are shop sizes, not measurements of the ground, so
they keep them, with the unit in every name. Money is `decimal.Decimal` in US dollars.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Literal

ObjectClass = Literal[
    "personnel", "fringe", "travel", "equipment", "supplies", "contractual", "construction", "other"
]  # fmt: skip
LineKind = Literal[
    "ordinary", "subaward", "rental", "participant_support", "tuition", "scholarship", "patient_care", "capital"
]
RateKind = Literal["de_minimis", "negotiated"]
ITEM_UNITS = {
    "panel": "each", "door": "each", "post": "each", "tie": "each", "bottom_wire": "ft", "stake": "each",
    "trigger": "each", "camera": "each", "feeder": "each", "sign": "each", "gloves": "pair", "eye_cover": "each",
    "bait": "lb", "mile": "mile",
}  # fmt: skip
"""Everything that has a price, and what is priced; a mile is what a truck costs, fuel and wear, for each one driven."""
CENT = Decimal("0.01")
REVISED_FROM = date(2024, 10, 1)
"""Awards from this day on follow the revised 2 CFR 200: the second of each pair of amounts (squaremeals.org)."""
DE_MINIMIS = (Decimal("0.10"), Decimal("0.15"))
"""Highest de minimis rate of indirect costs, fraction (squaremeals.org)."""


@dataclass(frozen=True, kw_only=True)
class Design:
    """One kind of trap: a ring of panels with a door, and what belongs to it.

    Parameters
    ----------
    panels : int
        Panels of the ring.
    panel_length_ft, panel_height_ft, mesh_wide_in, mesh_high_in : float
        Size of a panel, feet; opening of its mesh, inches.
    wire_gauge : float
        Gauge of the mesh wire: the higher, the thinner.
    overlap_ft : float
        By how much a panel laps over the next, feet.
    door_ft : float
        What the door adds to the way round, feet: its opening, without what laps over the panels. 0: the door is hung
        in or over a panel, adds nothing and replaces none.
    post_spacing_ft, post_length_ft : float
        Widest space between posts along the ring; length of a post: feet.
    extra_posts : int
        Posts beside those of the ring: at the door.
    ties_per_overlap, bottom_ties : int
        Places tied at each overlap, 1 or more; ties at the lowest of these, the bottom wire: 2 for tied twice.
    has_corners : bool
        The panels meet at corners, not in a ring.
    ties_per_post, bottom_wire_turns : int
        Ties to each post (0 where its clips hold the panel); how often a wire is laid round along the ground.
    stakes, triggers, cameras, feeders, signs, gloves, eye_covers : int
        Pieces (gloves: pairs) of each trap; 0 for none. The sign bears the owner's contact.
    bait_lb_per_night : float
        Bait of one trap and night, pounds.
    """

    panels: int
    panel_length_ft: float
    panel_height_ft: float
    mesh_wide_in: float
    mesh_high_in: float
    wire_gauge: float
    overlap_ft: float
    door_ft: float
    post_spacing_ft: float
    post_length_ft: float
    extra_posts: int
    ties_per_overlap: int
    bottom_ties: int
    has_corners: bool = False
    ties_per_post: int = 0
    bottom_wire_turns: int = 0
    stakes: int = 0
    triggers: int = 0
    cameras: int = 0
    feeders: int = 0
    signs: int = 0
    gloves: int = 0
    eye_covers: int = 0
    bait_lb_per_night: float = 0.0


@dataclass(frozen=True)
class Price:
    """What one piece of an item costs, by whom and when.

    Parameters
    ----------
    item : str
        Key of the item.
    unit_price_usd : Decimal
        Price of one unit, US dollars.
    unit : str
        What is priced: each, ft, pair.
    date, source : str
        Day of the price (year-month-day) and who quoted it.
    """

    item: str
    unit_price_usd: Decimal
    unit: str
    date: str
    source: str


def cents(amount_usd: Decimal) -> Decimal:
    """An amount in whole cents, half a cent rounded up (away from 0).

    Parameters
    ----------
    amount_usd : Decimal
        US dollars.

    Returns
    -------
    Decimal
        US dollars with two decimals.
    """
    return amount_usd.quantize(CENT, ROUND_HALF_UP)


@dataclass(frozen=True)
class CostLine:
    """One line of a budget.

    Parameters
    ----------
    words : str
        What is paid for.
    object_class : ObjectClass or None
        Class on the form; None where not decided: such a line is in no sum.
    quantity : Decimal
        How many.
    unit_cost_usd : Decimal or None
        Cost of one, US dollars; None where not known.
    kind : LineKind
        What it is for the base of indirect costs. `capital` is a capital expenditure outside construction.
    subaward_id : str
        Which subaward the line belongs to; blank unless the kind is `subaward`.
    """

    words: str
    object_class: ObjectClass | None
    quantity: Decimal
    unit_cost_usd: Decimal | None
    kind: LineKind = "ordinary"
    subaward_id: str = ""

    @property
    def amount_usd(self) -> Decimal | None:
        """Cost of the line, rounded half up to cents; None where the unit cost is not known."""
        return None if self.unit_cost_usd is None else cents(self.quantity * self.unit_cost_usd)


@dataclass(frozen=True)
class KitInputs:
    """The trap chosen for a study, and what things cost.

    Parameters
    ----------
    design_name : str
        Name of the design in its table.
    design : Design
        The design, with the panels that the settings ask for.
    prices : mapping of str to Price
        Price by item, as it holds for the design chosen; an item that is not here has no price.
    weights_lb : mapping of str to float
        Weight of one piece by item, pounds, as it holds for the design chosen.
    other_costs : tuple of CostLine
        Cost lines of the user's own.
    """

    design_name: str
    design: Design
    prices: Mapping[str, Price] = field(default_factory=dict)
    weights_lb: Mapping[str, float] = field(default_factory=dict)
    other_costs: tuple[CostLine, ...] = ()
