"""The ground: river, bottoms, terraces and uplands, with the creeks cut into them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import LineString

from district.drawing import burn, mask, ramp, sample, smooth_noise
from district.place import CELL, EAST, HALF_RASTER, WEST, Floats, Rng, cell_centres, half_width, to_valley
from district.river import RIVER_WIDTH, River
from district.water import Water


@dataclass(frozen=True)
class Ground:
    """Grids that describe the ground, one value per cell."""

    height: Floats  # metres above sea level
    above: Floats  # metres above the river at the same place in the valley
    beyond: Floats  # metres outside the floodplain's edge, negative inside it
    age: NDArray[np.int16]  # which earlier course of the river last crossed the cell; 0 none
    river_distance: Floats
    creek_distance: Floats
    creek_above: Floats  # metres above the nearest creek


def creek_levels(line: LineString, ground: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Points along a creek and its water level there, always falling."""
    points = shapely.get_coordinates(line.segmentize(8.0))
    points = points[np.all(np.abs(points) < HALF_RASTER, axis=1)]
    bed = sample(ground, points)
    river = sample(level, points)
    cut = 1.2 + 0.22 * np.clip(bed - river - 3.0, 0.0, 20.0)
    return points, np.minimum.accumulate(np.maximum(bed - cut, river + 0.3))


def carve_creeks(water: Water, ground: Floats, level: Floats) -> tuple[Floats, Floats, Floats]:
    """Cut the creeks' valleys; give the ground, distance to and height above a creek."""
    creek_z = np.full(ground.shape, np.inf)
    for _, line in water.creeks:
        points, z = creek_levels(line, ground, level)
        cols = ((points[:, 0] + HALF_RASTER) / CELL).astype(int)
        rows = ((HALF_RASTER - points[:, 1]) / CELL).astype(int)
        np.minimum.at(creek_z, (rows, cols), z)
    distance, nearest = ndimage.distance_transform_edt(np.isinf(creek_z), return_indices=True)
    distance = distance * CELL
    creek = ndimage.gaussian_filter(creek_z[tuple(nearest)], 2.0)
    side = creek + 0.5 + 0.045 * np.maximum(0.0, distance - 45.0) ** 1.03
    carved = np.minimum(ground, side)
    return carved, distance, carved - creek


def river_age(river: River) -> NDArray[np.int16]:
    """Number each cell by the last earlier course that crossed it."""
    courses = enumerate(river.history, start=1)
    return burn((line.buffer(RIVER_WIDTH / 2 + 6.0, quad_segs=3), k) for k, line in courses)


def make_ground(rng: Rng, river: River, water: Water) -> Ground:
    """Shape the ground: river, bottoms, terraces and uplands."""
    x, y = cell_centres()
    uv = to_valley(np.column_stack([x.ravel(), y.ravel()]))
    u, v = uv[:, 0].reshape(x.shape), uv[:, 1].reshape(x.shape)
    width = np.where(v < 0, half_width(u, WEST), half_width(u, EAST))
    beyond = np.abs(v) - width + 45.0 * smooth_noise(rng, 420.0) + 16.0 * smooth_noise(rng, 130.0)
    level = 21.0 - 0.00042 * u
    age = river_age(river)
    wet = mask([river.surface])
    river_distance = ndimage.distance_transform_edt(~wet) * CELL

    ridges = np.where(age > 0, 0.55 * np.sin(age * 2 * np.pi / 17.0), 0.25 * smooth_noise(rng, 240.0))
    bottoms = 2.3 + ndimage.gaussian_filter(ridges, 1.0) + 0.35 * smooth_noise(rng, 900.0)
    bottoms += 1.0 * np.exp(-river_distance / 70.0)
    terrace = 5.6 * ramp(beyond, 0.0, 130.0) + 0.0011 * np.maximum(beyond, 0.0)
    rise = ramp(beyond + 220.0 * smooth_noise(rng, 1500.0), 950.0, 2500.0)
    hills = 16.5 + 9.0 * np.tanh(0.6 * smooth_noise(rng, 1700.0)) + 2.5 * smooth_noise(rng, 620.0)
    streams = mask([line for _, line in water.creeks], touched=True)
    near = ndimage.distance_transform_edt(~streams) * CELL
    hills = np.maximum(hills, 5.0) * (0.3 + 0.7 * ramp(near + 60.0 * smooth_noise(rng, 500.0), 0.0, 900.0))
    roll = 0.3 * smooth_noise(rng, 330.0) * ramp(beyond, 60.0, 400.0)
    base = level + bottoms + terrace + rise * hills + roll

    carved, creek_distance, creek_above = carve_creeks(water, base, level)
    for _, kind, shape in water.bodies:
        inside = mask([shape])
        if kind == "river":
            carved[inside] = level[inside]
        elif inside.any():
            carved[inside] = carved[inside].min() - 0.3
    age[wet] = 0
    return Ground(carved, carved - level, beyond, age, river_distance, creek_distance, creek_above)
