"""The data dictionary: every column of every output table, as ``columns.csv`` documents it."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal, cast, get_args

import pandas as pd

ColumnType = Literal["text", "yes/no", "number", "whole number"]

ABBREVIATIONS = ("usng", "utm", "crs")


@dataclass(frozen=True, slots=True)
class Column:
    """One documented column.

    Parameters
    ----------
    table, column : str
        Where it stands.
    type : str
        text, yes/no (the words), number or whole number.
    unit : str
        Unit of the values; empty where there is none.
    meaning : str
        What a value says.
    """

    table: str
    column: str
    type: ColumnType
    unit: str
    meaning: str

    @property
    def words(self) -> str:
        """The column's name in plain words."""
        words = self.column.replace("_", " ")
        return words.upper() if words in ABBREVIATIONS else words.capitalize()

    @property
    def title(self) -> str:
        """The column's name in plain words with its unit, such as ``Area acres (acres)``."""
        return f"{self.words} ({self.unit})" if self.unit else self.words

    @property
    def description(self) -> str:
        """Meaning and unit in one line."""
        return f"{self.meaning}; unit: {self.unit}" if self.unit else self.meaning


@cache
def read_columns() -> tuple[Column, ...]:
    """All documented columns, table by table in the order of the outputs.

    Returns
    -------
    tuple of Column
        As in ``columns.csv``.

    Raises
    ------
    ValueError
        The dictionary itself is faulty: an unknown type, or a column documented twice.

    Examples
    --------
    >>> read_columns()[0].column
    'property_id'
    """
    text = (resources.files("allocator.outputs") / "columns.csv").read_text(encoding="utf-8")
    columns = []
    for row in csv.DictReader(text.splitlines()):
        if None in row or None in row.values() or row["type"] not in get_args(ColumnType):
            raise ValueError(f"columns.csv: the row of {row['table']}.{row['column']} is faulty")
        kind = cast(ColumnType, row["type"])
        columns.append(Column(row["table"], row["column"], kind, row["unit"], row["meaning"]))
    if len({(column.table, column.column) for column in columns}) < len(columns):
        raise ValueError("columns.csv documents a column twice")
    return tuple(columns)


def table_names() -> tuple[str, ...]:
    """Names of all documented tables, in the order of the outputs.

    Returns
    -------
    tuple of str
        Each once.
    """
    return tuple(dict.fromkeys(column.table for column in read_columns()))


def columns_of(table: str) -> tuple[Column, ...]:
    """The documented columns of one table.

    Parameters
    ----------
    table : str
        Name of the table.

    Returns
    -------
    tuple of Column
        In the order in which they are written.

    Raises
    ------
    ValueError
        No such table is documented.

    Examples
    --------
    >>> [column.column for column in columns_of("service_areas")]
    ['site_id', 'served_acres']
    """
    found = tuple(column for column in read_columns() if column.table == table)
    if not found:
        raise ValueError(f"columns.csv documents no table {table!r}; it has {', '.join(table_names())}")
    return found


def check_table(table: str, frame: pd.DataFrame) -> None:
    """Refuse a table whose columns are not exactly the documented ones; their order is free.

    Parameters
    ----------
    table : str
        Name of the table.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows; a geometry column is not counted.

    Raises
    ------
    ValueError
        A column is undocumented, missing or there twice: a fault of the tool.
    """
    documented = [column.column for column in columns_of(table)]
    present = [str(name) for name, kind in zip(frame.columns, frame.dtypes, strict=True) if str(kind) != "geometry"]
    undocumented = sorted(set(present) - set(documented))
    missing = [name for name in documented if name not in present]
    twice = sorted({name for name in present if present.count(name) > 1})
    faults = (("undocumented", undocumented), ("missing", missing), ("there twice", twice))
    found = "; ".join(f"{fault}: {', '.join(names)}" for fault, names in faults if names)
    if found:
        raise ValueError(f"table {table} is not as columns.csv documents it: {found}")


def documented_values(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The table as it is written: documented columns in their order and type, without geometry.

    Parameters
    ----------
    table : str
        Name of the table.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows.

    Returns
    -------
    pandas.DataFrame
        Text and yes/no as object (None: blank), numbers as float64 (NaN: blank), whole numbers as Int64 (NA: blank).

    Raises
    ------
    ValueError
        Columns or values are not as documented: a fault of the tool.
    """
    check_table(table, frame)
    values = {column.column: _typed(column, frame[column.column]) for column in columns_of(table)}
    return pd.DataFrame(values).reset_index(drop=True)


def _typed(column: Column, values: pd.Series) -> pd.Series:
    try:
        if column.type == "number":
            return values.astype("float64")
        if column.type == "whole number":
            return values.astype("Int64")
        return _yes_no(values) if column.type == "yes/no" else _text(values)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{column.table}.{column.column} does not hold {column.type} only: {error}") from error


def _text(values: pd.Series) -> pd.Series:
    words = values.astype(object)
    kind = pd.api.types.infer_dtype(words, skipna=True)
    if kind not in ("string", "empty"):
        raise ValueError(f"found {kind}")
    return words.where(words.notna(), None)


def _yes_no(values: pd.Series) -> pd.Series:
    words = values.astype(object).map({True: "yes", False: "no", "yes": "yes", "no": "no"})
    if bool((words.isna() & values.notna()).any()):
        raise ValueError("found other words than yes and no")
    return words.astype(object).where(words.notna(), None)
