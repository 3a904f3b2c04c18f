"""A folder that an earlier plan made, read back: totals, settings, tables."""

import csv
import io
import json
import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from allocator.core.errors import InputError

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A written cell that begins like this has an apostrophe in front; the same as in ``outputs/tables.py``."""
NEEDED = {
    "properties": {
        "property_id": "text",
        "habitat_acres": "number",
        "traps": "number",
        "traps_given": "number",
        "sites": "number",
    },
    "sites": {"site_id": "text", "property_id": "text", "latitude": "number", "longitude": "number"},
    "inputs": {"role": "text", "path_name": "text", "sha256": "text"},
    "seasons": {"season": "text", "habitat_acres": "number"},
}
"""The tables read, and the columns that must be in them."""
MAY_BE_ABSENT = ("seasons",)
REMEDY = "Make the plan again, or give another folder that the plan command made."


@dataclass(frozen=True)
class PlanFolder:
    """What a plan wrote.

    Parameters
    ----------
    name : str
        The folder as the user named it.
    record : dict
        ``plan.json``; ``totals`` is a dict.
    settings : dict
        ``settings.toml``.
    tables : dict
        Table to its rows, for the tables in ``NEEDED``; every value as text, as it was before the apostrophe that
        guards what looks like a formula. Empty text is blank. Columns needed as numbers hold finite numbers. A table
        in ``MAY_BE_ABSENT`` that is not there has no rows.
    """

    name: str
    record: dict[str, Any]
    settings: dict[str, Any]
    tables: dict[str, list[dict[str, str]]]


def read_plan_folder(folder: Path) -> PlanFolder:
    """What a plan wrote into its folder.

    Parameters
    ----------
    folder : Path
        As given to ``--out``.

    Returns
    -------
    PlanFolder
        What it holds.

    Raises
    ------
    InputError
        It is no plan's folder, or a file in it is absent or damaged.
    """
    record = _parsed(folder / "plan.json", json.loads, "the record that the plan command writes, as JSON")
    if not isinstance(record, dict) or not isinstance(record.get("totals"), dict):
        raise _unusable(folder / "plan.json", "JSON without totals", "the record that the plan command writes")
    settings = _parsed(folder / "settings.toml", tomllib.loads, "the settings that the plan command writes, as TOML")
    tables = {name: _rows(folder / "tables" / f"{name}.csv", columns) for name, columns in NEEDED.items()}
    return PlanFolder(str(folder), record, settings, tables)


def _unusable(path: Path, found: str, expected: str) -> InputError:
    return InputError(f"{path}: found {found}; expected {expected}. {REMEDY}")


def _parsed(path: Path, parse: Callable[[str], Any], expected: str) -> Any:
    try:
        return parse(_text(path, expected))
    except (ValueError, RecursionError) as error:  # the errors of both parsers are ValueErrors
        raise _unusable(path, f"damage ({error})", expected) from None


def _text(path: Path, expected: str) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        raise _unusable(path, "no such file", expected) from None
    except OSError as error:
        raise _unusable(path, f"a file that cannot be read ({error.strerror})", expected) from None
    except UnicodeDecodeError:
        raise _unusable(path, "bytes that are not UTF-8 text", expected) from None


def _rows(path: Path, columns: Mapping[str, str]) -> list[dict[str, str]]:
    if path.stem in MAY_BE_ABSENT and not path.exists():
        return []
    expected = f"a CSV table with the columns {', '.join(columns)}"
    reader = csv.DictReader(io.StringIO(_text(path, expected), newline=""), strict=True)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise _unusable(path, f"damage near line {reader.line_num} ({error})", expected) from None
    missing = [name for name in columns if name not in (reader.fieldnames or ())]
    if missing:
        raise _unusable(path, f"no column {', '.join(missing)}", expected)
    for count, row in enumerate(rows, start=1):
        if None in row or None in row.values():
            raise _unusable(path, f"a row with more or fewer values than there are columns, row {count}", expected)
        for name, kind in columns.items():
            if kind == "number" and not _is_number(row[name]):
                raise _unusable(path, f"{row[name]!r} in column {name}, row {count}", "a number there")
    return [{name: _unguarded(value) for name, value in row.items()} for row in rows]


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _unguarded(text: str) -> str:
    """The text before its guard; an apostrophe of the text's own stays."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text
