"""Whether the trap's door is seen from the road over bare ground."""

import math

import numpy as np

from allocator.core.arrays import Bools, Floats
from allocator.core.grid import Window
from allocator.core.study import Study

STEPS_PER_CELL = 2
"""The ground is looked at so often per cell along the line of sight."""


def is_seen(study: Study, x_m: Floats, y_m: Floats, road_x_m: Floats, road_y_m: Floats) -> tuple[Bools, Bools]:
    """Whether the door of each trap is in sight from the road, bare ground alone in the way.

    Parameters
    ----------
    study : Study
        Elevation, height of the eye and the door.
    x_m, y_m : array of float64
        Traps.
    road_x_m, road_y_m : array of float64
        Where one looks from.

    Returns
    -------
    known, seen : array of bool
        Whether there is elevation all along the line; and whether the ground stays under it.

    Notes
    -----
    The line runs from the eye at ``sites.eye_height_m`` over the road to the same height over the trap; the ground
    between is interpolated between the four nearest cells, twice a cell. Trees, crops and buildings are not in it.
    """
    known, seen = np.zeros(len(x_m), bool), np.zeros(len(x_m), bool)
    if study.elevation is None:
        return known, seen
    for place, ends in enumerate(zip(road_x_m, road_y_m, x_m, y_m, strict=True)):
        steps = max(2, math.ceil(STEPS_PER_CELL * math.dist(ends[:2], ends[2:]) / study.grid.cell_m) + 1)
        along = np.linspace(0.0, 1.0, steps)
        ground = _ground(study, ends[0] + along * (ends[2] - ends[0]), ends[1] + along * (ends[3] - ends[1]))
        line = ground[0] + along * (ground[-1] - ground[0]) + study.settings.sites.eye_height_m
        known[place] = bool(np.isfinite(ground).all())
        seen[place] = known[place] and bool((ground <= line).all())
    return known, seen


def _ground(study: Study, x_m: Floats, y_m: Floats) -> Floats:
    """Height of the ground at points near each other; NaN blank."""
    assert study.elevation is not None
    columns, rows = study.grid.to_cells(x_m, y_m)
    column, row = columns - 0.5, rows - 0.5
    left, top = math.floor(column.min()), math.floor(row.min())
    window = Window(top, left, math.floor(row.max()) - top + 2, math.floor(column.max()) - left + 2)
    height = np.asarray(study.elevation.read(window), float)
    at_row, at_column = np.floor(row - top).astype(int), np.floor(column - left).astype(int)
    down, right = row - top - at_row, column - left - at_column
    ground: Floats = np.zeros(len(row))
    for south, by_row in ((0, 1 - down), (1, down)):
        for east, by_column in ((0, 1 - right), (1, right)):
            weight = by_row * by_column
            ground += np.where(weight > 0, weight * height[at_row + south, at_column + east], 0.0)
    return ground
