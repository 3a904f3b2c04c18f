"""The cells of a study: a raster's own, or new ones fine enough for the boundaries."""

import math

from pyproj import CRS

from allocator.core.crs import GEOGRAPHIC, Bounds
from allocator.core.errors import SettingsError
from allocator.core.grid import Grid
from allocator.inputs.projecting import bounds_in, box_of
from allocator.inputs.rasters import RasterFile

NICE_CELLS_M = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
MOST_CHOSEN_CELLS = 20_000_000
MOST_CELLS = 4_000_000_000


def widened(bounds_m: Bounds, by_m: float) -> Bounds:
    """A rectangle with so many metres more on each side.

    Parameters
    ----------
    bounds_m : tuple of float
        West, south, east, north.
    by_m : float
        Metres added.

    Returns
    -------
    tuple of float
        The wider rectangle.

    Examples
    --------
    >>> widened((0.0, 0.0, 10.0, 20.0), 5.0)
    (-5.0, -5.0, 15.0, 25.0)
    """
    west, south, east, north = bounds_m
    return west - by_m, south - by_m, east + by_m, north + by_m


def chosen_cell_m(bounds_m: Bounds) -> float:
    """Side of a cell for land cover held as polygons: as fine as 20 million cells allow, from 1 to 10 m.

    Parameters
    ----------
    bounds_m : tuple of float
        Land to cover, in metres.

    Returns
    -------
    float
        Metres; 10 also where that needs more cells.

    Examples
    --------
    >>> chosen_cell_m((0.0, 0.0, 4000.0, 4000.0)), chosen_cell_m((0.0, 0.0, 1e6, 1e6))
    (1.0, 10.0)
    """
    west, south, east, north = bounds_m
    for cell_m in NICE_CELLS_M:
        if math.ceil((east - west) / cell_m + 1) * math.ceil((north - south) / cell_m + 1) <= MOST_CHOSEN_CELLS:
            return cell_m
    return NICE_CELLS_M[-1]


def warped_cell_m(raster_cell_m: float, bounds_m: Bounds) -> float:
    """Side of a cell for a raster that must be brought onto another grid: a part of its own, as 20 million cells allow.

    Taking the nearest cell moves every edge by up to half a new cell, so finer ones keep the acres truer.

    Parameters
    ----------
    raster_cell_m : float
        Side of the raster's own cells.
    bounds_m : tuple of float
        Land to cover, in metres.

    Returns
    -------
    float
        A quarter, a third or a half of the raster's side, at least 1 m; else its own side.

    Examples
    --------
    >>> warped_cell_m(30.0, (0.0, 0.0, 4000.0, 4000.0)), warped_cell_m(30.0, (0.0, 0.0, 1e6, 1e6))
    (7.5, 30.0)
    """
    west, south, east, north = bounds_m
    for parts in (4, 3, 2):
        cell_m = raster_cell_m / parts
        if cell_m >= NICE_CELLS_M[0] and (east - west) * (north - south) / cell_m**2 <= MOST_CHOSEN_CELLS:
            return cell_m
    return raster_cell_m


def cell_m_of(raster: RasterFile, crs_wkt: str, centre_degrees: tuple[float, float]) -> float:
    """Side of a raster's cell in metres at a place: the root of the cell's area there.

    Parameters
    ----------
    raster : RasterFile
        In any system.
    crs_wkt : str
        Working system, in metres.
    centre_degrees : tuple of float
        Longitude and latitude of the place.

    Returns
    -------
    float
        Metres, rounded to three figures.
    """
    a, b, _, d, e, _ = raster.transform
    geographic = CRS.from_user_input(GEOGRAPHIC).to_wkt()
    west, south, east, north = raster.bounds
    longitude, latitude = centre_degrees
    at = bounds_in((longitude - 1e-6, latitude - 1e-6, longitude + 1e-6, latitude + 1e-6), geographic, raster.crs_wkt)
    x = min(max(at[0], west), east)
    y = min(max(at[1], south), north)
    side = math.sqrt(abs(a * e - b * d))
    cell = box_of((x - side / 2, y - side / 2, x + side / 2, y + side / 2), raster.crs_wkt, crs_wkt)
    return float(f"{math.sqrt(cell.area):.3g}")


def raster_grid(raster: RasterFile, crs_wkt: str, bounds_m: Bounds) -> Grid:
    """The raster's own cells that cover a rectangle, clipped to the raster.

    Parameters
    ----------
    raster : RasterFile
        North-up, square cells, in the working system.
    crs_wkt : str
        Working system.
    bounds_m : tuple of float
        Land to cover, in that system.

    Returns
    -------
    Grid
        Empty (0 rows or columns) where the two do not meet.
    """
    cell, _, left, _, _, top = raster.transform
    west, south, east, north = bounds_m
    first_column = min(max(math.floor((west - left) / cell), 0), raster.width)
    first_row = min(max(math.floor((top - north) / cell), 0), raster.height)
    last_column = max(min(math.ceil((east - left) / cell), raster.width), first_column)
    last_row = max(min(math.ceil((top - south) / cell), raster.height), first_row)
    return Grid(
        crs_wkt, left + first_column * cell, top - first_row * cell, cell,
        last_row - first_row, last_column - first_column,
    )  # fmt: skip


def new_grid(crs_wkt: str, bounds_m: Bounds, cell_m: float) -> Grid:
    """Cells that cover a rectangle, the origin on a multiple of their side.

    Parameters
    ----------
    crs_wkt : str
        Working system, equal-area, in metres.
    bounds_m : tuple of float
        Land to cover.
    cell_m : float
        Side of a cell.

    Returns
    -------
    Grid
        The cells.

    Raises
    ------
    SettingsError
        There would be more cells than can be handled.
    """
    west, south, east, north = bounds_m
    first_column, last_column = math.floor(west / cell_m), math.ceil(east / cell_m)
    first_row, last_row = math.floor(-north / cell_m), math.ceil(-south / cell_m)
    rows, columns = last_row - first_row, last_column - first_column
    if rows * columns > MOST_CELLS:
        raise SettingsError(
            f"study.cell_m = {cell_m:g} makes {rows * columns:,} cells over {(east - west) / 1000:,.0f} x "
            f"{(north - south) / 1000:,.0f} km; at most {MOST_CELLS:,} can be handled. Use larger cells, or check "
            "whether one property lies far from the others."
        )
    return Grid(crs_wkt, first_column * cell_m, -first_row * cell_m, cell_m, rows, columns)
