"""Tables without geometry: points from their longitude and latitude columns."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from allocator.core.errors import CrsError, GeometryError
from allocator.inputs.findings import some_of

LONGITUDES = ("longitude", "lon", "long", "lng", "x")
LATITUDES = ("latitude", "lat", "y")


def points_of_table(table: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """Points in degrees of a table with longitude and latitude columns.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns as read, numbers perhaps as text.
    name : str
        Name of the input, for messages.

    Returns
    -------
    array of shapely points
        None where a coordinate is blank.

    Raises
    ------
    GeometryError
        There are no such columns.
    CrsError
        The values are no longitudes and latitudes.
    """
    longitude_column, latitude_column = coordinate_columns(list(table.columns))
    if longitude_column is None or latitude_column is None:
        raise GeometryError(
            f"{name}: the table has no shapes. Expected a column WKT, or columns longitude and latitude for points. "
            f"Found: {some_of(table.columns, 20)}."
        )
    longitude = pd.to_numeric(table[longitude_column], errors="coerce").to_numpy(float)
    latitude = pd.to_numeric(table[latitude_column], errors="coerce").to_numpy(float)
    known = np.isfinite(longitude) & np.isfinite(latitude)
    if (np.abs(longitude[known]) > 180).any() or (np.abs(latitude[known]) > 90).any():
        raise CrsError(
            f"{name}: columns {longitude_column} and {latitude_column} hold values beyond 180 and 90 degrees. "
            "Expected longitude and latitude in degrees; perhaps they are swapped or in metres."
        )
    points = np.full(len(table), None, dtype=object)
    points[known] = shapely.points(longitude[known], latitude[known])
    return points


def coordinate_columns(columns: Sequence[str]) -> tuple[str | None, str | None]:
    """The columns of a table that hold its points.

    Parameters
    ----------
    columns : sequence of str
        All columns, in any case.

    Returns
    -------
    longitude, latitude : str or None
        None where there is none.

    Examples
    --------
    >>> coordinate_columns(["name", "Lat", "LON"])
    ('LON', 'Lat')
    """
    return _first(columns, LONGITUDES), _first(columns, LATITUDES)


def _first(columns: Sequence[str], wanted: Sequence[str]) -> str | None:
    folded = {str(column).casefold(): str(column) for column in columns}
    return next((folded[one] for one in wanted if one in folded), None)
