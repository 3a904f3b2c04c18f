"""CSV tables that people write by hand: text, header, rows with their line numbers."""

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from allocator.core.errors import SettingsError

Row = dict[str, str]
"""Column name in lower case to the text of its cell, without blanks around it."""


def csv_text(path: Path) -> str:
    """Text of a CSV file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Without a byte order mark.

    Raises
    ------
    SettingsError
        The file is not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path.name}: byte {error.start} is not UTF-8 text. Save the table as CSV UTF-8."
        ) from None


def table_rows(text: str, table: str, needed: Sequence[str]) -> list[tuple[int, Row]]:
    """Rows of a table with their line numbers.

    Parameters
    ----------
    text : str
        The CSV text.
    table : str
        Its name, for messages.
    needed : sequence of str
        Columns that must be there; others are kept too.

    Returns
    -------
    list of (int, dict)
        Line in the file, from 1, and column to text; empty lines are left out.

    Raises
    ------
    SettingsError
        A column is missing, a line has too many cells, or there are no rows.
    """
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
        rows.append((reader.line_num, {name: cell.strip() for name, cell in zip(header, padded, strict=True)}))
    if not rows:
        raise SettingsError(f"{table}: the table has no rows below its header line. Expected at least one.")
    return rows
