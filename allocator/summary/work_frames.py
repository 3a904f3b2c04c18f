"""Tables of kit, season, rounds, labour and money, with the columns that every output shows."""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from allocator.core.ids import numbered
from allocator.core.study import Study
from allocator.core.units import METRES_PER_MILE
from allocator.field.budget import FORM_CLASSES
from allocator.field.costs import Costs
from allocator.field.labour import Task
from allocator.field.schedule import Schedule
from allocator.field.trips import Trips

STAGES = ("build", "pre_bait", "capture", "reset")
Row = dict[str, Any]


def _iso(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _dated(schedule: Schedule, open_day: int) -> str:
    """Calendar day of an open day; empty where no dates are planned."""
    return "" if schedule.days is None else schedule.days[open_day].isoformat()


def equipment_table(costs: Costs) -> pd.DataFrame:
    """What to buy, one row for each item, bait last.

    Parameters
    ----------
    costs : Costs
        Kit and money.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``equipment``; a price or weight that is not known is blank.
    """
    rows: list[Row] = [
        {
            "item": one.kit.item, "words": one.kit.words, "each_per_trap": one.kit.each, "trap_sets": one.kit.traps,
            "spares": one.kit.spares, "total": one.kit.total, "unit": one.kit.unit,
            "unit_price_usd": np.nan if one.price is None else float(one.price.unit_price_usd),
            "amount_usd": np.nan if one.amount_usd is None else float(one.amount_usd),
            "price_date": "" if one.price is None else one.price.date,
            "price_source": "" if one.price is None else one.price.source,
            "weight_lb": np.nan if one.kit.weight_lb is None else one.kit.weight_lb,
        }
        for one in costs.kit
    ]  # fmt: skip
    price = costs.bait_price
    rows.append({
        "item": "bait", "words": "Bait", "total": costs.bait_lb, "unit": "lb",
        "unit_price_usd": np.nan if price is None else float(price.unit_price_usd),
        "amount_usd": np.nan if costs.bait_usd is None else float(costs.bait_usd),
        "price_date": price.date if price else "", "price_source": price.source if price else "", "weight_lb": 1.0,
    })  # fmt: skip
    columns = [
        "item", "words", "each_per_trap", "trap_sets", "spares", "total", "unit", "unit_price_usd", "amount_usd",
        "price_date", "price_source", "weight_lb",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def calendar_table(study: Study, schedule: Schedule, owner: Sequence[int]) -> pd.DataFrame:
    """Set and days of every site, by rank.

    Parameters
    ----------
    study : Study
        Property ids.
    schedule : Schedule
        The season.
    owner : sequence of int
        Property of each site.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``calendar``.
    """
    number, rotation = len(schedule.start), schedule.rotation
    reasons, rows = dict(rotation.unserved), []
    for site, name in enumerate(numbered("T", number)):
        spans = schedule.stage_days(site)
        is_served = bool(spans)
        row: Row = {
            "site_id": name,
            "property_id": study.properties.ids[owner[site]],
            "trap_set": rotation.set_of[site] + 1 if is_served else None,
            "call_by": _iso(schedule.call_by(site)),
            "first_open_day": rotation.start[site] + 1 if is_served else None,
            "last_open_day": rotation.end[site] + 1 if is_served else None,
        }
        for stage in STAGES:
            for end, place in (("first", 0), ("last", 1)):
                row[f"{stage}_{end}"] = _dated(schedule, spans[stage][place]) if stage in spans else ""
        test = schedule.stages.move_test
        has_test = test > 0 and "pre_bait" in spans
        row["move_test"] = _dated(schedule, spans["pre_bait"][0] + test - 1) if has_test else ""
        row["reason"] = reasons.get(site, "")
        rows.append(row)
    columns = [
        "site_id", "property_id", "trap_set", "call_by", "first_open_day", "last_open_day",
        *(f"{stage}_{end}" for stage in STAGES for end in ("first", "last")), "move_test", "reason",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def rounds_frame(study: Study, schedule: Schedule, trips: Trips) -> gpd.GeoDataFrame:
    """One row for each round.

    Parameters
    ----------
    study : Study
        Coordinate system.
    schedule : Schedule
        Dates.
    trips : Trips
        The rounds.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns of the table ``rounds``; lines along roads, from the base and back.
    """
    rows = [
        {
            "round_id": name, "purpose": one.visits.purpose, "crew": one.crew, "turn": one.turn,
            "first_day": _dated(schedule, one.visits.phase.first), "last_day": _dated(schedule, one.visits.phase.last),
            "first_open_day": one.visits.phase.first + 1, "last_open_day": one.visits.phase.last + 1,
            "times": one.times, "stops": len(one.stops), "distance_miles": one.distance_m / METRES_PER_MILE,
            "hours": one.hours,
        }
        for name, one in zip(numbered("R", len(trips.rounds)), trips.rounds, strict=True)
    ]  # fmt: skip
    columns = [
        "round_id", "purpose", "crew", "turn", "first_day", "last_day", "first_open_day", "last_open_day",
        "times", "stops", "distance_miles", "hours",
    ]  # fmt: skip
    geometry = [one.path for one in trips.rounds]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry=geometry, crs=study.grid.crs_wkt)


def round_stops_table(trips: Trips) -> pd.DataFrame:
    """Every leg of every round.

    Parameters
    ----------
    trips : Trips
        The rounds.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``round_stops``; the last leg of a round leads back to the base and has no site.
    """
    names = numbered("T", len(trips.base_m))
    rows = []
    for round_id, one in zip(numbered("R", len(trips.rounds)), trips.rounds, strict=True):
        ends = [*(names[site] for site in one.stops), ""]
        legs = zip(ends, one.legs_m, [*one.stop_hours, 0.0], strict=True)
        rows += [
            (round_id, place, site, leg_m / METRES_PER_MILE, hours)
            for place, (site, leg_m, hours) in enumerate(legs, start=1)
        ]
    return pd.DataFrame(rows, columns=["round_id", "stop", "site_id", "leg_miles", "stop_hours"])


def labour_table(tasks: Sequence[Task]) -> pd.DataFrame:
    """Person-hours by task.

    Parameters
    ----------
    tasks : sequence of Task
        The tasks.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``labour``; what is not known is blank.
    """
    rows = [(one.words, one.count, one.unit, one.hours, one.basis) for one in tasks]
    table = pd.DataFrame(rows, columns=["task", "count", "unit", "person_hours", "basis"])
    return table.astype({"count": float, "person_hours": float})


def budget_table(costs: Costs, counts: Sequence[tuple[str, float | None]]) -> pd.DataFrame:
    """Cost lines, the lines of the federal form, the match, and the cost of one trap, acre, pig.

    Parameters
    ----------
    costs : Costs
        Kit and money.
    counts : sequence of (str, float or None)
        What the total is also told for one of, and how many there are.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``budget``; an amount that is not known is blank.
    """
    columns = ["part", "form_line", "words", "object_class", "kind", "quantity", "unit_cost_usd", "amount_usd"]
    return pd.DataFrame([*_cost_rows(costs), *_sum_rows(costs, counts)], columns=columns)


def _cost_rows(costs: Costs) -> Iterator[tuple[Any, ...]]:
    letters = {object_class: letter for letter, _, object_class in FORM_CLASSES}
    for one in costs.lines:
        unit = np.nan if one.unit_cost_usd is None else float(one.unit_cost_usd)
        amount = np.nan if one.amount_usd is None else float(one.amount_usd)
        letter = letters[one.object_class] if one.object_class else ""
        yield "line", letter, one.words, one.object_class or "", one.kind, float(one.quantity), unit, amount


def _sum_rows(costs: Costs, counts: Sequence[tuple[str, float | None]]) -> Iterator[tuple[Any, ...]]:
    def row(part: str, letter: str, words: str, quantity: float, amount: Any) -> tuple[Any, ...]:
        return part, letter, words, "", "", quantity, np.nan, np.nan if amount is None else float(amount)

    if costs.budget is not None:
        yield from (row("form", letter, words, np.nan, usd) for letter, words, usd in costs.budget.rows)
        yield row("base", "", "Modified total direct costs", np.nan, costs.budget.mtdc_usd)
    else:
        yield row("total", "", "Total of the lines with a price", np.nan, costs.total_usd)
    if costs.match is not None:
        yield row("match", "", "Federal share", np.nan, costs.match.federal_usd)
        yield row("match", "", "Match", np.nan, costs.match.match_usd)
    for words, count in counts:
        if count:
            yield row("each", "", f"Cost of one {words}", count, costs.each(count))
