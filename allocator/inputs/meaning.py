"""Whether boundaries mean what they say: acres against the deed, slivers, parts that lie far apart."""

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod
from scipy.spatial import cKDTree

from allocator.core.crs import GEOGRAPHIC
from allocator.core.study import Problem, Properties
from allocator.core.units import acres
from allocator.inputs.findings import count_of, some_of

ACRES_COLUMNS = (
    "deed_acres", "deeded_acres", "legal_acres", "gis_acres", "calc_acres", "tax_acres", "total_acres", "acres",
    "acreage",
)  # fmt: skip
"""Columns that obviously hold acres, the deed first (common practice, no source)."""
MOST_MEASURED = 500
ACRES_TOLERANCE = 0.1
"""Deeds and drawings differ by a few percent; a wrong coordinate system by more (project default)."""
SLIVER_WIDTH_M = 3.0
"""Land thinner than this on average is a gap between two drawings rather than land (project default)."""
FAR_M = 20_000.0
"""Parts of one property farther apart than this are doubted (project default)."""
FEET_FOR_METRES = 0.3048**2
GEOD = Geod(ellps="WGS84")


def doubts_about_acres(frame: gpd.GeoDataFrame, name: str) -> list[Problem]:
    """A warning where the acres drawn are not those that the file itself states.

    Parameters
    ----------
    frame : GeoDataFrame
        Valid polygons with their system; the first of the usual columns of acres that it has is compared.
    name : str
        Name of the input.

    Returns
    -------
    list of Problem
        At most one: the median of drawn over stated, of 500 records at most; none where no record states acres.

    Notes
    -----
    A .prj that says metres where the coordinates are feet makes every area 10.76 times too large.
    """
    column = next((one for one in ACRES_COLUMNS if one in frame), None)
    if column is None:
        return []
    stated = pd.to_numeric(frame[column], errors="coerce").to_numpy(float)
    rows = np.flatnonzero(np.isfinite(stated) & (stated > 0))[:MOST_MEASURED]
    if not len(rows):
        return []
    shapes = gpd.GeoSeries(frame.geometry.iloc[rows]).to_crs(GEOGRAPHIC)
    drawn = np.array([acres(abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(one))[0])) for one in shapes])
    ratio = float(np.median(drawn / stated[rows]))
    if not np.isfinite(ratio) or abs(ratio - 1) <= ACRES_TOLERANCE:
        return []
    is_feet = any(abs(ratio / factor - 1) <= ACRES_TOLERANCE for factor in (FEET_FOR_METRES, 1 / FEET_FOR_METRES))
    hint = " Feet and metres look confused." if is_feet else ""
    message = (
        f"the boundaries hold {ratio:.3g} times the acres that column {column} states (median of "
        f"{count_of(len(rows), 'record')}).{hint} Check the coordinate system (.prj) and the column."
    )
    return [Problem("warning", name, message)]


def doubts_about_shapes(properties: Properties, name: str) -> list[Problem]:
    """Warnings of slivers, of parts of one property that lie far apart, and of a property far from all others.

    Parameters
    ----------
    properties : Properties
        In an equal-area system in metres.
    name : str
        Name of the input.

    Returns
    -------
    list of Problem
        At most three.
    """
    shapes = properties.shapes
    length = np.maximum(shapely.length(shapes), 1e-9)
    thin = np.flatnonzero(2 * shapely.area(shapes) / length < SLIVER_WIDTH_M)
    problems = []
    if len(thin):
        told = some_of([f"{properties.ids[at]} ({acres(float(shapely.area(shapes[at]))):,.3f} acres)" for at in thin])
        message = (
            f"{count_of(len(thin), 'property record')} under {SLIVER_WIDTH_M:g} m wide on average: {told}. Probably a "
            "gap between two drawings; join it to its neighbour."
        )
        problems.append(Problem("warning", name, message))
    problems += _told_far(_parted(properties), "with parts far apart", "one id may stand for two properties", name)
    problems += _told_far(_lonely(properties), "far from all others", "its place may be wrong", name)
    return problems


def _told_far(found: Sequence[tuple[str, float]], what: str, doubt: str, name: str) -> list[Problem]:
    far = [f"{one} ({distance_m / 1000:,.0f} km)" for one, distance_m in found if distance_m > FAR_M]
    if not far:
        return []
    message = f"{count_of(len(far), 'property record')} {what}: {some_of(far)}; {doubt}."
    return [Problem("warning", name, message)]


def _parted(properties: Properties) -> list[tuple[str, float]]:
    """Properties in several parts that spread far, with the widest gap between a part and the part nearest to it."""
    bounds = shapely.bounds(properties.shapes)
    spread = np.hypot(*(bounds[:, 2:] - bounds[:, :2]).T)
    doubted = np.flatnonzero((shapely.get_num_geometries(properties.shapes) > 1) & (spread > FAR_M))
    return [(properties.ids[at], float(_nearest_m(shapely.get_parts(properties.shapes[at])).max())) for at in doubted]


def _lonely(properties: Properties) -> list[tuple[str, float]]:
    """Properties with no other one's south-west corner near their own, with the distance to the nearest property."""
    shapes = properties.shapes
    if len(shapes) < 3:  # of two, neither is the odd one
        return []
    corner = shapely.bounds(shapes)[:, :2]
    # Two in one square are near each other; only those alone in theirs are looked at.
    _, square, number = np.unique(
        np.floor(corner / (FAR_M / 2)).astype(np.int64), axis=0, return_inverse=True, return_counts=True
    )
    alone = np.flatnonzero(number[square] == 1)
    tree = shapely.STRtree(shapes)
    found = []
    for at in alone[cKDTree(corner).query(corner[alone], k=2)[0][:, 1] > FAR_M] if len(alone) else ():
        _, distance = tree.query_nearest(shapes[at], exclusive=True, return_distance=True, all_matches=False)
        found.append((properties.ids[at], float(distance.max(initial=0.0))))
    return found


def _nearest_m(shapes: NDArray[np.object_]) -> NDArray[np.float64]:
    """Distance of each shape to the nearest other one."""
    tree = shapely.STRtree(shapes)
    (row, _), distance = tree.query_nearest(shapes, exclusive=True, return_distance=True, all_matches=False)
    nearest = np.zeros(len(shapes))
    nearest[row] = distance
    return nearest
