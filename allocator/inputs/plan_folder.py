"""A folder that an earlier plan made, read back: totals, settings, tables."""

import csv
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from allocator.core.errors import InputError

TABLES = ("properties", "sites", "seasons", "inputs")


@dataclass(frozen=True)
class PlanFolder:
    """What a plan wrote.

    Parameters
    ----------
    name : str
        The folder's name.
    record : dict
        ``plan.json``.
    settings : dict
        ``settings.toml``.
    tables : dict
        Table to its rows; every value as text, as written, without the mark before what looks like a formula.
    """

    name: str
    record: dict[str, Any]
    settings: dict[str, Any]
    tables: dict[str, list[dict[str, str]]]


def read_plan_folder(folder: Path) -> PlanFolder:
    """Read a plan's folder.

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
        It is no plan's folder, or a file in it is damaged.
    """
    if not (folder / "plan.json").is_file():
        raise InputError(f"{folder}: no plan.json in this folder. Give a folder that the plan command made.")
    record = json.loads(_text(folder / "plan.json")) if _is(folder / "plan.json", json.loads) else {}
    settings = tomllib.loads(_text(folder / "settings.toml")) if _is(folder / "settings.toml", tomllib.loads) else {}
    if not isinstance(record, dict) or not isinstance(record.get("totals"), dict):
        raise InputError(f"{folder / 'plan.json'}: no totals in it. Make the plan again.")
    tables = {name: _rows(folder / "tables" / f"{name}.csv") for name in TABLES}
    return PlanFolder(folder.name, record, settings, tables)


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}). Make the plan again.") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not UTF-8 text. Make the plan again.") from None


def _is(path: Path, parse: Any) -> bool:
    try:
        parse(_text(path))
    except ValueError as error:  # both parsers' errors are ValueErrors
        raise InputError(f"{path}: damaged ({error}). Make the plan again.") from None
    return True


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.is_file():
        return []
    lines = _text(path).splitlines()
    rows = list(csv.DictReader(lines))
    if any(None in row or None in row.values() for row in rows):
        raise InputError(f"{path}: a line has more or fewer values than there are columns. Make the plan again.")
    return [{name: value.removeprefix("'") for name, value in row.items()} for row in rows]
