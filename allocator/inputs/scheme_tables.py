"""Tables of codes: the shipped ones and people's own CSV files, read the same way."""

import csv
import re
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from allocator.core.errors import SettingsError

Row = dict[str, str]


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
        return name_or_path, _rows(source.read_text(encoding="utf-8"), name_or_path, needed)
    path = Path(folder) / name_or_path
    if not path.is_file():
        near = get_close_matches(name_or_path.casefold(), shipped, 1, 0.5)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(
            f"scheme = {name_or_path!r} is neither a shipped scheme ({', '.join(shipped)}) nor a CSV file "
            f"in the folder of the study file.{hint}"
        )
    try:
        return path.name, _rows(path.read_bytes().decode("utf-8-sig"), path.name, needed)
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path.name}: byte {error.start} is not UTF-8 text. Save the table as CSV UTF-8."
        ) from None


def _rows(text: str, table: str, needed: Sequence[str]) -> list[Row]:
    reader = csv.reader(text.splitlines())
    header = [name.strip().casefold() for name in next(reader, [])]
    missing = [name for name in needed if name not in header]
    if missing:
        found = ", ".join(header) or "nothing"
        hint = " Use commas between columns." if len(header) == 1 and re.search(r"[;\t]", text[:500]) else ""
        raise SettingsError(
            f"{table}: column {', '.join(missing)} is missing; the header line holds: {found}. "
            f"Expected at least {','.join(needed)}.{hint}"
        )
    rows = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            raise SettingsError(
                f"{table}, line {reader.line_num}: {len(cells)} values for {len(header)} columns. "
                "Put quotes around text that holds a comma."
            )
        padded = cells + [""] * (len(header) - len(cells))
        rows.append({name: cell.strip() for name, cell in zip(header, padded, strict=True)})
    if not rows:
        raise SettingsError(f"{table}: the table has no rows. Expected one line for each class.")
    return rows
