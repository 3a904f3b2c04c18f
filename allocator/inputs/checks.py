"""Checks across inputs: whether they lie in the same place, and how much of the properties they cover."""

import math

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS, Geod
from rasterio.features import rasterize

from allocator.core.crs import GEOGRAPHIC, Bounds, transform_points
from allocator.core.errors import CrsError, InputError, SettingsError
from allocator.core.grid import Window
from allocator.core.study import PolygonCover, Problem, Properties
from allocator.inputs.cover import touches_box
from allocator.inputs.findings import count_of
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.projecting import bounds_in, box_of, degrees_text
from allocator.inputs.raster_cells import CELLS_AT_ONCE
from allocator.inputs.rasters import RasterFile

MOST_POLYGONS_MEASURED = 20_000
MOST_PIECES_MEASURED = 200_000
SHARE_TOLD = 0.005
GEOD = Geod(ellps="WGS84")


def _geographic() -> str:
    return str(CRS.from_user_input(GEOGRAPHIC).to_wkt())


def _gap_km(one: Bounds, other: Bounds) -> float:
    """Kilometres between two rectangles in degrees."""
    x1 = min(max(one[0], other[0]), one[2])
    y1 = min(max(one[1], other[1]), one[3])
    x2, y2 = min(max(x1, other[0]), other[2]), min(max(y1, other[1]), other[3])
    return float(GEOD.inv(x1, y1, x2, y2)[2]) / 1000


def _meet(one: Bounds, other: Bounds) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def refuse_elsewhere(name: str, bounds: Bounds, crs_wkt: str, properties_degrees: Bounds) -> None:
    """Stop where an input does not meet the properties.

    Parameters
    ----------
    name : str
        Name of the input.
    bounds : tuple of float
        Its extent.
    crs_wkt : str
        Its system.
    properties_degrees : tuple of float
        Extent of the properties, longitude and latitude.

    Raises
    ------
    InputError
        No overlap; says both extents in degrees and how far apart they are.
    """
    try:
        degrees = bounds_in(bounds, crs_wkt, _geographic())
    except CrsError as error:
        raise CrsError(f"{name}: {error}") from None
    if _meet(degrees, properties_degrees):
        return
    swapped = (degrees[1], degrees[0], degrees[3], degrees[2])
    hint = " Latitude and longitude look swapped in one of the two." if _meet(swapped, properties_degrees) else ""
    raise InputError(
        f"{name}: it does not overlap the properties. It lies at {degrees_text(bounds, crs_wkt)}, the properties at "
        f"{degrees_text(properties_degrees, _geographic())}, {_gap_km(degrees, properties_degrees):,.0f} km away."
        f"{hint} Check which area the file covers and its coordinate system."
    )


def part_outside_raster(
    raster: RasterFile, properties: Properties, crs_wkt: str, without: str = "its habitat is not counted."
) -> list[Problem]:
    """A warning where a raster does not reach over all properties.

    Parameters
    ----------
    raster : RasterFile
        Land cover or elevation.
    properties : Properties
        In the working system.
    crs_wkt : str
        Working system.
    without : str
        What a blank means for the plan.

    Returns
    -------
    list of Problem
        At most one: the share of the property area outside the raster's edges.
    """
    footprint = _footprint(raster, crs_wkt)
    shapely.prepare(footprint)
    crossing = ~shapely.covers(footprint, properties.shapes)
    if not crossing.any():
        return []
    total = float(shapely.area(properties.shapes).sum())
    cut = properties.shapes[crossing]
    outside = float((shapely.area(cut) - shapely.area(shapely.intersection(cut, footprint))).sum())
    if outside <= 0 or outside / total < 5e-6:
        return []
    message = (
        f"{outside / total:.2%} of the property area ({count_of(int(crossing.sum()), 'property record')}) lies outside "
        f"the raster: blank there; {without}"
    )
    return [Problem("warning", raster.name, message)]


