"""What of a large plan fits on a page or a sheet: the rows that matter most, in the order of the table."""

from typing import TypeVar

import numpy as np
import pandas as pd

Frame = TypeVar("Frame", bound=pd.DataFrame)
MATTERS = {
    "properties": (("traps", "habitat_acres"), "those with most traps, then most habitat"),
    "habitat": (("area_acres",), "the largest"),
    "candidates": (("quality",), "the most suitable"),
}
"""Columns by which rows of a table matter, the first before the second, and words for those that matter most."""


def most_important(name: str, frame: Frame, most: int) -> Frame:
    """At most so many rows of a table.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows.
    most : int
        How many may stay.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        The table itself where it is short enough; else the rows with most in the columns of ``MATTERS``, of equals
        the first.

    Examples
    --------
    >>> spots = pd.DataFrame({"quality": [0.2, 0.9, 0.5]})
    >>> most_important("candidates", spots, 2)["quality"].tolist()
    [0.9, 0.5]
    """
    if len(frame) <= most:
        return frame
    if name not in MATTERS:
        return frame.head(most)
    keys = [-frame[column].fillna(0).to_numpy(float) for column in reversed(MATTERS[name][0])]
    return frame.iloc[np.sort(np.lexsort(keys)[:most])]
