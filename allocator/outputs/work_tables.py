"""Tables of what a plan takes as they stand on the page: every cell in words."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from allocator.core.results import Plan
from allocator.outputs.columns import documented_values
from allocator.outputs.date_words import day_words, span_words
from allocator.outputs.number_words import BLANK, amount, at_least, dollars, number, unit_price, whole
from allocator.outputs.schedule_chart import STAGES

MOST_ROWS = 400
"""Rows of one table on the page; the tables of the plan have all."""
PURPOSES = {"check": "Check armed traps", "bait": "Bait"}
FORM_SUMS = ("i", "k")
"""Lines of the federal form that are sums; line j is a percentage of others where there is a rate."""
UNDECIDED = ("d", "e")
"""Lines of the form that a thing without a price may fall into: equipment or supplies, by its unit cost."""
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Head:
    """Heading of one column.

    Parameters
    ----------
    label, unit : str
        Words and the unit of the values; no unit: empty.
    kind : str
        number (stands at the right), text (short, in one line) or long (text that may take several lines).
    """

    label: str
    unit: str = ""
    kind: Literal["number", "text", "long"] = "text"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it stands on the page; every cell is text.

    Parameters
    ----------
    caption : str
        What the table is.
    heads : tuple of Head
        Headings.
    rows : tuple of tuple of str
        Cells, the first of each row its name.
    left_out : int
        Rows beyond ``MOST_ROWS``.
    """

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int = 0


def _counted(label: str, unit: str = "") -> Head:
    return Head(label, unit, "number")


def _long(label: str) -> Head:
    return Head(label, kind="long")


def records(table: str, frame: pd.DataFrame) -> list[Row]:
    """Rows of a table with the types that ``columns.csv`` documents.

    Parameters
    ----------
    table : str
        Name of the table.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows.

    Returns
    -------
    list of dict
        Values by column.
    """
    values = documented_values(table, frame)
    columns = [values[name].tolist() for name in values.columns]
    return [dict(zip(values.columns, row, strict=True)) for row in zip(*columns, strict=True)]


def stage_words(row: Mapping[str, Any], stage: str) -> str:
    """Days of a stage at a site.

    Parameters
    ----------
    row : mapping
        Row of the table ``calendar``.
    stage : str
        Such as ``build``.

    Returns
    -------
    str
        Empty where there are no dates.
    """
    return span_words(row[f"{stage}_first"], row[f"{stage}_last"])


def purpose_words(row: Mapping[str, Any]) -> str:
    """What a round is for.

    Parameters
    ----------
    row : mapping
        Row of the table ``rounds``.

    Returns
    -------
    str
        In words.
    """
    return PURPOSES[row["purpose"]]


def round_days(row: Mapping[str, Any]) -> str:
    """When a round is driven.

    Parameters
    ----------
    row : mapping
        Row of the table ``rounds``.

    Returns
    -------
    str
        Dates, or without dates the days counted from the first.
    """
    dates = span_words(row["first_day"], row["last_day"])
    return dates or f"day {whole(row['first_open_day'])} to {whole(row['last_open_day'])}"


def kit_table(equipment: pd.DataFrame) -> Sheet | None:
    """What to buy, item by item, with prices as far as they are known.

    Parameters
    ----------
    equipment : pandas.DataFrame
        The table ``equipment``.

    Returns
    -------
    Sheet or None
        None where the table is empty.
    """
    heads = (
        _long("Item"), _counted("Each set has"), _counted("Sets to buy"), _counted("Spares"),
        _counted("To buy"), Head("Counted in"), _counted("Price of one", "US dollars"),
        _counted("Price of all", "US dollars"), _long("Price from"),
    )  # fmt: skip
    return _sheet("Kit to buy", heads, (
        (
            row["words"], amount(row["each_per_trap"]), whole(row["trap_sets"]), whole(row["spares"]),
            amount(row["total"]), row["unit"] or "", unit_price(row["unit_price_usd"]), dollars(row["amount_usd"]),
            ", ".join(filter(None, (day_words(row["price_date"]), row["price_source"]))),
        )
        for row in records("equipment", equipment)
    ))  # fmt: skip


def dates_table(calendar: pd.DataFrame) -> Sheet | None:
    """Trap set and days of every site, by rank.

    Parameters
    ----------
    calendar : pandas.DataFrame
        The table ``calendar``.

    Returns
    -------
    Sheet or None
        None where there are neither dates nor sites without a trap set.
    """
    rows = records("calendar", calendar)
    has_dates, has_reasons = any(row["build_first"] for row in rows), any(row["reason"] for row in rows)
    if not has_dates and not has_reasons:
        return None
    heads = [Head("Site"), Head("Property no."), _counted("Trap set")]
    if has_dates:
        heads += [Head("Call 811 by"), *(Head(look.words) for look in STAGES), Head("Move test")]
    if has_reasons:
        heads.append(_long("Why no trap set"))
    cells = []
    for row in rows:
        line = [row["site_id"], row["property_id"], whole(row["trap_set"])]
        if has_dates:
            line += [day_words(row["call_by"]) or BLANK, *(stage_words(row, look.key) or BLANK for look in STAGES),
                     day_words(row["move_test"]) or BLANK]  # fmt: skip
        if has_reasons:
            line.append(row["reason"] or BLANK)
        cells.append(tuple(line))
    return _sheet("Dates of every site" if has_dates else "Trap set of every site", tuple(heads), cells)


