"""Where the invented district lies: coordinate system, frame, edge, and the valley's own coordinates.

Most shapes are drawn in valley coordinates ``(u, v)``: metres downstream along the
valley and metres across it (negative on the west side). ``to_world`` turns them into map
coordinates.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine
from shapely.geometry import LineString, Polygon, box

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rng = np.random.Generator

CRS = "+proj=laea +lat_0=28.4 +lon_0=-64.6 +datum=WGS84 +units=m"
ACRE = 4046.8564224  # square metres

# The rasters reach 600 m beyond the district on every side.
HALF_RASTER = 5600.0
CELL = 10.0
SIZE = int(2 * HALF_RASTER / CELL)
TRANSFORM = Affine(CELL, 0.0, -HALF_RASTER, 0.0, -CELL, HALF_RASTER)
FRAME = box(-HALF_RASTER, -HALF_RASTER, HALF_RASTER, HALF_RASTER)

# The edge of the district: about ten kilometres square, stepped like real land lines.
OUTLINE = Polygon(
    [
        (-5000, 4720), (-3310, 4780), (-3290, 5000), (420, 4960), (450, 4610), (2380, 4640),
        (2365, 5000), (5000, 4970), (4960, 2210), (4650, 2190), (4680, 310), (5000, 330),
        (4975, -3420), (4540, -3400), (4560, -5000), (1370, -4960), (1350, -4700),
        (-1620, -4730), (-1640, -5000), (-4690, -4970), (-4710, -2840), (-5000, -2860),
        (-4960, 900), (-4600, 880), (-4640, 2490), (-5000, 2510),
    ]
)  # fmt: skip

WEST, EAST = -1, 1

AZIMUTH = np.radians(24.0)  # the valley runs south, turned this much to the east
ALONG = np.array([np.sin(AZIMUTH), -np.cos(AZIMUTH)])
ACROSS = np.array([np.cos(AZIMUTH), np.sin(AZIMUTH)])


def bend(u: Floats) -> Floats:
    """Offset of the valley's axis from a straight line."""
    return 520.0 * np.sin(u / 2100.0 + 0.5) + 120.0 * np.sin(u / 870.0)


def half_width(u: Floats, side: int) -> Floats:
    """Width of the floodplain on one side of the valley's axis."""
    return 1180.0 + 190.0 * np.sin(u / 1350.0 + 1.2 * side) + 80.0 * np.sin(u / 510.0 + side)


def to_world(uv: Floats) -> Floats:
    """Turn rows of valley coordinates into rows of map coordinates."""
    across = uv[:, 1] + bend(uv[:, 0])
    return uv[:, :1] * ALONG + across[:, None] * ACROSS


def to_valley(xy: Floats) -> Floats:
    """Turn rows of map coordinates into rows of valley coordinates."""
    u = xy @ ALONG
    return np.column_stack([u, xy @ ACROSS - bend(u)])


def valley_line(uv: Sequence[Sequence[float]] | Floats, step: float = 50.0) -> LineString:
    """Draw a line given by corners in valley coordinates on the map."""
    dense = LineString(np.asarray(uv, dtype=float)).segmentize(step)
    return LineString(to_world(shapely.get_coordinates(dense)))


def cell_centres() -> tuple[Floats, Floats]:
    """Map coordinates of all cell centres, as two grids."""
    ticks = -HALF_RASTER + CELL * (np.arange(SIZE) + 0.5)
    x, y = np.meshgrid(ticks, -ticks)
    return x, y
