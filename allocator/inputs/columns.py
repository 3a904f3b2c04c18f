"""Columns of the user's tables: found by name, and turned into clean text."""

from collections.abc import Sequence
from difflib import get_close_matches

import pandas as pd

from allocator.core.errors import MissingColumnError
from allocator.inputs.findings import some_of

SHAPEFILE_NAME_LENGTH = 10


def find_column(wanted: str, columns: Sequence[str], *, name: str, setting: str) -> str:
    """The column that a setting means: the same name, else the only one that differs in case alone.

    Parameters
    ----------
    wanted : str
        Name in the study file.
    columns : sequence of str
        Columns of the file.
    name, setting : str
        Input and setting, for messages.

    Returns
    -------
    str
        Name in the file.

    Raises
    ------
    MissingColumnError
        No such column.
    """
    if wanted in columns:
        return wanted
    same = [column for column in columns if column.casefold() == wanted.casefold()]
    if len(same) == 1:
        return same[0]
    folded = {column.casefold(): column for column in columns}
    near = get_close_matches(wanted.casefold(), folded, 1, 0.6)
    cut = [column for column in columns if len(column) == SHAPEFILE_NAME_LENGTH
           and wanted.casefold().startswith(column.casefold())]  # fmt: skip
    if cut:
        hint = f" A shapefile cuts names to {SHAPEFILE_NAME_LENGTH} letters: perhaps {cut[0]}."
    else:
        hint = f" The nearest is {folded[near[0]]}." if near else ""
    holds = some_of(columns, 20) or "no columns at all"
    raise MissingColumnError(
        f"{name}: {setting} = {wanted!r}, but there is no such column.{hint} The file has: {holds}."
    )


def as_text(values: pd.Series) -> list[str]:
    """A column as text: blanks stripped, whole numbers without decimals, missing values empty.

    Parameters
    ----------
    values : pandas.Series
        Any column.

    Returns
    -------
    list of str
        One for each record; a float 17.0 reads 17, an id 00123 stays as it is.
    """
    if isinstance(values.dtype, pd.BooleanDtype) or values.dtype == bool:
        return ["" if pd.isna(value) else ("yes" if value else "no") for value in values]
    found = values.tolist()
    if set(map(type, found)) == {str}:
        return [value.strip() for value in found]
    return [_text(value) for value in found]


def _text(value: object) -> str:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
