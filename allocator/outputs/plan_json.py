"""The record of a plan as JSON: totals, how the sites were chosen, inputs, versions, warnings, and when it was made."""

import json
import math
import platform
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pyproj
import rasterio
import shapely

from allocator.core.results import Plan
from allocator.outputs.columns import documented_values
from allocator.outputs.tables import cautions

MADE_BY = "allocator"
"""By this word in ``plan.json`` the tool knows a folder as one of its own."""
_PACKAGES = ("allocator", "numpy", "scipy", "pandas", "shapely", "pyproj", "geopandas", "pyogrio", "rasterio")
_OPENCV = ("opencv-python-headless", "opencv-python", "opencv-contrib-python-headless", "opencv-contrib-python")


def versions() -> dict[str, str]:
    """Versions of the tool, of Python and of the libraries that a plan's numbers rest on.

    Returns
    -------
    dict
        ``gdal`` is the one that reads and writes vectors, ``gdal_rasters`` the one that reads rasters.
    """
    found = {name: _version(name) for name in _PACKAGES}
    return {
        "allocator": found.pop("allocator"),
        "python": platform.python_version(),
        **found,
        "geos": shapely.geos_version_string,
        "proj": str(pyproj.proj_version_str),
        "gdal": str(pyogrio.__gdal_version_string__),
        "gdal_rasters": str(rasterio.__gdal_version__),
        "opencv": _version(*_OPENCV),
    }


def _version(*distributions: str) -> str:
    for distribution in distributions:
        try:
            return metadata.version(distribution)
        except metadata.PackageNotFoundError:
            continue
    return "not installed as a package"


def plan_record(plan: Plan, started: datetime, seconds: float) -> dict[str, Any]:
    """The record of a plan in plain values.

    Parameters
    ----------
    plan : Plan
        The plan.
    started : datetime.datetime
        When the work began, with its time zone; written as UTC.
    seconds : float
        How long it took.

    Returns
    -------
    dict
        Ready for JSON; what is not known is null or left out. ``started`` and ``seconds`` alone differ between two
        runs of the same study.

    Raises
    ------
    ValueError
        ``started`` has no time zone.
    """
    if started.tzinfo is None:
        raise ValueError("started has no time zone")
    totals = {name: value for name, value in asdict(plan.totals).items() if value is not None}
    record = {
        "made_by": MADE_BY,
        "study": plan.study.settings.study.name,
        "totals": totals,
        "solver": asdict(plan.solver),
        "inputs": documented_values("inputs", plan.inputs).to_dict("records"),
        "versions": versions(),
        "warnings": plan.warnings,
        "cautions": cautions(),
        "facts": plan.facts,
        "started": started.astimezone(UTC).isoformat(timespec="seconds"),
        "seconds": round(seconds, 3),
    }
    return {name: _plain(value) for name, value in record.items()}


def write_plan_json(record: Mapping[str, Any], path: Path) -> None:
    """Write a record as JSON.

    Parameters
    ----------
    record : mapping
        As :func:`plan_record` gives it.
    path : pathlib.Path
        Where.

    Raises
    ------
    ValueError
        The record holds a number that JSON has no word for.
    OSError
        The file cannot be written.
    """
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _plain(value: Any) -> Any:
    """The value in the words of JSON: blank numbers become null, arrays and tuples lists."""
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, set | frozenset):
        return sorted(_plain(part) for part in value)
    if value is pd.NA or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value
