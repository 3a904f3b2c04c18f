"""Sentences that justify the counts of a plan, put together from its own numbers."""

from collections.abc import Iterator
from decimal import Decimal

from allocator.core.results import Totals
from allocator.core.settings import default_values
from allocator.core.study import Study
from allocator.field.kit import ring
from allocator.field.work import Work


def justification(study: Study, totals: Totals, work: Work) -> tuple[str, ...]:
    """What a grant application may say of a plan, one sentence after the other.

    Parameters
    ----------
    study : Study
        Settings.
    totals : Totals
        The plan's totals.
    work : Work
        What it takes.

    Returns
    -------
    tuple of str
        Every number is one of this plan; what the plan does not know has no sentence, or one that says so.
    """
    if not totals.habitat_acres:
        return ("With these settings no feral swine habitat was found on these properties, so no trap is justified.",)
    return (
        *_need(study, totals), *_season(study, totals, work), *_kit(study, work), *_crews(study, work),
        *_money(study, totals, work), *_basis(study),
    )  # fmt: skip


def cost_counts(study: Study, totals: Totals) -> tuple[tuple[str, float | None], ...]:
    """What the cost is also told for one of, and how many there are.

    Parameters
    ----------
    study : Study
        Settings of the grant.
    totals : Totals
        The plan's totals.

    Returns
    -------
    tuple of (str, float or None)
        Words and count; None where not known.
    """
    return (
        ("trap set", totals.trap_sets), ("site served", totals.sites_served),
        ("acre of habitat on signed-up land", totals.enrolled_habitat_acres),
        ("pig expected to be caught", study.settings.grant.expected_pigs),
    )  # fmt: skip


def _count(number: int, word: str, more: str = "") -> str:
    return f"{number:,} {word if number == 1 else more or word + 's'}"


def _dollars(amount: Decimal) -> str:
    return f"${amount:,.2f}"


def _need(study: Study, totals: Totals) -> Iterator[str]:
    rule = study.settings.traps.acres_per_trap
    yield (
        f"On {_count(totals.properties, 'property', 'properties')} with {totals.area_acres:,.1f} acres, "
        f"{totals.habitat_acres:,.1f} acres score as feral swine habitat; {totals.enrolled_habitat_acres:,.1f} acres "
        "of it lie on land whose owners have signed up."
    )
    yield (
        f"At one trap for {rule:g} acres of habitat this is {totals.traps_exact:.2f}, and after rounding by complex "
        f"{_count(totals.traps, 'trap')}; with the assumptions varied over their ranges, {totals.traps_low:,} to "
        f"{totals.traps_high:,}."
    )
    if totals.traps_given < totals.traps:
        yield f"{_count(totals.traps_given, 'trap is', 'traps are')} at hand and placed where they gain most."
    if totals.existing_traps:
        yield f"{_count(totals.existing_traps, 'of them stands', 'of them stand')} already."
    short = f"; {_count(totals.shortfall, 'trap has', 'traps have')} no site" if totals.shortfall else ""
    chosen = _count(totals.sites, "site was", "sites were")
    yield f"{chosen} chosen within reach of a truck{short}."


def _season(study: Study, totals: Totals, work: Work) -> Iterator[str]:
    schedule, calendar = work.schedule, study.settings.calendar
    sets, sites = _count(totals.trap_sets, "trap set"), _count(totals.sites_served, "site")
    bound = totals.trap_sets_bound
    proof = f"at least {_count(bound, 'is', 'are')} needed" if totals.trap_sets != bound else "fewer cannot do it"
    if totals.sites_served and schedule.days is None:
        yield f"No dates are planned: {sets} for {sites}; no trap set moves on."
    elif totals.sites_served and schedule.days is not None:
        days, stay = _count(len(schedule.days), "open day"), _count(schedule.stages.cycle_days, "open day")
        yield (
            f"From {calendar.first_day} to {calendar.last_day}, with {days} outside closed times, {sets} can serve "
            f"{sites} at {stay} each; {proof}."
        )
    if totals.sites_served < totals.sites:
        yield f"{_count(totals.sites - totals.sites_served, 'site gets', 'sites get')} no trap set."


def _kit(study: Study, work: Work) -> Iterator[str]:
    design, costs = study.kit.design, work.costs
    made, sets = ring(design), work.schedule.rotation.sets
    if not sets:
        return
    panels = f"{_count(design.panels, 'panel')} of {design.panel_length_ft:g} by {design.panel_height_ft:g} feet"
    shape = f"{panels} with corners" if design.has_corners else f"a ring of {panels}, {made.diameter_ft:.1f} feet wide"
    yield f"A trap is {shape}, on {_count(made.posts, 'post')}."
    if costs.bought < sets:
        yield f"{_count(costs.bought, 'trap set')} of {sets} would be bought; the others are there already."
    if costs.loads.loads is not None:
        weigh = "trap set in use weighs" if sets == 1 else "trap sets in use weigh"
        loads = _count(costs.loads.loads, "truck load")
        yield f"The {weigh} {costs.loads.weight_lb:,.0f} pounds, {loads} by weight."
    if costs.bait_lb:
        yield f"The season takes {costs.bait_lb:,.0f} pounds of bait."


def _crews(study: Study, work: Work) -> Iterator[str]:
    crews = study.settings.crews
    if work.trips.crews is None or work.miles is None or work.person_hours is None or not work.trips.rounds:
        return
    yield (
        f"Armed traps are checked at least every {crews.check_interval_hours:g} hours ({crews.check_rule}). With crews "
        f"of {crews.size} and shifts of {crews.shift_hours:g} hours the busiest day takes "
        f"{_count(work.trips.crews, 'crew')}."
    )
    yield f"The season takes {work.person_hours:,.0f} person-hours and {work.miles:,.0f} miles of driving."


def _money(study: Study, totals: Totals, work: Work) -> Iterator[str]:
    costs, grant = work.costs, study.settings.grant
    if not costs.total_usd:
        return
    if costs.budget is None:
        yield f"What has a price costs {_dollars(costs.total_usd)}."
    else:
        budget = costs.budget
        parts = (
            f": {_dollars(budget.direct_usd)} of direct and {_dollars(budget.indirect_usd)} of indirect costs, on "
            f"modified total direct costs of {_dollars(budget.mtdc_usd)}"
        )
        yield f"The plan costs {_dollars(budget.total_usd)}{parts if budget.indirect_usd else ''}."
    if costs.blank:
        yield f"{_count(len(costs.blank), 'thing has', 'things have')} no price yet, so the true cost is higher."
    if costs.match is not None and grant.match_percent:
        base = {"total": "total", "federal": "federal share"}[grant.match_base]
        yield (
            f"A match of {grant.match_percent.normalize():f} percent of the {base} is "
            f"{_dollars(costs.match.match_usd)}, beside a federal share of {_dollars(costs.match.federal_usd)}."
        )
    each = [(words, costs.each(count)) for words, count in cost_counts(study, totals)]
    told = ", ".join(f"{_dollars(usd)} for one {words}" for words, usd in each if usd is not None)
    if told:
        yield f"That is {told}."


def _basis(study: Study) -> Iterator[str]:
    rule = study.settings.traps.acres_per_trap
    if rule == default_values()["traps"]["acres_per_trap"]:
        yield f"One trap for {rule:g} acres of habitat is common practice; no published source is known."
    else:
        yield f"One trap for {rule:g} acres of habitat was set for this study; the usual rule is common practice only."
    yield "A habitat score is a hypothesis, not a census: camera surveys come before traps are built."
