"""Shapes of the kind that an input takes: others left out, broken polygons mended, every change reported."""

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from allocator.core.crs import GEOGRAPHIC
from allocator.core.errors import GeometryError
from allocator.core.study import Problem
from allocator.core.units import acres
from allocator.inputs.findings import count_of, some_of
from allocator.inputs.layers import Kind
from allocator.inputs.vectors import record_labels

TYPE_KINDS: dict[int, Kind] = {0: "point", 1: "line", 2: "line", 3: "polygon", 4: "point", 5: "line", 6: "polygon"}
COLLECTION = 7
CLOSING_GAP = 0.05
"""A walked track counts as closed when its ends are nearer than this fraction of its length (project default)."""
GEOD = Geod(ellps="WGS84")
MOST_NAMED = 5


def keep_kinds(
    frame: gpd.GeoDataFrame, kinds: Sequence[Kind], name: str, id_column: str | None = None
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Records whose shapes are of some kinds; fitting parts of collections are kept.

    Parameters
    ----------
    frame : GeoDataFrame
        Records; index: record number.
    kinds : sequence of str
        polygon, line, point.
    name : str
        Name of the input.
    id_column : str, optional
        Column that names a record.

    Returns
    -------
    frame : GeoDataFrame
        Records kept.
    problems : list of Problem
        What was left out.
    """
    shapes = frame.geometry.to_numpy().copy()
    types = shapely.get_type_id(shapes)
    for row in np.flatnonzero(types == COLLECTION):
        shapes[row] = _parts_of(shapes[row], kinds)
    fits = np.isin(shapely.get_type_id(shapes), [t for t, kind in TYPE_KINDS.items() if kind in kinds])
    fits &= ~shapely.is_empty(shapes)
    problems = []
    if not fits.all():
        found = dict.fromkeys(TYPE_KINDS.get(int(t), "collection") for t in types[~fits])
        expected = " or ".join(kinds)
        problems.append(
            Problem(
                "warning", name,
                f"{count_of(int((~fits).sum()), 'record')} ignored, not a {expected} but {', '.join(found)}: "
                f"{some_of(record_labels(frame[~fits], id_column), MOST_NAMED)}.",
            )
        )  # fmt: skip
    kept = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))[fits]
    return kept, problems


def _parts_of(shape: shapely.Geometry, kinds: Sequence[Kind]) -> shapely.Geometry:
    """The parts of a shape of some kinds as one shape; an empty collection where there are none."""
    parts = shapely.get_parts(shape)
    while (shapely.get_type_id(parts) >= 4).any():
        parts = shapely.get_parts(parts)
    kept = [part for part in parts if TYPE_KINDS[int(shapely.get_type_id(part))] in kinds]
    if not kept:
        return shapely.GeometryCollection()
    if len({type(part) for part in kept}) > 1:
        kept = [part for part in kept if isinstance(part, shapely.Polygon)] or kept[:1]
    if len(kept) == 1:
        return kept[0]
    makers = {"polygon": shapely.multipolygons, "line": shapely.multilinestrings, "point": shapely.multipoints}
    return makers[TYPE_KINDS[int(shapely.get_type_id(kept[0]))]](kept)


def clean_polygons(
    frame: gpd.GeoDataFrame, name: str, id_column: str | None = None, *, repair_limit: float = 1.0
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Valid polygons with an area.

    Parameters
    ----------
    frame : GeoDataFrame
        Records of any geometry; index: record number.
    name : str
        Name of the input.
    id_column : str, optional
        Column that names a record.
    repair_limit : float
        Largest share of the area of all polygons that mending may change; 1: any.

    Returns
    -------
    frame : GeoDataFrame
        Valid polygons and multipolygons.
    problems : list of Problem
        What was left out or mended, and the acres that the mending changed.

    Raises
    ------
    GeometryError
        No polygon is left, or mending changes more of the area than the limit.
    """
    kept, problems = keep_kinds(frame, ("polygon",), name, id_column)
    if not len(kept) and len(frame):
        found = dict.fromkeys(frame.geom_type)
        raise GeometryError(
            f"{name}: no polygons among {count_of(len(frame), 'record')} ({', '.join(found)} found). "
            "Boundaries (polygons) are needed to measure acres; points and lines do not enclose land."
        )
    before = shapely.area(kept.geometry.to_numpy())
    whole, mended = mend_polygons(kept, name, id_column)
    if len(kept) and not len(whole):
        raise GeometryError(
            f"{name}: none of its {count_of(len(kept), 'polygon')} encloses an area. Check the boundaries in a GIS."
        )
    if mended:
        after = shapely.area(whole.geometry.reindex(kept.index).to_numpy())
        changed = float(np.nansum(np.abs(np.nan_to_num(after) - before)) / np.nansum(after))
        if changed > repair_limit:
            raise GeometryError(
                f"{name}: {mended[0].message} That is {changed:.1%} of all its acres; at most {repair_limit:.1%} "
                "(study.repair_limit_percent) is mended unasked. Draw these boundaries again, or raise the limit."
            )
    return whole, problems + mended


def mend_polygons(
    frame: gpd.GeoDataFrame, name: str, id_column: str | None = None
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Records with broken polygons made valid; lines and points stay as they are.

    Parameters
    ----------
    frame : GeoDataFrame
        Records; index: record number.
    name : str
        Name of the input.
    id_column : str, optional
        Column that names a record.

    Returns
    -------
    frame : GeoDataFrame
        The same records, fewer where nothing is left of one.
    problems : list of Problem
        What was mended, and the acres that it changed.
    """
    shapes = frame.geometry.to_numpy()
    is_polygon = np.isin(shapely.get_type_id(shapes), (3, 6))
    broken = np.flatnonzero(is_polygon & ~shapely.is_valid(shapes))
    if not len(broken):
        return frame, []
    shapes = shapes.copy()
    reasons = dict.fromkeys(str(r).split("[")[0].lower() for r in shapely.is_valid_reason(shapes[broken]))
    before = _acres(shapes[broken], frame)
    shapes[broken] = [_parts_of(shapely.make_valid(shape), ("polygon",)) for shape in shapes[broken]]
    after = _acres(shapes[broken], frame)
    labels = record_labels(frame.iloc[broken], id_column)
    changes = [
        f"{label} ({old:,.2f} to {new:,.2f} acres)" for label, old, new in zip(labels, before, after, strict=True)
    ]
    problem = Problem(
        "warning", name,
        f"{count_of(len(broken), 'invalid polygon')} ({', '.join(reasons)}) repaired: {some_of(changes, MOST_NAMED)}; "
        f"in all {sum(before):,.2f} acres as drawn, {sum(after):,.2f} acres now. Check the boundary.",
    )  # fmt: skip
    mended = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))
    return mended[~shapely.is_empty(shapes)], [problem]


def _acres(shapes: NDArray[np.object_], frame: gpd.GeoDataFrame) -> list[float]:
    """Acres on the ellipsoid; a ring drawn across itself counts as the drawing would, pieces cancelling."""
    degrees = gpd.GeoSeries(shapes, crs=frame.crs).to_crs(GEOGRAPHIC)
    oriented = [shapely.Polygon() if shape.is_empty else shape for shape in degrees]
    return [acres(sum(_ring_areas(shape))) for shape in oriented]


def _ring_areas(shape: shapely.Geometry) -> list[float]:
    areas = []
    for polygon in shapely.get_parts(shape):
        outer = abs(GEOD.geometry_area_perimeter(polygon.exterior)[0])
        areas.append(outer - sum(abs(GEOD.geometry_area_perimeter(ring)[0]) for ring in polygon.interiors))
    return areas


def polygons_from_tracks(frame: gpd.GeoDataFrame, name: str) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Boundaries walked with a GPS: closed tracks become polygons.

    Parameters
    ----------
    frame : GeoDataFrame
        Tracks and other records in degrees.
    name : str
        Name of the input.

    Returns
    -------
    frame : GeoDataFrame
        The same records; tracks whose ends meet are polygons.
    problems : list of Problem
        Which were closed.
    """
    shapes = frame.geometry.to_numpy().copy()
    closed = []
    for row, shape in enumerate(shapes):
        parts = list(shapely.get_parts(shape))
        rings = [_ring_of(part) for part in parts if isinstance(part, shapely.LineString)]
        if rings and len(rings) == len(parts) and all(ring is not None for ring in rings):
            shapes[row] = rings[0] if len(rings) == 1 else shapely.multipolygons(rings)
            closed.append(f"record {frame.index[row]}")
    if not closed:
        return frame, []
    message = (
        f"{count_of(len(closed), 'closed track')} read as a boundary: {some_of(closed, MOST_NAMED)}. "
        "A walked line is some metres off; check it against the survey."
    )
    made = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))
    return made, [Problem("warning", name, message)]


def _ring_of(line: shapely.LineString) -> shapely.Polygon | None:
    points = shapely.get_coordinates(line)
    gap = float(np.hypot(*(points[0] - points[-1])))
    if len(points) < 4 or gap > CLOSING_GAP * line.length:
        return None
    return shapely.Polygon(points)
