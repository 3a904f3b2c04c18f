"""What a plan comes to, in the lines that the command line prints."""

from pathlib import Path
from typing import Any

from allocator.core.cautions import HEADLINE
from allocator.core.results import Plan
from allocator.outputs.number_words import count


def plan_words(made: Plan, folder: Path) -> str:
    """The answer of a plan in some lines.

    Parameters
    ----------
    made : Plan
        The plan.
    folder : pathlib.Path
        Where it was written.

    Returns
    -------
    str
        Acres, traps, sites, work, money, seasons, warnings, the caution and the place of the map.
    """
    totals, solver = made.totals, made.solver
    owned = "1 property" if totals.properties == 1 else f"{totals.properties:,} properties"
    lines = [
        made.study.settings.study.name,
        f"  {owned}, {totals.area_acres:,.0f} acres",
        f"  {totals.habitat_acres:,.1f} acres of habitat, {totals.enrolled_habitat_acres:,.1f} on enrolled land",
        f"  {totals.traps_exact:.2f} traps by the rule, {totals.traps} in whole traps "
        f"({totals.traps_low} to {totals.traps_high} when the assumptions are drawn)",
        f"  {count(totals.sites, 'site')} chosen"
        + (f" ({solver.status}, within {solver.gap_percent:.1f} % of the best possible)" if totals.sites else ""),
    ]
    lines += _work_lines(made)
    if len(made.seasons) > 1:
        lines += [_season_line(one) for one in made.seasons.to_dict("records")]
    if "sightings" in made.facts:
        lines.append(f"  {made.facts['sightings']}")
    lines += [f"  ! {warning}" for warning in made.warnings]
    lines += [f"  {HEADLINE}", f"  Map: {folder / 'map.html'}"]
    return "\n".join(lines)


def _work_lines(made: Plan) -> list[str]:
    """Trap sets, crews and money, as far as the plan knows them."""
    totals, calendar = made.totals, made.study.settings.calendar
    if not totals.sites_served:
        return []
    sets, sites = count(totals.trap_sets, "trap set"), count(totals.sites_served, "site")
    if (made.calendar["build_first"] != "").any():
        proof = "fewer cannot" if totals.trap_sets == totals.trap_sets_bound else f"at least {totals.trap_sets_bound}"
        lines = [f"  {sets} for {sites} from {calendar.first_day} to {calendar.last_day} ({proof})"]
    else:
        lines = [f"  {sets} for {sites}; no dates"]
    if totals.crews is not None and totals.person_hours is not None:
        crews = count(totals.crews, "crew")
        lines.append(
            f"  {crews} on the busiest day, {totals.person_hours:,.0f} person-hours, {totals.miles:,.0f} miles"
        )
    if totals.cost_usd:
        lines.append(f"  {'at least ' if totals.unpriced else ''}${totals.cost_usd:,.2f}")
    return lines


def _season_line(one: dict[str, Any]) -> str:
    words = one["season"].replace("_", " ") + (" (planned)" if one["is_planned"] else "")
    moved = "" if one["is_planned"] else f", gains {one['gained_acres']:,.1f}, loses {one['lost_acres']:,.1f}"
    return f"  {words}: {one['habitat_acres']:,.1f} acres of habitat{moved}; {one['traps']} traps"
