"""Shapes in the working coordinate system, and the choice of that system."""

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from allocator.core.arrays import Floats
from allocator.core.crs import (
    AREA_TOLERANCE,
    GEOGRAPHIC,
    Bounds,
    describe,
    distortion,
    is_equal_area,
    local_equal_area,
    transform_points,
)  # fmt: skip
from allocator.core.errors import CrsError, SettingsError
from allocator.inputs.guards import refuse_endless_shapes

Shapes = NDArray[np.object_]
LONGEST_EDGE_M = 2_000.0
"""A longer edge gets more vertices before it is projected: it is straight in its own system only."""
METRES_PER_DEGREE = 111_320.0


def project_shapes(shapes: Shapes, source: CRS, target_wkt: str, name: str) -> Shapes:
    """Shapes in another coordinate system, long edges split first.

    Parameters
    ----------
    shapes : array of shapely shapes
        In the source system, longitude or easting first.
    source : CRS
        Their system.
    target_wkt : str
        The system wanted.
    name : str
        Name of the input, for messages.

    Returns
    -------
    array of shapely shapes
        New shapes in the target system.

    Raises
    ------
    CrsError
        A point has no place in the target system.
    GeometryError
        The edges are so long that splitting them makes too many vertices.
    """
    if not len(shapes) or source.equals(CRS.from_wkt(target_wkt), ignore_axis_order=True):
        return shapes
    longest = _longest_edge(source)
    refuse_endless_shapes(name, shapes, longest)
    split = shapes.copy()
    is_long = ~(_diagonal(shapely.bounds(shapes)) <= longest)
    split[is_long] = shapely.segmentize(shapes[is_long], longest)
    x, y = _transformed(shapely.get_coordinates(split), source, target_wkt, name)
    # set_coordinates writes new shapes into its argument: a copy, so the caller's stay untouched.
    return np.asarray(shapely.set_coordinates(split, np.column_stack([x, y])))


def bounds_of_boxes(boxes: Floats, source: CRS, target_wkt: str, name: str) -> Bounds:
    """The rectangle around many rectangles of another system: without making shapes of the small ones.

    Parameters
    ----------
    boxes : array of float64, shape (boxes, 4)
        West, south, east, north of each; at least one.
    source : CRS
        Their system.
    target_wkt : str
        The system wanted.
    name : str
        Name of the input, for messages.

    Returns
    -------
    tuple of float
        West, south, east, north in the target system.

    Raises
    ------
    CrsError
        A corner has no place in the target system.
    """
    is_long = ~(_diagonal(boxes) <= _longest_edge(source))
    west, south, east, north = boxes[~is_long].T
    corners = np.column_stack([np.r_[west, east, west, east], np.r_[south, south, north, north]])
    x, y = _transformed(corners, source, target_wkt, name)
    large = np.asarray(shapely.box(*boxes[is_long].T)).reshape(np.count_nonzero(is_long))
    points = np.concatenate(
        [np.column_stack([x, y]), shapely.get_coordinates(project_shapes(large, source, target_wkt, name))]
    )
    (west, south), (east, north) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return west, south, east, north


def _longest_edge(source: CRS) -> float:
    """In units of the system."""
    unit_m = METRES_PER_DEGREE if source.is_geographic else float(source.axis_info[0].unit_conversion_factor)
    return LONGEST_EDGE_M / unit_m


def _diagonal(boxes: Floats) -> Floats:
    return np.asarray(np.hypot(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]))


def _transformed(points: Floats, source: CRS, target_wkt: str, name: str) -> tuple[Floats, Floats]:
    try:
        return transform_points(points[:, 0], points[:, 1], source.to_wkt(), target_wkt)
    except CrsError as error:
        raise CrsError(f"{name}: {error}") from None


def box_of(bounds: Bounds, source_wkt: str, target_wkt: str) -> shapely.Polygon:
    """A rectangle of one system as a polygon in another.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north.
    source_wkt, target_wkt : str
        The two systems.

    Returns
    -------
    shapely.Polygon
        With 21 points on each side.

    Raises
    ------
    CrsError
        A corner has no place in the target system.
    """
    west, south, east, north = bounds
    longest = max(east - west, north - south) / 20 or 1.0  # a single point has no edges to split
    points = shapely.get_coordinates(shapely.segmentize(shapely.box(west, south, east, north), longest))
    x, y = transform_points(points[:, 0], points[:, 1], source_wkt, target_wkt)
    return shapely.Polygon(np.column_stack([x, y]))


def bounds_in(bounds: Bounds, source_wkt: str, target_wkt: str) -> Bounds:
    """The rectangle around a rectangle of another system.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north.
    source_wkt, target_wkt : str
        The two systems.

    Returns
    -------
    tuple of float
        West, south, east, north in the target system.
    """
    west, south, east, north = box_of(bounds, source_wkt, target_wkt).bounds
    return west, south, east, north


def degrees_text(bounds: Bounds, crs_wkt: str) -> str:
    """An extent in degrees, for messages.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north.
    crs_wkt : str
        Their system.

    Returns
    -------
    str
        Such as ``longitude -97.010 to -96.990, latitude 29.996 to 30.012``.
    """
    west, south, east, north = bounds_in(bounds, crs_wkt, CRS.from_user_input(GEOGRAPHIC).to_wkt())
    return f"longitude {west:.3f} to {east:.3f}, latitude {south:.3f} to {north:.3f}"


def working_crs(setting: str, degrees: Bounds, raster_wkt: str | None) -> str:
    """The equal-area system to work in.

    Parameters
    ----------
    setting : str
        ``study.crs``: auto, or a system.
    degrees : tuple of float
        Bounds of the properties, longitude and latitude.
    raster_wkt : str or None
        System of the land cover where it is a raster.

    Returns
    -------
    str
        WKT; auto: the raster's own where it is equal-area, else one centred on the properties.

    Raises
    ------
    SettingsError
        The system is unknown, not in metres or not equal-area.
    """
    geographic = CRS.from_user_input(GEOGRAPHIC).to_wkt()
    if setting.strip().casefold() == "auto":
        if raster_wkt is not None and _fits(raster_wkt, degrees, geographic):
            return raster_wkt
        west, south, east, north = degrees
        return local_equal_area((west + east) / 2, (south + north) / 2)
    try:
        crs = CRS.from_user_input(setting)
    except CRSError:
        raise SettingsError(
            f"study.crs = {setting!r} is not a coordinate system that is known. Use auto, or a code such as EPSG:5070."
        ) from None
    wkt = str(crs.to_wkt())
    if not crs.is_projected or abs(crs.axis_info[0].unit_conversion_factor - 1) > 1e-12:
        unit = crs.axis_info[0].unit_name if crs.axis_info else "unknown"
        raise SettingsError(f"study.crs = {setting!r} is measured in {unit}; an equal-area system in metres is needed. "
                            "Use auto.")  # fmt: skip
    error = distortion(wkt, bounds_in(degrees, geographic, wkt)).area_error
    if error > AREA_TOLERANCE:
        raise SettingsError(
            f"study.crs = {setting!r} ({describe(wkt)}) is not equal-area: areas here are off by {error:.2%} "
            f"(at most {AREA_TOLERANCE:.2%} is accepted). Use auto, or an equal-area system such as EPSG:5070."
        )
    return wkt


def _fits(wkt: str, degrees: Bounds, geographic: str) -> bool:
    try:
        return is_equal_area(wkt, bounds_in(degrees, geographic, wkt))
    except CrsError:
        return False
