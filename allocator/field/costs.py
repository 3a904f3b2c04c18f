"""What a plan costs: kit, bait, miles, labour and the user's own lines, as a federal budget where there is an award."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from allocator.core.kit import CostLine, Price, cents
from allocator.core.study import Study
from allocator.field.budget import Budget, Match, as_units, classed, match, per, sf424a
from allocator.field.kit import Loads, PricedItem, holds, kit_list, priced, truck_loads
from allocator.field.labour import Task, driven_miles
from allocator.field.schedule import Schedule
from allocator.field.trips import Trips

BAIT = "Bait (pounds)"
MILES = "Truck miles"
LABOUR = "labour (crews.wage_usd_per_hour)"
DRIVING = "driving (crews.base_latitude, crews.base_longitude)"
COMPLETE_TRAP = "with it the complete trap (grant.unit)"


@dataclass(frozen=True)
class Costs:
    """Kit and money of a plan.

    Parameters
    ----------
    kit : tuple of PricedItem
        What has to be bought, spares included.
    bought : int
        Trap sets to buy: those used, less those owned.
    loads : Loads
        Weight and truck loads of the trap sets in use, without spares.
    known_against : tuple of str
        What is known against the design.
    bait_lb : float
        Bait of the season, pounds.
    bait_price : Price or None
        Price of a pound.
    lines : tuple of CostLine
        All direct costs.
    budget : Budget or None
        Lines a to k; None without the day of the award.
    total_usd : Decimal
        Line k, or without an award the sum of the lines; what has no price is in neither.
    match : Match or None
        Match of the total; None where none is asked for.
    blank : tuple of str
        What is in no sum: items without a price, the complete trap as one unit where a part of it has none, labour
        without a wage, driving without a base, lines without a unit cost.
    """

    kit: tuple[PricedItem, ...]
    bought: int
    loads: Loads
    known_against: tuple[str, ...]
    bait_lb: float
    bait_price: Price | None
    lines: tuple[CostLine, ...]
    budget: Budget | None
    total_usd: Decimal
    match: Match | None
    blank: tuple[str, ...]

    @property
    def bait_usd(self) -> Decimal | None:
        """Cost of all bait, US dollars in cents; None where no price is known."""
        price = self.bait_price
        return None if price is None else cents(_amount(self.bait_lb) * price.unit_price_usd)

    @property
    def is_unknown(self) -> bool:
        """Whether there is something to pay for and not one price."""
        return bool(self.blank) and not self.total_usd

    def each(self, count: float | None) -> Decimal | None:
        """Cost of one of so many.

        Parameters
        ----------
        count : float or None
            How many; None where not known.

        Returns
        -------
        Decimal or None
            US dollars in cents; None where the count is not known or 0, or no price is known.
        """
        return per(None if self.is_unknown else self.total_usd, count)


def cost_plan(study: Study, schedule: Schedule, trips: Trips, tasks: Sequence[Task]) -> Costs:
    """What has to be bought, hauled and paid.

    Parameters
    ----------
    study : Study
        Design, prices, settings of the grant.
    schedule : Schedule
        Trap sets and sites.
    trips : Trips
        Driving.
    tasks : sequence of Task
        Person-hours.

    Returns
    -------
    Costs
        Lines without a price are in no sum and are named.

    Raises
    ------
    SettingsError
        The indirect rate is above the de minimis rate at the day of the award.
    """
    settings, inputs = study.settings, study.kit
    equipment, grant = settings.equipment, settings.grant
    sets = schedule.rotation.sets
    bought = max(0, sets - equipment.owned)
    kit = priced(kit_list(inputs.design, bought, equipment.spare_percent, inputs.weights_lb), inputs.prices)
    loads = truck_loads(kit_list(inputs.design, sets, 0, inputs.weights_lb), equipment.payload_lb)
    nights = schedule.stages.pre_bait + schedule.stages.capture
    bait_lb = inputs.design.bait_lb_per_night * nights * len(schedule.served)
    if grant.award_date is None:
        units = as_units(kit, "item", bought)
    else:
        units = classed(as_units(kit, grant.unit, bought), grant.award_date, grant.capitalisation_level_usd)
    bait_price = inputs.prices.get("bait")
    paid, driven = _labour(study, tasks), _miles(study, schedule, trips)
    further = (*_bait(bait_lb, bait_price), *inputs.other_costs)
    lines = (*paid, *driven, *units, *further)
    is_driving_known = trips.is_known or not len(schedule.served)
    budget, total = None, sum((one.amount_usd for one in lines if one.amount_usd is not None), Decimal("0.00"))
    if grant.award_date is not None:
        rate = (grant.indirect_percent or Decimal(0)) / 100
        budget = sf424a(lines, rate=rate, award_date=grant.award_date, rate_kind=grant.indirect_kind)
        total = budget.total_usd
    shared = None
    if grant.match_percent is not None:
        shared = match(grant.match_percent, grant.match_base, total_usd=total)
    return Costs(
        kit, bought, loads, holds(inputs.design), bait_lb, bait_price, lines, budget, total, shared,
        blank=_blank(kit, units, paid, (*driven, *further), is_driving_known),
    )  # fmt: skip


def _amount(value: float) -> Decimal:
    """A quantity in whole hundredths, as it is shown, so that anyone can redo the arithmetic."""
    return Decimal(str(round(value, 2)))


def _labour(study: Study, tasks: Sequence[Task]) -> list[CostLine]:
    crews = study.settings.crews
    lines = [
        CostLine(f"{one.words}: person-hours", "personnel", _amount(one.hours), crews.wage_usd_per_hour)
        for one in tasks
        if one.hours
    ]
    if lines and crews.fringe_percent is not None and crews.wage_usd_per_hour is not None:
        wages = sum((one.amount_usd for one in lines if one.amount_usd is not None), Decimal("0.00"))
        words = f"Fringe benefits, {crews.fringe_percent.normalize():f} percent of wages"
        lines.append(CostLine(words, "fringe", wages, crews.fringe_percent / 100))
    return lines


def _miles(study: Study, schedule: Schedule, trips: Trips) -> list[CostLine]:
    miles, price = driven_miles(schedule, trips), study.kit.prices.get("mile")
    if not miles:
        return []
    return [CostLine(MILES, "travel", _amount(miles), price.unit_price_usd if price else None)]


def _bait(bait_lb: float, price: Price | None) -> list[CostLine]:
    if not bait_lb:
        return []
    return [CostLine(BAIT, "supplies", _amount(bait_lb), price.unit_price_usd if price else None)]


def _blank(
    kit: Sequence[PricedItem], units: Sequence[CostLine], paid: Sequence[CostLine], further: Sequence[CostLine],
    is_driving_known: bool,
) -> tuple[str, ...]:  # fmt: skip
    """What is in no sum: items of the kit by their key, labour and driving as one, other lines in their words."""
    names = [one.kit.item for one in kit if one.price is None and one.kit.total]
    # without a price of one part, the complete trap has no class, and the parts that have a price are in no sum either
    names += [COMPLETE_TRAP for one in units if one.unit_cost_usd is None and one.words.startswith("Complete trap")]
    names += [LABOUR for one in paid if one.unit_cost_usd is None]
    names += [] if is_driving_known else [DRIVING]
    names += [one.words for one in further if one.unit_cost_usd is None]
    return tuple(dict.fromkeys(names))
