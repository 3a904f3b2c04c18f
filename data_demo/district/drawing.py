"""Small tools for the grids and lines that the district is drawn with."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from scipy import ndimage
from scipy.interpolate import CubicSpline
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from district.place import CELL, HALF_RASTER, SIZE, TRANSFORM, Bools, Floats, Rng


def smooth_noise(rng: Rng, scale: float) -> Floats:
    """Gentle random relief on the raster, unit variance, hills about ``scale`` m wide."""
    count = int(2 * HALF_RASTER / scale) + 4
    coarse = rng.normal(size=(count, count))
    places = np.linspace(1.0, count - 2.0, SIZE)
    rows, cols = np.meshgrid(places, places, indexing="ij")
    fine = ndimage.map_coordinates(coarse, [rows, cols], order=3, mode="nearest")
    return (fine - fine.mean()) / fine.std()


def ramp(value: Floats, start: float, end: float) -> Floats:
    """Rise smoothly from 0 at ``start`` to 1 at ``end``."""
    t = np.clip((value - start) / (end - start), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def burn(shapes: Iterable[tuple[BaseGeometry, int]], touched: bool = False) -> NDArray[np.int16]:
    """Draw shapes into a grid; later shapes cover earlier ones; 0 elsewhere."""
    kept = [(shape, value) for shape, value in shapes if not shape.is_empty]
    return rasterize(kept, out_shape=(SIZE, SIZE), transform=TRANSFORM, all_touched=touched, dtype="int16")


def mask(shapes: Iterable[BaseGeometry], touched: bool = False) -> Bools:
    """Cells under any of the shapes."""
    return burn([(shape, 1) for shape in shapes], touched) == 1


def sample(grid: Floats, xy: Floats) -> Floats:
    """Values of a grid at map coordinates; the nearest cell inside its edge."""
    cols = np.clip((xy[:, 0] + HALF_RASTER) / CELL, 0, SIZE - 1).astype(int)
    rows = np.clip((HALF_RASTER - xy[:, 1]) / CELL, 0, SIZE - 1).astype(int)
    return grid[rows, cols]


def resample(line: Floats, spacing: float) -> Floats:
    """Put vertices at even spacing along a line."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    ticks = np.linspace(0.0, along[-1], int(along[-1] / spacing) + 1)
    return np.column_stack([np.interp(ticks, along, line[:, k]) for k in (0, 1)])


def curve(points: Sequence[Sequence[float]] | Floats, spacing: float = 20.0) -> Floats:
    """Lay a smooth curve through points."""
    knots = np.asarray(points, dtype=float)
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(knots, axis=0).T))]
    ticks = np.linspace(0.0, along[-1], max(2, int(along[-1] / spacing)))
    return np.asarray(CubicSpline(along, knots)(ticks))


def parts(shape: BaseGeometry) -> list[BaseGeometry]:
    """The single pieces of a shape."""
    return [piece for piece in shapely.get_parts(shape).tolist() if not piece.is_empty]


def first_piece(line: LineString, barrier: BaseGeometry) -> LineString | None:
    """The stretch of a line from its start to the first barrier, if it is worth keeping."""
    start = Point(line.coords[0])
    for piece in parts(line.difference(barrier)):
        if piece.distance(start) < 1.0 and piece.length > 60.0:
            return piece
    return None
