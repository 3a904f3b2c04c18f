"""Shapes made small enough for a page: simplified, in longitude and latitude, as short lists of whole numbers."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.study import Shapes

STEPS_PER_DEGREE = 1_000_000
"""Coordinates are whole millionths of a degree: about 0.1 m."""
MOST_POINTS = 250_000
"""Corner points that one layer may have on the page; beyond, it is drawn more coarsely."""
TOLERANCES_M = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0)
"""How far a drawn line may stray from the true one; the first that keeps a layer under ``MOST_POINTS``."""
MANY_PARTS, SAMPLE = 20, 500
"""Parts of a shape that are simplified one by one; parts tried to see how coarse a layer has to be."""
JOIN_M = 0.5
"""Lines nearer than about this are taken for the same stretch."""
Part = list[Any]


def display_shapes(shapes: Shapes, crs_wkt: str) -> Shapes:
    """The shapes as they are drawn: simplified alone, each for itself, in longitude and latitude.

    Parameters
    ----------
    shapes : array of shapely shapes
        In the study's coordinate system; blank and empty ones are allowed.
    crs_wkt : str
        That system.

    Returns
    -------
    array of shapely shapes
        In the same order; outer rings run clockwise so that overlaps do not blot each other out.
    """
    flat = shapely.force_2d(np.asarray(shapes, dtype=object))
    start = _first_tolerance(flat)
    slim = flat
    for tolerance_m in TOLERANCES_M[start:]:
        slim = _simplified(slim, tolerance_m)
        if int(shapely.get_num_coordinates(slim).sum()) <= MOST_POINTS:
            break
    corners = shapely.get_coordinates(slim)
    if len(corners):
        longitude, latitude = transform_points(corners[:, 0], corners[:, 1], crs_wkt, GEOGRAPHIC)
        slim = shapely.set_coordinates(slim.copy(), np.column_stack([longitude, latitude]))
    return np.asarray(shapely.orient_polygons(slim, exterior_cw=True), dtype=object)


def _first_tolerance(shapes: Shapes) -> int:
    """Place of the tolerance to begin with: what some of the parts come to tells of all."""
    parts = shapely.get_parts(shapes)
    few = parts[:: max(1, len(parts) // SAMPLE)]
    share = MOST_POINTS / max(1, int(shapely.get_num_coordinates(parts).sum()))
    most = share * int(shapely.get_num_coordinates(few).sum())
    if share >= 1:
        return 0
    for at, tolerance_m in enumerate(TOLERANCES_M):
        few = _simplified_parts(few, tolerance_m)
        if int(shapely.get_num_coordinates(few).sum()) <= most:
            return at
    return len(TOLERANCES_M) - 1


def _simplified(shapes: Shapes, tolerance_m: float) -> Shapes:
    """Simplified with all their parts kept; parts of an area one by one, which a shape of thousands is quicker with."""
    slim = np.array(shapes, dtype=object)
    is_many = (shapely.get_type_id(slim) == shapely.GeometryType.MULTIPOLYGON) & (
        shapely.get_num_geometries(slim) > MANY_PARTS
    )
    slim[~is_many] = _simplified_parts(slim[~is_many], tolerance_m)
    parts, of = shapely.get_parts(slim[is_many], return_index=True)
    if len(parts):
        parts, at = shapely.get_parts(_simplified_parts(parts, tolerance_m), return_index=True)
        slim[is_many] = shapely.multipolygons(parts, indices=of[at])
    return slim


def _simplified_parts(shapes: Shapes, tolerance_m: float) -> Shapes:
    """Simplified the quick way, which closes holes narrower than the tolerance and may part a shape at a narrow place.

    Where it loses a part, or more ground than a line that strays by the tolerance may, the careful way is taken, which
    is ten times as slow.
    """
    slim = np.asarray(shapely.simplify(shapes, tolerance_m, preserve_topology=False), dtype=object)
    is_lost = shapely.get_num_geometries(slim) < shapely.get_num_geometries(shapes)
    is_lost |= np.abs(shapely.area(slim) - shapely.area(shapes)) > shapely.length(shapes) * tolerance_m / 2
    is_lost |= shapely.is_empty(slim) & ~shapely.is_empty(shapes)
    slim[is_lost] = shapely.simplify(shapes[is_lost], tolerance_m, preserve_topology=True)
    return slim


def steps(corners: NDArray[np.float64]) -> list[int]:
    """Corner points as one list: the first as it is, each later one as the step from the one before.

    Parameters
    ----------
    corners : array, shape (points, 2)
        Longitude and latitude in degrees.

    Returns
    -------
    list of int
        Millionths of a degree: east, north, east, north and so on.

    Examples
    --------
    >>> steps(np.array([[-64.5, 28.0], [-64.499, 28.001]]))
    [-64500000, 28000000, 1000, 1000]
    """
    whole = np.rint(corners * STEPS_PER_DEGREE).astype(np.int64)
    moves = whole.copy()
    moves[1:] -= whole[:-1]
    out: list[int] = moves.ravel().tolist()
    return out


def areas(shape: Any) -> list[list[Part]]:
    """Rings of every polygon in a shape; outer ring first, without the closing point.

    Parameters
    ----------
    shape : shapely shape or None
        In longitude and latitude.

    Returns
    -------
    list
        Polygons, each a list of rings as :func:`steps` gives them; empty when there is no polygon.
    """
    return [
        [steps(shapely.get_coordinates(ring)[:-1]) for ring in (polygon.exterior, *polygon.interiors)]
        for polygon in _parts(shape)
        if polygon.geom_type == "Polygon"
    ]


def lines(shape: Any) -> list[Part]:
    """Every line in a shape.

    Parameters
    ----------
    shape : shapely shape or None
        In longitude and latitude.

    Returns
    -------
    list
        Lines as :func:`steps` gives them; empty when there is none.
    """
    kinds = ("LineString", "LinearRing")
    return [steps(shapely.get_coordinates(part)) for part in _parts(shape) if part.geom_type in kinds]


def points(shape: Any) -> list[Part]:
    """Every point in a shape.

    Parameters
    ----------
    shape : shapely shape or None
        In longitude and latitude.

    Returns
    -------
    list
        Pairs in millionths of a degree; empty when there is none.
    """
    return [steps(shapely.get_coordinates(part)) for part in _parts(shape) if part.geom_type == "Point"]


def middle(shape: Any) -> list[int] | None:
    """A point inside a shape, where its card opens.

    Parameters
    ----------
    shape : shapely shape or None
        In longitude and latitude.

    Returns
    -------
    list of int or None
        Millionths of a degree; None when the shape is blank or empty.
    """
    if shape is None or shape.is_empty:
        return None
    return steps(shapely.get_coordinates(shapely.point_on_surface(shape)))


def mixed(shapes: Shapes | None, crs_wkt: str) -> dict[str, list[Any]]:
    """Shapes of any kind in one bundle, for layers that are only looked at.

    Parameters
    ----------
    shapes : array of shapely shapes or None
        In the study's coordinate system.
    crs_wkt : str
        That system.

    Returns
    -------
    dict
        ``areas``, ``lines`` and ``points`` of all shapes together.
    """
    if shapes is None or len(shapes) == 0:
        return {"areas": [], "lines": [], "points": []}
    drawn = display_shapes(shapes, crs_wkt)
    return {
        "areas": [polygon for shape in drawn for polygon in areas(shape)],
        "lines": [line for shape in drawn for line in lines(shape)],
        "points": [point for shape in drawn for point in points(shape)],
    }


def once(shapes: Shapes, crs_wkt: str) -> list[Part]:
    """Lines that share stretches, each stretch drawn once: dashes laid over dashes could not be told apart.

    Parameters
    ----------
    shapes : array of shapely lines
        In the study's coordinate system; empty ones are allowed.
    crs_wkt : str
        That system.

    Returns
    -------
    list
        Lines as :func:`steps` gives them; empty when there is none.
    """
    joined = shapely.line_merge(shapely.union_all(np.asarray(shapes, dtype=object), grid_size=JOIN_M))
    return lines(display_shapes(np.array([joined], dtype=object), crs_wkt)[0])


def _parts(shape: Any) -> list[Any]:
    """Single, not empty parts of a shape, also out of collections of collections."""
    if shape is None or shape.is_empty:
        return []
    parts = shapely.get_parts(shape)
    if len(parts) == 1 and parts[0].geom_type == shape.geom_type:
        return list(parts)
    return [single for part in parts for single in _parts(part)]
