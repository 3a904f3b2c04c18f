"""Outlines of marked cells, traced over the whole grid at once.

The corners of the outlines are found first. Along every row line and every column line of the grid they pair up as the
ends of straight edges, so a ring is walked by going to the other end of an edge along the row, then along the column.
"""

from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Ints
from allocator.core.grid import Grid
from allocator.core.study import Shapes

_NW, _NE, _SW, _SE = 1, 2, 4, 8
_RISING, _FALLING = _NE | _SW, _NW | _SE
"""Two marked cells that meet at a corner only: the outline passes there twice, because outlines do not join corners."""
_IS_CORNER = np.isin(np.arange(16), (1, 2, 4, 8, 7, 11, 13, 14, _RISING, _FALLING))
_ROWS_AT_ONCE = 512


def outlines(marked: Bools, grid: Grid) -> tuple[Shapes, Ints]:
    """Polygons around marked cells; cells that meet at a corner only are two polygons, so every polygon is valid.

    Parameters
    ----------
    marked : array of bool, shape (grid.rows, grid.columns)
        Cells to outline.
    grid : Grid
        Where they lie.

    Returns
    -------
    polygons : array of shapely polygons
        In the grid's coordinate system, with the fewest points; from north to south by their first cell.
    first_cell : array of int64
        Number of the first cell of each, counted row by row over the grid.
    """
    row, column, around = _corners(marked)
    if not len(row):
        return np.empty(0, object), np.empty(0, np.int64)
    is_second = np.r_[False, (row[1:] == row[:-1]) & (column[1:] == column[:-1])]
    # Of two corners at one place that with the upper edge comes first: the second where marked cells rise eastwards.
    key = (column * (grid.rows + 1) + row) * 2 + (is_second != (around == _RISING))
    by_column = np.argsort(key)
    ring, start = _walk(around, by_column)
    ring, start = _split(ring, start, is_second)
    first = np.minimum.reduceat(ring, start[:-1])
    is_hole = around[first] & _SE == 0  # at its first corner, in reading order, a ring encloses what lies south-east
    lengths = np.diff(start)
    of_corner = np.empty(len(row), np.int64)
    of_corner[ring] = np.repeat(np.arange(len(first)), lengths)
    shell = np.arange(len(first))
    for hole in np.flatnonzero(is_hole).tolist():
        # The ground north of its first corner is bounded to the west by the outer ring, or by a hole further north.
        above, at = int(row[first[hole]]) - 1, int(column[first[hole]])
        beside = marked[above, :at][::-1]
        west = 0 if beside.all() else at - int(np.argmin(beside))
        edge = np.searchsorted(key, (west * (grid.rows + 1) + above) * 2 + 1, side="right", sorter=by_column) - 1
        shell[hole] = of_corner[by_column[edge]]  # at least a ring of the same polygon that begins further north
    while is_hole[shell].any():
        shell = shell[shell]
    order = np.lexsort((first, is_hole, first[shell]))
    lengths = lengths[order]
    # Every ring is closed by its first corner.
    ends = np.cumsum(lengths + 1)
    at = np.arange(ends[-1]) - np.repeat(ends - (lengths + 1) - start[order], lengths + 1)
    at[ends - 1] = start[order]
    x_m = grid.west_m + column[ring[at]] * grid.cell_m
    y_m = grid.north_m - row[ring[at]] * grid.cell_m
    shells = np.flatnonzero(~is_hole[order])
    offsets = np.concatenate([[0], ends]), np.append(shells, len(order))
    polygons = shapely.from_ragged_array(shapely.GeometryType.POLYGON, np.column_stack([x_m, y_m]), offsets)
    top_left = first[order[shells]]
    return np.asarray(polygons), row[top_left] * grid.columns + column[top_left]


def _corners(marked: Bools) -> tuple[Ints, Ints, NDArray[np.uint8]]:
    """Corners of outlines in reading order: lines of the grid that cross there, and which of the four cells are marked.

    A corner where two marked cells meet stands there twice: first the one with the edge to its left.
    """
    rows, columns = marked.shape
    found_at, found_around = [], []
    for top in range(0, rows + 1, _ROWS_AT_ONCE):
        bottom = min(top + _ROWS_AT_ONCE, rows + 1)
        cells = np.zeros((bottom - top + 1, columns + 2), np.uint8)
        part = marked[max(top - 1, 0) : bottom]
        offset = 1 if top == 0 else 0
        cells[offset : offset + len(part), 1:-1] = part
        pairs = cells[:, :-1] + (cells[:, 1:] << 1)
        around = pairs[:-1] + (pairs[1:] << 2)
        at = np.flatnonzero(_IS_CORNER[around])
        found_around.append(around.ravel()[at])
        found_at.append(at + top * (columns + 1))
    at, around = np.concatenate(found_at), np.concatenate(found_around)
    times = np.where((around == _RISING) | (around == _FALLING), 2, 1)
    at, around = np.repeat(at, times), np.repeat(around, times)
    row, column = np.divmod(at, columns + 1)
    return row, column, around


def _walk(around: NDArray[np.uint8], by_column: Ints) -> tuple[Ints, Ints]:
    """Corners ring by ring, with marked cells to the right, and where each ring starts; one more start at the end."""
    place = np.arange(len(around))
    along_row, along_column = place ^ 1, np.empty(len(around), np.int64)
    along_column[by_column] = by_column[place ^ 1]
    # Corners in even places have an edge to the east, those in odd places one to the west.
    goes_east = place % 2 == 0
    is_head = (around & np.where(goes_east, _SE, _SW) > 0) == goes_east
    following = np.where(is_head, along_column[along_row], -1).tolist()
    walked: list[int] = []
    starts = [0]
    for corner in np.flatnonzero(is_head).tolist():
        while following[corner] >= 0:
            walked.append(corner)
            following[corner], corner = -1, following[corner]
        if len(walked) > starts[-1]:
            starts.append(len(walked))
    heads = np.array(walked, np.int64)
    ring = np.stack([heads, along_row[heads]], axis=1).ravel()
    return ring, 2 * np.array(starts, np.int64)


def _split(ring: Ints, start: Ints, is_second: Bools) -> tuple[Ints, Ints]:
    """Rings that pass a place twice become two rings that touch there."""
    of_corner = np.empty(len(ring), np.int64)
    of_corner[ring] = np.repeat(np.arange(len(start) - 1), np.diff(start))
    second = np.flatnonzero(is_second)
    twice = second[of_corner[second] == of_corner[second - 1]]
    touching = set(of_corner[twice].tolist())
    if not touching:
        return ring, start
    both = np.concatenate([twice - 1, twice]).tolist()
    place_of = dict(zip(both, (twice - 1).tolist() * 2, strict=True))
    made = []
    for one, (first, last) in enumerate(pairwise(start.tolist())):
        if one not in touching:
            made.append(ring[first:last])
            continue
        path: list[int] = []
        passed: dict[int, int] = {}
        for corner in ring[first:last].tolist():
            place = place_of.get(corner)
            if place in passed:
                loop = path[passed[place] :]
                made.append(np.array(loop, np.int64))
                del path[passed[place] :]
                for other in loop:
                    passed.pop(place_of.get(other, -1), None)
            if place is not None:
                passed[place] = len(path)
            path.append(corner)
        made.append(np.array(path, np.int64))
    return np.concatenate(made), np.cumsum([0, *map(len, made)])