def rounds_table(rounds: pd.DataFrame) -> Sheet | None:
    """The rounds, one to a row.

    Parameters
    ----------
    rounds : pandas.DataFrame
        The table ``rounds``.

    Returns
    -------
    Sheet or None
        None where the table is empty.
    """
    heads = (
        Head("Round"), Head("What for"), Head("When"), _counted("Times driven"), _counted("Stops"),
        _counted("Once round", "miles"), _counted("Once round", "hours"), _counted("Crew"),
        _counted("Day of the turn"),
    )  # fmt: skip
    return _sheet("Rounds", heads, (
        (
            row["round_id"], purpose_words(row), round_days(row), whole(row["times"]), whole(row["stops"]),
            number(row["distance_miles"], 1), number(row["hours"], 1), whole(row["crew"]), whole(row["turn"]),
        )
        for row in records("rounds", rounds)
    ))  # fmt: skip


def hours_table(labour: pd.DataFrame) -> Sheet | None:
    """Person-hours of each task.

    Parameters
    ----------
    labour : pandas.DataFrame
        The table ``labour``.

    Returns
    -------
    Sheet or None
        None where the table is empty.
    """
    heads = (_long("Task"), _counted("How many"), Head("Counted in"), _counted("Work", "person-hours"),
             _long("How reckoned"))  # fmt: skip
    return _sheet("Hours by task", heads, (
        (
            row["task"], number(row["count"], 0, "not known"), row["unit"] or "",
            number(row["person_hours"], 1, "not known"), row["basis"] or "",
        )
        for row in records("labour", labour)
    ))  # fmt: skip


def costs_table(budget: pd.DataFrame) -> Sheet | None:
    """Every cost line.

    Parameters
    ----------
    budget : pandas.DataFrame
        The table ``budget``.

    Returns
    -------
    Sheet or None
        None where there is none.
    """
    heads = (_long("What is paid for"), Head("Line of the form"), _counted("How many"),
             _counted("Cost of one", "US dollars"), _counted("Cost of all", "US dollars"))  # fmt: skip
    return _sheet("Costs one by one", heads, (
        (
            row["words"], row["form_line"] or BLANK, amount(row["quantity"]), unit_price(row["unit_cost_usd"]),
            dollars(row["amount_usd"]),
        )
        for row in _part(budget, "line")
    ))  # fmt: skip


def form_table(plan: Plan) -> Sheet | None:
    """Lines a to k of the federal form, with what leaves out a price marked.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    Sheet or None
        None without an award, when there is no form.
    """
    short = _short_lines(plan)
    heads = (Head("Line"), _long("Class"), _counted("Amount", "US dollars"))
    return _sheet("Lines of the federal budget form", heads, (
        (row["form_line"], row["words"], at_least(row["amount_usd"], row["form_line"] in short))
        for row in _part(plan.budget, "form")
    ))  # fmt: skip


def shares_table(plan: Plan) -> Sheet | None:
    """Base of the indirect costs, total, federal share and match, and what one of each thing costs.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    Sheet or None
        None where there is none.
    """
    is_short = plan.totals.unpriced > 0
    return _sheet("Total, match, and the cost of one", (_long("What"), _counted("Amount", "US dollars")), (
        (row["words"], at_least(row["amount_usd"], is_short))
        for part in ("base", "total", "match", "each")
        for row in _part(plan.budget, part)
    ))  # fmt: skip


def _short_lines(plan: Plan) -> set[str]:
    """Letters of the form's lines that leave something out because it has no price."""
    blank = {row["form_line"] or "" for row in _part(plan.budget, "line") if pd.isna(row["amount_usd"])}
    if not blank:
        return set()
    charged = {"j"} if plan.study.settings.grant.indirect_percent else set()
    return blank | set(FORM_SUMS) | charged | (set(UNDECIDED) if "" in blank else set())


def _part(budget: pd.DataFrame, part: str) -> list[Row]:
    return [row for row in records("budget", budget) if row["part"] == part]


def _sheet(caption: str, heads: tuple[Head, ...], rows: Iterable[tuple[str, ...]]) -> Sheet | None:
    every = tuple(rows)
    return Sheet(caption, heads, every[:MOST_ROWS], max(0, len(every) - MOST_ROWS)) if every else None
