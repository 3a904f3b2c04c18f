"""What a plan takes, in words for the page: kit, season, rounds, hours, money."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd
from markupsafe import Markup

from allocator.core.results import Plan, Totals
from allocator.core.settings import CalendarSettings
from allocator.outputs.date_words import day_words, span_words
from allocator.outputs.number_words import count, number, whole
from allocator.outputs.schedule_chart import STAGES, schedule_chart
from allocator.outputs.work_tables import (
    Row,
    costs_table,
    dates_table,
    form_table,
    hours_table,
    kit_table,
    purpose_words,
    records,
    round_days,
    rounds_table,
    shares_table,
    stage_words,
)


def work_section(plan: Plan) -> dict[str, Any]:
    """Everything that the section on what the plan takes shows.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict
        By part: a :class:`Sheet` or None where there is nothing to list, sentences, and the chart as markup.
    """
    return {
        "kit": kit_table(plan.equipment),
        "season": _season_words(plan),
        "chart": _chart(plan),
        "dates": dates_table(plan.calendar),
        "rounds": rounds_table(plan.rounds),
        "driving": _driving_words(plan),
        "hours": hours_table(plan.labour),
        "money": _money_words(plan),
        "costs": costs_table(plan.budget),
        "form": form_table(plan),
        "shares": shares_table(plan),
        "justification": " ".join(plan.justification),
    }


def work_figures(totals: Totals) -> list[tuple[str, str, str]]:
    """Figures for the head of the page; what is not known has none.

    Parameters
    ----------
    totals : Totals
        The plan's totals.

    Returns
    -------
    list of (str, str, str)
        Label, number, and the word or unit behind it.
    """
    found = []
    if totals.sites_served:
        found.append(("Trap sets", f"{totals.trap_sets:,}", f"for {count(totals.sites_served, 'site')}"))
    if totals.cost_usd or totals.unpriced:
        found.append(("Cost", *_total_words(totals)))
    if totals.person_hours is not None and totals.sites_served:
        found.append(("Work", f"{totals.person_hours:,.0f}", "person-hours"))
    if totals.miles is not None and totals.sites_served:
        found.append(("Driving", f"{totals.miles:,.0f}", "miles"))
    return found


def site_days(calendar: pd.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """Lines for the card of each site: its trap set and its days.

    Parameters
    ----------
    calendar : pandas.DataFrame
        The table ``calendar``.

    Returns
    -------
    dict of str to list of (str, str)
        Label and words by site id; only what is known, so a site without dates has no dates.
    """
    found = {}
    for row in records("calendar", calendar):
        pairs = [
            ("Trap set", whole(row["trap_set"], "")),
            ("Call 811 by", day_words(row["call_by"])),
            *((look.words, stage_words(row, look.key)) for look in STAGES),
            ("Move test", day_words(row["move_test"])),
            ("Why no trap set", row["reason"] or ""),
        ]
        found[row["site_id"]] = [pair for pair in pairs if pair[1]]
    return found


def round_cards(plan: Plan) -> list[dict[str, Any]]:
    """Title and lines of the card of each round, in the order of the table ``rounds``.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of dict
        ``id``, ``purpose`` (check or bait) and ``pairs`` of label and words.
    """
    legs: dict[str, list[Row]] = {}
    for leg in records("round_stops", plan.round_stops):
        legs.setdefault(leg["round_id"], []).append(leg)
    cards = []
    for row in records("rounds", plan.rounds):
        pairs = [
            ("What for", purpose_words(row)),
            ("When", round_days(row)),
            ("Times driven", whole(row["times"])),
            ("Crew", whole(row["crew"])),
            ("Day of the turn", whole(row["turn"])),
            ("Stops in order", ", ".join(_leg_words(leg) for leg in legs.get(row["round_id"], []))),
            ("Once round", f"{number(row['distance_miles'], 1)} miles, {number(row['hours'], 1)} hours"),
        ]
        cards.append({"id": row["round_id"], "purpose": row["purpose"], "pairs": [pair for pair in pairs if pair[1]]})
    return cards


def _season_words(plan: Plan) -> list[str]:
    """How many trap sets, and the proof or the reason why no dates are planned."""
    totals, calendar = plan.totals, plan.study.settings.calendar
    if not totals.sites:
        return ["No sites were chosen, so there is no season to plan."]
    sets, sites = count(totals.trap_sets, "trap set"), count(totals.sites_served, "site")
    if not (plan.calendar["build_first"].fillna("") != "").any():
        are = "is" if totals.trap_sets == 1 else "are"
        told = [_no_dates(calendar), f"{sets} {are} counted for {sites}, and none moves on."]
    elif totals.trap_sets == totals.trap_sets_bound:
        these = "this site" if totals.sites_served == 1 else f"these {sites}"
        told = [f"{sets}; no fewer can serve {these} in this season."]
    else:
        told = [f"{sets} for {sites}; at least {totals.trap_sets_bound:,} are needed."]
    left = totals.sites - totals.sites_served
    if left:
        told.append(f"{count(left, 'site')} {'gets' if left == 1 else 'get'} no trap set.")
    return told


def _no_dates(calendar: CalendarSettings) -> str:
    if calendar.first_day is None:
        return "No season is given, so no dates are planned."
    season = span_words(calendar.first_day, calendar.last_day)
    return f"No site fits into the season of {season}, so no dates are planned; the notes above say why."


def _driving_words(plan: Plan) -> list[str]:
    totals, crews = plan.totals, plan.study.settings.crews
    if not totals.sites_served:
        return ["No site gets a trap set, so there is nowhere to drive."]
    if crews.base is None:
        return ["No base is given for the crews, so no rounds are planned and driving is not counted."]
    if totals.crews is None:
        return ["No truck road is found near the base, so no rounds are planned; the notes above say more."]
    if not len(plan.rounds):
        return ["No rounds could be planned; the notes above say why."]
    people = "1 person" if crews.size == 1 else f"{crews.size} people"
    told = [f"The busiest day takes {count(totals.crews, 'crew')} of {people}."]
    bait, check = crews.bait_every_days, crews.days_between_checks
    if max(bait, check) > 1:
        told.append(
            f"Traps on bait are visited {_every(bait)}, armed traps {_every(check)}; the day of the turn says on which "
            "of these days a round is driven."
        )
    return told


def _every(days: int) -> str:
    return "every day" if days == 1 else f"every {days} days"


def _money_words(plan: Plan) -> list[str]:
    totals, told = plan.totals, []
    if totals.unpriced:
        things, them = count(totals.unpriced, "thing"), "it costs" if totals.unpriced == 1 else "they cost"
        has = "has" if totals.unpriced == 1 else "have"
        told.append(f"{things} {has} no price yet. What {them} is not counted, so the true cost is higher.")
    if plan.study.settings.grant.award_date is None:
        told.append("No day of award is given, so costs are not put on the lines of the federal budget form.")
    return told


def _total_words(totals: Totals) -> tuple[str, str]:
    if not totals.unpriced:
        return f"${totals.cost_usd:,.2f}", ""
    without = f"{count(totals.unpriced, 'thing')} without a price"
    if not totals.cost_usd:
        return "not known", f"({without})"
    return f"at least ${totals.cost_usd:,.2f}", f"({without})"


def _chart(plan: Plan) -> Markup:
    calendar = plan.study.settings.calendar
    if calendar.first_day is None or calendar.last_day is None:
        return Markup("")
    holidays = [date.fromisoformat(day) for day in plan.facts.get("holidays_off", ())]
    return schedule_chart(
        plan.calendar, first=calendar.first_day, last=calendar.last_day, closed=calendar.closed, holidays=holidays
    )


def _leg_words(leg: Mapping[str, Any]) -> str:
    return f"{leg['site_id'] or 'back to the base'} ({number(leg['leg_miles'], 1)} mi)"
