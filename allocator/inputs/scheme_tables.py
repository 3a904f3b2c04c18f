"""Tables of codes: the shipped ones and people's own CSV files, read the same way."""

import re
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from allocator.core.errors import SettingsError
from allocator.inputs.csv_tables import Row, csv_text, table_rows


def plain_code(value: object) -> str:
    """A class code as text: blanks stripped, whole numbers without decimals.

    Parameters
    ----------
    value : object
        Number or text; None and NaN are blank.

    Returns
    -------
    str
        Empty where blank.

    Examples
    --------
    >>> [plain_code(v) for v in (90, 90.0, " 90 ", "90.0", "PFO1A", None, float("nan"))]
    ['90', '90', '90', '90', 'PFO1A', '', '']
    """
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    text = str(value).strip()
    return str(int(text.partition(".")[0])) if re.fullmatch(r"[+-]?\d+(\.0*)?", text) else text


def read_table(
    name_or_path: str, folder: Path, *, shipped: Sequence[str], file_prefix: str, needed: Sequence[str]
) -> tuple[str, list[Row]]:
    """A shipped table, or a CSV of the user's.

    Parameters
    ----------
    name_or_path : str
        Name of a shipped table, or path of a CSV.
    folder : Path
        Folder of the study file.
    shipped : sequence of str
        Names that come with the package.
    file_prefix : str
        Before the name in the shipped file's name.
    needed : sequence of str
        Columns that must be there.

    Returns
    -------
    name : str
        Name, or file name of the CSV.
    rows : list of dict
        Column to text.

    Raises
    ------
    SettingsError
        No such table, or a faulty one.
    """
    if name_or_path in shipped:
        source = resources.files("allocator.inputs") / "schemes" / f"{file_prefix}{name_or_path}.csv"
        return name_or_path, [row for _, row in table_rows(source.read_text(encoding="utf-8"), name_or_path, needed)]
    path = Path(folder) / name_or_path
    if not path.is_file():
        near = get_close_matches(name_or_path.casefold(), shipped, 1, 0.5)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(
            f"scheme = {name_or_path!r} is neither a shipped scheme ({', '.join(shipped)}) nor a CSV file "
            f"in the folder of the study file.{hint}"
        )
    return path.name, [row for _, row in table_rows(csv_text(path), path.name, needed)]
