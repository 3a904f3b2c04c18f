"""CSV tables that people write by hand: text, header, rows with their line numbers."""

import csv
import io
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


def table_rows(
    text: str, table: str, needed: Sequence[str], problems: list[str] | None = None
) -> list[tuple[int, Row]]:
    """Rows of a table with their line numbers.

    Parameters
    ----------
    text : str
        The CSV text.
    table : str
        Its name, for messages.
    needed : sequence of str
        Columns that must be there; others are kept too.
    problems : list of str, optional
        Takes what is wrong with single lines, so that it can be told with what is wrong in their cells.

    Returns
    -------
    list of (int, dict)
        Line in the file where the row begins, from 1, and column to text, line breaks inside quotes kept; empty lines
        are left out, and faulty ones where ``problems`` is given.

    Raises
    ------
    SettingsError
        A column is missing or stands twice, a line has too many cells, a quotation mark is wrong, or there are no rows.
    """
    wrong: list[str] = []
    (_, first), *lines = _lines(text, table)
    header = [name.strip().casefold() for name in first]
    while header and not header[-1]:  # commas at the end, as spreadsheets leave them
        header.pop()
    missing = [name for name in needed if name not in header]
    if missing:
        found = ", ".join(header) or "nothing"
        hint = " Use commas between columns." if len(header) == 1 and re.search(r"[;\t]", text[:500]) else ""
        raise SettingsError(
            f"{table}: column {', '.join(missing)} is missing; the header line holds: {found}. "
            f"Expected at least {','.join(needed)}.{hint}"
        )
    twice = [name for name in dict.fromkeys(header) if name and header.count(name) > 1]
    if twice:
        raise SettingsError(f"{table}: column {', '.join(twice)} stands more than once in the header line. Leave one.")
    rows = []
    for line, written in lines:
        cells = [cell.strip() for cell in written]
        if not any(cells):
            continue
        if any(cells[len(header) :]):
            wrong.append(
                f"{table}, line {line}: {len(cells)} values for {len(header)} columns. "
                "Put quotes around text that holds a comma; a number takes a point, such as 12.50."
            )
            continue
        rows.append((line, dict(zip(header, cells + [""] * (len(header) - len(cells)), strict=False))))
    if not rows and not wrong:
        raise SettingsError(f"{table}: the table has no rows below its header line. Expected at least one.")
    if wrong and problems is None:
        raise SettingsError(*wrong)
    if problems is not None:
        problems += wrong
    return rows


def _lines(text: str, table: str) -> list[tuple[int, list[str]]]:
    """Cells of each line and the number of the line where they begin; at least a blank header."""
    reader, lines, begins = csv.reader(io.StringIO(text, newline=""), strict=True), [], 1
    try:
        for cells in reader:
            lines.append((begins, cells))
            begins = reader.line_num + 1
    except csv.Error as error:
        raise SettingsError(
            f"{table}, line {begins}: it cannot be read as CSV ({error}). Look for a quotation mark that is not "
            "closed, or not doubled inside quoted text."
        ) from None
    return lines or [(1, [])]
