"""A plan's folder read back before it takes its place: what was written is there, whole and readable."""

import json
from collections.abc import Mapping
from pathlib import Path

import pyogrio
import rasterio

from allocator.outputs.geopackage import check_geopackage
from allocator.outputs.plan_files import SIDE_FILES, files_in


def check_written(folder: Path, rows: Mapping[str, int]) -> None:
    """Refuse a folder that is not the whole plan.

    Parameters
    ----------
    folder : pathlib.Path
        Holds ``plan.json`` and every file named in it.
    rows : mapping
        Table of ``plan.gpkg`` to the rows that it must have.

    Raises
    ------
    OSError
        A file is missing, empty, damaged, left open by a writer, or not in the record.
    sqlite3.Error, pyogrio.errors.DataSourceError
        ``plan.gpkg`` cannot be opened.
    """
    files = files_in(folder)
    try:
        listed = set(json.loads((folder / "plan.json").read_text(encoding="utf-8"))["files"])
    except (ValueError, KeyError, TypeError) as error:
        raise OSError(f"plan.json came out damaged: {error}") from error
    if files - {"plan.json"} != listed:
        raise OSError(f"the files are not those of plan.json: {', '.join(sorted(files ^ listed - {'plan.json'}))}")
    empty = sorted(name for name in files if not (folder / name).stat().st_size)
    if empty:
        raise OSError(f"these files came out empty: {', '.join(empty)}")
    side = sorted(name for name in files if name.endswith(SIDE_FILES))
    if side:
        raise OSError(f"the GeoPackage was not closed: found {', '.join(side)}")
    check_geopackage(folder / "plan.gpkg", rows)
    missing = set(rows) - set(pyogrio.list_layers(folder / "plan.gpkg")[:, 0])
    if missing:
        raise OSError(f"the GeoPackage opens without {', '.join(sorted(missing))}")
    with rasterio.open(folder / "habitat_score.tif") as raster:
        for _, window in raster.block_windows(1):
            raster.read(1, window=window)  # every block: a raster that was cut short opens all the same