def blank_on_properties(cells: GridCells, properties: Properties, without: str = "never habitat.") -> list[Problem]:
    """A warning where cells of a raster on the properties are blank.

    Parameters
    ----------
    cells : GridCells
        Land cover or elevation on the grid.
    properties : Properties
        In the working system.
    without : str
        What a blank means for the plan.

    Returns
    -------
    list of Problem
        At most one, where blank cells (counted by their centres) are more than 0.5 % of the property area.
    """
    grid, blank = cells.grid, 0
    rows_at_once = max(CELLS_AT_ONCE // max(grid.columns, 1), 1)
    for row in range(0, grid.rows, rows_at_once):
        window = Window(row, 0, min(rows_at_once, grid.rows - row), grid.columns)
        _, is_blank = cells.read(window)
        north = grid.north_m - row * grid.cell_m
        strip = (grid.west_m, north - window.rows * grid.cell_m, grid.bounds_m[2], north)
        here = properties.shapes[touches_box(properties.shapes, strip)]
        if not is_blank.any() or not len(here):
            continue
        place = Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, north)
        is_inside = rasterize(here, out_shape=window.shape, transform=place, dtype="uint8").astype(bool)
        blank += int((is_blank & is_inside).sum())
    cells.close()
    share = blank * grid.cell_area_m2 / float(shapely.area(properties.shapes).sum())
    if share <= SHARE_TOLD:
        return []
    message = f"{min(share, 1.0):.1%} of the property area ({blank:,} cells) is nodata: blank there; {without}"
    return [Problem("warning", cells.raster.name, message)]


def _footprint(raster: RasterFile, crs_wkt: str) -> shapely.Polygon:
    a, b, c, d, e, f = raster.transform
    if CRS.from_wkt(raster.crs_wkt).equals(CRS.from_wkt(crs_wkt), ignore_axis_order=True) and b == 0 and d == 0:
        return shapely.box(*raster.bounds)
    if b == 0 and d == 0:
        return box_of(raster.bounds, raster.crs_wkt, crs_wkt)
    # A rotated raster: its outline in cells, placed by its own transform.
    cells = shapely.get_coordinates(
        shapely.segmentize(shapely.box(0, 0, raster.width, raster.height), max(raster.width, raster.height) / 20)
    )
    x = a * cells[:, 0] + b * cells[:, 1] + c
    y = d * cells[:, 0] + e * cells[:, 1] + f
    return shapely.Polygon(np.column_stack(transform_points(x, y, raster.crs_wkt, crs_wkt)))


def part_outside_polygons(cover: PolygonCover, properties: Properties, name: str) -> list[Problem]:
    """A warning where land-cover polygons leave parts of the properties blank.

    Parameters
    ----------
    cover : PolygonCover
        In the working system.
    properties : Properties
        In the working system.
    name : str
        Name of the input.

    Returns
    -------
    list of Problem
        At most one, where more than 0.5 % is blank; none where there are too many polygons to measure.
    """
    known = cover.shapes[cover.class_positions != 255]
    if len(known) > MOST_POLYGONS_MEASURED:
        return []
    shapes = properties.shapes
    total = float(shapely.area(shapes).sum())
    where, piece = shapely.STRtree(known).query(shapes, predicate="intersects")
    if len(where) > MOST_PIECES_MEASURED:
        return []
    pieces = shapely.intersection(shapes[where], known[piece])
    order = np.argsort(where, kind="stable")
    edges = np.flatnonzero(np.diff(where[order])) + 1
    groups = np.split(pieces[order], edges) if len(where) else []
    covered = math.fsum(
        float(shapely.area(group[0] if len(group) == 1 else shapely.union_all(group))) for group in groups
    )
    share = 1 - covered / total
    if share <= SHARE_TOLD:
        return []
    message = f"{share:.1%} of the property area has no land cover: blank there, so its habitat is not counted."
    return [Problem("warning", name, message)]


MOST_REACH_CELLS = 4_000
"""Farthest that water is looked for around every tile, in cells: memory grows with its square."""


def refuse_far_reach(reach_m: float, cell_m: float) -> None:
    """Refuse a water curve that reaches so far that every tile would need the whole county around it.

    Parameters
    ----------
    reach_m : float
        Last point of the water curve, in metres.
    cell_m : float
        Side of a cell.

    Raises
    ------
    SettingsError
        The reach is longer than 4,000 cells.
    """
    if reach_m > MOST_REACH_CELLS * cell_m:
        raise SettingsError(
            f"habitat.curves.water_m or sites.water_distance_m reaches {reach_m:,.0f} m, {reach_m / cell_m:,.0f} cells "
            f"of {cell_m:g} m; at most {MOST_REACH_CELLS:,} cells can be handled. End it nearer, use larger cells "
            "(study.cell_m), or set habitat.weights.water = 0 if distance to water should not count."
        )
