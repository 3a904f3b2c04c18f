"""The tables of a plan, and the same tables as CSV files that a spreadsheet opens safely."""

import math
from pathlib import Path
from typing import Any

import pandas as pd

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.results import Plan
from allocator.outputs.columns import documented_values, table_names

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a cell that begins like this for a formula, also when it is the name of a property."""


def cautions() -> tuple[str, ...]:
    """What every output says before anything else, the most important first.

    Returns
    -------
    tuple of str
        The headline, then the cautions.
    """
    return (HEADLINE, *CAUTIONS)


def plan_tables(plan: Plan) -> dict[str, pd.DataFrame]:
    """Every table of a plan by name, in the order of the outputs.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict
        Frames, with geometry where the plan has it; not yet checked.
    """
    tables = {name: getattr(plan, name) for name in table_names() if name != "cautions"}
    return tables | {"cautions": pd.DataFrame({"caution": list(cautions())})}


def write_tables(plan: Plan, folder: Path) -> None:
    """Write every table as a CSV file: UTF-8 with a mark, RFC 4180 lines, numbers with all their digits.

    Parameters
    ----------
    plan : Plan
        The plan.
    folder : pathlib.Path
        Where; made when it is not there.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it.
    OSError
        A file cannot be written.

    Notes
    -----
    A text that begins with ``= + - @``, a tab or a carriage return gets an apostrophe in front, because a spreadsheet
    would run it as a formula. Numbers never get one. Blank values are empty cells. Text stands in quotes, so that a
    spreadsheet that asks can be told to keep an id such as 0042 as it is.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in plan_tables(plan).items():
        write_table(documented_values(name, frame), folder / f"{name}.csv")


def write_table(frame: pd.DataFrame, path: Path) -> None:
    """Write one table as a CSV file, guarded as :func:`write_tables` says.

    Parameters
    ----------
    frame : pandas.DataFrame
        Typed as :func:`allocator.outputs.columns.documented_values` gives them.
    path : pathlib.Path
        The file.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        file.write(",".join(frame.columns) + "\r\n")
        rows = zip(*(map(_cell, frame[name].tolist()) for name in frame.columns), strict=True)
        file.writelines(",".join(row) + "\r\n" for row in rows)


def _cell(value: Any) -> str:
    if value is None or value is pd.NA:
        return ""
    if isinstance(value, str):
        text = f"'{value}" if value.startswith(FORMULA_STARTS) else value
        return '"' + text.replace('"', '""') + '"'
    if isinstance(value, float):
        return "" if math.isnan(value) else repr(value)
    return str(value)
