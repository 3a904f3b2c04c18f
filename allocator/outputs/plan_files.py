"""The files of a plan's folder: which it came with, and which were changed since."""

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from allocator.outputs.plan_json import MADE_BY

SIDE_FILES = ("-wal", "-shm", "-journal")
"""How names end of files that a program keeps beside a GeoPackage while it has it open."""


def files_in(folder: Path) -> set[str]:
    """Every file in a folder and below.

    Parameters
    ----------
    folder : pathlib.Path
        The folder.

    Returns
    -------
    set of str
        Paths relative to the folder, with ``/``; links count as files.
    """
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_symlink() or not path.is_dir()}


def file_record(folder: Path) -> dict[str, Any]:
    """What ``plan.json`` says of the files beside it, so that a later change can be seen.

    Parameters
    ----------
    folder : pathlib.Path
        A folder that holds every file but ``plan.json``.

    Returns
    -------
    dict
        ``files``, sorted; ``sha256`` of each; ``geopackage_sha256`` of the rows of ``plan.gpkg``, because many programs
        change the file by opening it.
    """
    files = sorted(files_in(folder))
    return {
        "files": files,
        "sha256": {name: _hash(folder / name) for name in files},
        "geopackage_sha256": rows_hash(folder / "plan.gpkg"),
    }


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def rows_hash(path: Path) -> str:
    """A hash over all rows of a GeoPackage, whatever else is in the file.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    str
        SHA-256 over names, columns and rows of all tables that are not the format's own (``gpkg_*``, ``rtree_*``,
        ``sqlite_*``); a table that someone added, as styles kept in the file, counts.

    Raises
    ------
    sqlite3.Error
        It is no such file, or damaged.
    """
    found = hashlib.sha256()
    # immutable: opening a file that a GIS left in its journal mode "wal" would put side files beside it
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for name in sorted(names):
            if name.startswith(("gpkg_", "rtree_", "sqlite_")):
                continue
            quoted = name.replace('"', '""')  # S608: names cannot be bound as values; the file is open for reading only
            rows = connection.execute(f'SELECT * FROM "{quoted}" ORDER BY rowid')  # noqa: S608
            found.update(repr((name, [column[0] for column in rows.description])).encode())
            for row in rows:
                found.update(repr(row).encode())
    return found.hexdigest()


def record_of_plan(folder: Path) -> dict[str, Any] | None:
    """The record of a plan that this tool made.

    Parameters
    ----------
    folder : pathlib.Path
        A folder.

    Returns
    -------
    dict or None
        ``plan.json``; None where there is none, or another program's.
    """
    try:
        record: Any = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return record if isinstance(record, dict) and record.get("made_by") == MADE_BY else None


def strange_files(folder: Path, record: dict[str, Any]) -> list[str]:
    """Files that did not come with the plan.

    Parameters
    ----------
    folder : pathlib.Path
        The folder of a plan.
    record : dict
        Its record.

    Returns
    -------
    list of str
        Sorted.
    """
    files = record.get("files")
    return sorted(files_in(folder) - set(map(str, files if isinstance(files, list) else ())) - {"plan.json"})


def changed_files(folder: Path, record: dict[str, Any]) -> list[str] | None:
    """Files that are no longer as the plan wrote them.

    Parameters
    ----------
    folder : pathlib.Path
        The folder of a plan.
    record : dict
        Its record.

    Returns
    -------
    list of str or None
        Sorted, without those that are gone; None where the record has no hashes to tell by. ``plan.gpkg`` counts as
        changed when its rows are other ones, or cannot be read.

    Raises
    ------
    OSError
        A file cannot be read.
    """
    hashes = record.get("sha256")
    if not isinstance(hashes, dict):
        return None
    there = sorted(name for name in files_in(folder) if name in hashes)
    changed = [name for name in there if _hash(folder / name) != hashes[name]]
    if "plan.gpkg" in changed and _has_the_rows(folder / "plan.gpkg", record.get("geopackage_sha256")):
        changed.remove("plan.gpkg")
    return changed


def _has_the_rows(path: Path, expected: object) -> bool:
    try:
        return rows_hash(path) == expected
    except sqlite3.Error:
        return False


def is_locked(path: Path) -> bool:
    """Whether another program is about to write to a GeoPackage, so that what it writes would be lost.

    Parameters
    ----------
    path : pathlib.Path
        The file; may be absent.

    Returns
    -------
    bool
        False also where that cannot be known. A program that only reads does not count.
    """
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0)) as connection:
            connection.execute("BEGIN IMMEDIATE")  # asks for the right to write, and writes nothing
            connection.rollback()
    except sqlite3.Error as error:
        return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
    return False
