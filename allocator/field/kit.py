"""A trap design becomes a ring, a kit list, truck loads and a price.

Panels, posts and wire are bought in feet, inches and pounds. These are shop sizes, not measurements of the ground, so
this module keeps them, with the unit in every name. Money is `decimal.Decimal` in US dollars. Designs, counts and
prices are taken as checked: finite, none negative, sizes and spacing above 0, an overlap shorter than the panel.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal

from allocator.core.errors import SettingsError
from allocator.core.kit import CENT, Design, Price

TRAP_PARTS = frozenset(["panel", "door", "post", "tie", "bottom_wire", "stake", "trigger", "camera", "feeder", "sign"])
"""Items that together make a trap usable; the others are used at it."""
HAIR = 1e-9
"""Keeps a quotient that is whole but for float rounding from being rounded up."""


@dataclass(frozen=True)
class Ring:
    """Measures of the ring that the panels of a design make.

    Parameters
    ----------
    circumference_ft, rope_ft, diameter_ft, area_ft2 : float
        Way round, marking rope from the centre (the radius), width: feet; ground inside, square feet.
    posts : int
        Posts round the ring and the extra ones.
    ties : int
        Wire ties at the overlaps and at the posts.
    overlaps : int
        Places where a piece of the ring laps over the next; a door of its own width is a piece.
    """

    circumference_ft: float
    rope_ft: float
    diameter_ft: float
    area_ft2: float
    posts: int
    ties: int
    overlaps: int


def ring(design: Design) -> Ring:
    """The ring that the panels of a design make: marking rope, posts, ties.

    Parameters
    ----------
    design : Design
        Kind of trap. With corners the circumference, posts and ties hold; rope, width and area are those of a ring of
        the same panels.

    Returns
    -------
    Ring
        Its measures.

    Notes
    -----
    In a closed ring every panel laps over the next one, the last over the first, so each gives its length less one
    overlap: circumference = n (L - overlap) + door. The rope is the radius, circumference / (2 pi). As the ring is
    closed, n spaces have n posts: circumference / spacing, rounded up, plus the extra ones.

    Examples
    --------
    >>> small = Design(panels=3, panel_length_ft=16, panel_height_ft=5, mesh_wide_in=2, mesh_high_in=4, wire_gauge=12,
    ...                overlap_ft=1, door_ft=0, post_spacing_ft=4, post_length_ft=6, extra_posts=1,
    ...                ties_per_overlap=5, bottom_ties=2)
    >>> made = ring(small)
    >>> made.circumference_ft, round(made.rope_ft * 12), made.posts, made.ties
    (45.0, 86, 13, 18)
    """
    circumference_ft = float(design.panels * (design.panel_length_ft - design.overlap_ft) + design.door_ft)
    radius_ft = circumference_ft / (2 * math.pi)
    overlaps = design.panels + (design.door_ft > 0)
    posts = math.ceil(circumference_ft / design.post_spacing_ft - HAIR) + design.extra_posts
    ties = overlaps * (design.ties_per_overlap - 1 + design.bottom_ties) + posts * design.ties_per_post
    return Ring(circumference_ft, radius_ft, 2 * radius_ft, math.pi * radius_ft**2, posts, ties, overlaps)


def holds(design: Design) -> tuple[str, ...]:
    """What is known against a design, one warning each with its source.

    Parameters
    ----------
    design : Design
        Kind of trap.

    Returns
    -------
    tuple of str
        Warnings; empty where nothing is known against the design, which is no promise that it holds.
    """
    practice = "(common practice, no source)"
    narrow, wide = sorted((design.mesh_wide_in, design.mesh_high_in))
    mesh = f"Mesh {design.mesh_wide_in:g} x {design.mesh_high_in:g} in"
    found = []
    if design.panel_height_ft < 5:
        found.append(f"Height {design.panel_height_ft:g} ft: 4-ft panels may let pigs out (AgriLife L-5524, 2011)")
    if narrow >= 4 and wide >= 6:
        found.append(f"{mesh}: 4 x 6 in lets animals of 40 lb through {practice}")
    elif wide > 4 and narrow > 2:
        found.append(f"{mesh}: larger than the usual 2 x 4 and 4 x 4 in; what it lets through is not known {practice}")
    if design.has_corners:
        found.append("Corners: animals pile up in them and climb out; build a ring (georgiaferalswine.com)")
    if design.wire_gauge > 12:
        found.append(f"Wire of gauge {design.wire_gauge:g} is thin: take 12 rather than 16 {practice}")
    if design.ties_per_overlap < 5 or design.bottom_ties < 2:
        places = f"Overlaps tied in {design.ties_per_overlap} places, the bottom wire {design.bottom_ties} times"
        found.append(f"{places}: 5 to 6, the bottom twice, are usual, more on light soil {practice}")
    return tuple(found)


@dataclass(frozen=True)
class KitItem:
    """One line of a kit list.

    Parameters
    ----------
    item : str
        Key: panel, door, post, tie, bottom_wire, stake, trigger, camera, feeder, sign, gloves, eye_cover.
    words : str
        What it is, with its size.
    each, traps, spares : int
        Pieces of each trap set, trap sets, pieces beyond those of the sets.
    unit : str
        What one piece is: each, ft, pair.
    weight_lb : float or None
        Weight of one piece, pounds; None where not known.
    """

    item: str
    words: str
    each: int
    traps: int
    spares: int
    unit: str
    weight_lb: float | None

    @property
    def total(self) -> int:
        """Pieces to have: those of all sets and the spares."""
        return self.each * self.traps + self.spares


def kit_list(
    design: Design, sets: int, spare_percent: float, weights_lb: Mapping[str, float] | None = None
) -> tuple[KitItem, ...]:
    """Everything that a number of trap sets is made of; items without a count are left out.

    Parameters
    ----------
    design : Design
        Kind of trap.
    sets : int
        Trap sets.
    spare_percent : float
        Spares of every item in percent of the sets' own, rounded up to whole pieces.
    weights_lb : mapping of str to float, optional
        Weight of one piece by item, pounds (wire: one foot). An item that is not named has no known weight.

    Returns
    -------
    tuple of KitItem
        Lines in the order of building.
    """
    made = ring(design)
    mesh = f"mesh {design.mesh_wide_in:g} x {design.mesh_high_in:g} in, gauge {design.wire_gauge:g}"
    wire_ft = math.ceil(design.bottom_wire_turns * made.circumference_ft - HAIR)
    door = f"Door, opening {design.door_ft:g} ft" if design.door_ft else "Door, hung in a panel"
    lines = (
        ("panel", f"Panel, {design.panel_length_ft:g} x {design.panel_height_ft:g} ft, {mesh}", design.panels, "each"),
        ("door", door, 1, "each"),
        ("post", f"Post, {design.post_length_ft:g} ft", made.posts, "each"),
        ("tie", "Wire tie", made.ties, "each"),
        ("bottom_wire", "Wire along the ground", wire_ft, "ft"),
        ("stake", "Stake", design.stakes, "each"), ("trigger", "Trigger", design.triggers, "each"),
        ("camera", "Camera", design.cameras, "each"), ("feeder", "Feeder", design.feeders, "each"),
        ("sign", "Sign with the owner's contact", design.signs, "each"),
        ("gloves", "Gloves", design.gloves, "pair"), ("eye_cover", "Eye cover", design.eye_covers, "each"),
    )  # fmt: skip
    share, weights = Decimal(str(spare_percent)) / 100, weights_lb or {}
    return tuple(
        KitItem(item, words, each, sets, int((each * sets * share).to_integral_value(ROUND_CEILING)), unit,
                weights.get(item))
        for item, words, each, unit in lines
        if each
    )  # fmt: skip


@dataclass(frozen=True)
class Loads:
    """Truck loads of a kit by weight.

    Parameters
    ----------
    weight_lb : float
        Weight of the items whose weight is known, pounds.
    loads : int or None
        Loads, by weight alone: whole pieces and the room they take may need more. None where a weight is not known.
    unweighed : tuple of str
        Items whose weight is not known.
    """

    weight_lb: float
    loads: int | None
    unweighed: tuple[str, ...]


def truck_loads(items: Sequence[KitItem], payload_lb: float) -> Loads:
    """Truck loads that a kit takes.

    Parameters
    ----------
    items : sequence of KitItem
        Kit, spares included.
    payload_lb : float
        What a truck or its trailer carries, pounds.

    Returns
    -------
    Loads
        Weight, loads, and what could not be weighed.
    """
    unweighed = tuple(one.item for one in items if one.weight_lb is None and one.total)
    weight_lb = math.fsum(one.weight_lb * one.total for one in items if one.weight_lb is not None)
    return Loads(weight_lb, None if unweighed else math.ceil(weight_lb / payload_lb - HAIR), unweighed)


@dataclass(frozen=True)
class PricedItem:
    """A line of a kit list with its price.

    Parameters
    ----------
    kit : KitItem
        The line.
    price : Price or None
        Its price; None where there is none.
    """

    kit: KitItem
    price: Price | None

    @property
    def amount_usd(self) -> Decimal | None:
        """Price of the whole line, rounded half up to cents; None where no price is known."""
        if self.price is None:
            return None
        return (self.price.unit_price_usd * self.kit.total).quantize(CENT, ROUND_HALF_UP)


def priced(items: Sequence[KitItem], prices: Mapping[str, Price]) -> tuple[PricedItem, ...]:
    """The lines of a kit list with their prices; a missing price stays blank.

    Parameters
    ----------
    items : sequence of KitItem
        Kit, spares included.
    prices : mapping of str to Price
        Prices by item.

    Returns
    -------
    tuple of PricedItem
        The same lines in the same order.

    Raises
    ------
    SettingsError
        A price is for another item or another unit than the line it stands at.
    """
    lines = tuple(PricedItem(one, prices.get(one.item)) for one in items)
    problems = [
        f"price of {kit.item}: found one of {price.item} per {price.unit}, expected {kit.item} per {kit.unit}"
        for kit, price in ((one.kit, one.price) for one in lines)
        if price and (price.item, price.unit) != (kit.item, kit.unit)
    ]
    if problems:
        raise SettingsError(*problems)
    return lines


@dataclass(frozen=True)
class KitTotal:
    """Price of a kit as far as prices are known.

    Parameters
    ----------
    known_usd : Decimal
        Sum of the lines with a price, US dollars.
    unpriced : tuple of str
        Items without a price: the true cost is higher where there are any.
    """

    known_usd: Decimal
    unpriced: tuple[str, ...]


def kit_total(lines: Sequence[PricedItem]) -> KitTotal:
    """Sum of a priced kit, and which items lack a price.

    Parameters
    ----------
    lines : sequence of PricedItem
        Kit with prices.

    Returns
    -------
    KitTotal
        Known cost and the items left out of it. Two designs are compared by kits of one set without spares.
    """
    known_usd = sum((one.amount_usd for one in lines if one.amount_usd is not None), Decimal("0.00"))
    return KitTotal(known_usd, tuple(one.kit.item for one in lines if one.price is None and one.kit.total))
