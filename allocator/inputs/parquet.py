"""GeoParquet, where the optional library for it is installed."""

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import geopandas as gpd
from pyproj.exceptions import CRSError

from allocator.core.errors import InputError

SUFFIXES = (".parquet", ".geoparquet")
MOST_ROWS = 5_000_000
"""A GeoParquet file is read whole before it is cut to the land around the properties."""


def is_parquet(path: Path | str) -> bool:
    """Whether a file is read as GeoParquet.

    Parameters
    ----------
    path : Path or str
        File name.

    Returns
    -------
    bool
        From the extension.
    """
    return Path(path).suffix.casefold() in SUFFIXES


def parquet_fields(path: Path, name: str) -> list[str]:
    """The columns of a GeoParquet file.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Name of the input, for messages.

    Returns
    -------
    list of str
        In file order, the geometry among them.

    Raises
    ------
    InputError
        The library is not installed, or the file is damaged or too long.
    """
    module = _library(name)
    try:
        with module.ParquetFile(path) as file:
            rows, fields = file.metadata.num_rows, list(file.schema_arrow.names)
    except Exception as error:  # the library raises whatever its parts raise
        raise _damaged(name, error) from None
    if rows > MOST_ROWS:
        raise InputError(
            f"{name}: {rows:,} records; at most {MOST_ROWS:,} of a GeoParquet file can be read at once. Convert it to "
            "a GeoPackage, of which only the land around the properties is read."
        )
    return fields


def read_parquet(path: Path, columns: Sequence[str], name: str) -> gpd.GeoDataFrame:
    """Shapes and some columns of a GeoParquet file.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of str
        Columns wanted beside the shapes.
    name : str
        Name of the input, for messages.

    Returns
    -------
    GeoDataFrame
        In file order.

    Raises
    ------
    InputError
        The file holds no shapes or is damaged.
    """
    _library(name)
    try:
        whole = gpd.read_parquet(path)
    except CRSError:
        raise InputError(f"{name}: its coordinate system cannot be understood. Export it again.") from None
    except Exception as error:  # the library raises whatever its parts raise
        raise _damaged(name, error) from None
    return gpd.GeoDataFrame(whole[list(columns)], geometry=whole.geometry.force_2d(), crs=whole.crs)


def _library(name: str) -> Any:
    try:
        return import_module("pyarrow.parquet")
    except ImportError:
        raise InputError(
            f"{name}: reading GeoParquet needs the optional library pyarrow. Install it with "
            "pip install 'allocator[parquet]', or convert the file to a GeoPackage."
        ) from None


def _damaged(name: str, error: Exception) -> InputError:
    said = (str(error).splitlines() or ["no reason given"])[0][:200]
    return InputError(
        f"{name}: the file cannot be read as GeoParquet ({said}). It may be damaged or hold no shapes; export it again."
    )
