"""Squared distance, in whole cells, to the nearest marked cell; and which cell that is.

Distances run from cell centre to cell centre. Squared distances on a grid are whole numbers, so they are the same for
every tile and machine once rounded; the float distances of a fast transform are not (their last bit changes with the
alignment of memory).
"""

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from allocator.core.arrays import Bools, Floats, Ints

LARGEST_EXACT_CELLS = 1600
"""Up to this distance the square of a float32 distance rounds to the right whole number: root and square are each off
by half a unit in the last place at most, 1.8e-7 of the square together, which is under a half up to 1,660 cells."""

SHORT_CELLS = 7
"""Up to this distance shifting the marked cells about is faster than the transform; squares up to it fit a byte."""

SquaredCells = NDArray[np.int32]
Part = tuple[slice, slice]
ALL: Part = (slice(None), slice(None))
_ROWS_AT_ONCE = 512


def squared_distance(marked: Bools, most_cells: int, part: Part = ALL) -> SquaredCells:
    """Squared distance in cells to the nearest marked cell.

    Parameters
    ----------
    marked : array of bool, shape (rows, columns)
        Cells to measure to.
    most_cells : int
        Distances beyond this are all given as ``(most_cells + 1) ** 2``.
    part : tuple of slice
        Rows and columns to give back; absent: all.

    Returns
    -------
    array of int32, shape of the part
        Exact up to ``most_cells``.

    Examples
    --------
    >>> squared_distance(np.array([[True, False, False]]), 5).tolist()
    [[0, 1, 4]]
    """
    beyond = (most_cells + 1) ** 2
    if not marked.any():
        return np.full(marked[part].shape, beyond, np.int32)
    if most_cells > LARGEST_EXACT_CELLS:
        rows, columns = nearest_marked(marked, part)
        here_row, here_column = (np.arange(side, dtype=np.int64) for side in marked.shape)
        square = (rows - here_row[part[0], None]) ** 2 + (columns - here_column[None, part[1]]) ** 2
        return np.minimum(square, beyond).astype(np.int32)
    if most_cells <= SHORT_CELLS:
        return np.ascontiguousarray(_short_distance(marked, most_cells)[part])
    distance = cv2.distanceTransform((~marked).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    near = np.minimum(distance[part], np.float32(most_cells + 1))
    squared: SquaredCells = np.rint(np.square(near, out=near), out=near).astype(np.int32)
    return squared


def _short_distance(marked: Bools, most_cells: int) -> SquaredCells:
    """Squared distance, along the columns first, then along the rows."""
    beyond = (most_cells + 1) ** 2
    squared = (~marked).view(np.uint8) * np.uint8(beyond)
    for turned in (squared, squared.T):
        here = turned.copy(order="K")
        for step in range(1, most_cells + 1):
            if step < len(turned):
                away = np.minimum(here, beyond - step * step) + np.uint8(step * step)
                np.minimum(turned[step:], away[:-step], out=turned[step:])
                np.minimum(turned[:-step], away[step:], out=turned[:-step])
    return squared.astype(np.int32)


def nearest_marked(marked: Bools, part: Part = ALL) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Row and column of the nearest marked cell.

    Parameters
    ----------
    marked : array of bool, shape (rows, columns)
        Cells to measure to; at least one is True.
    part : tuple of slice
        Rows and columns to give back; absent: all.

    Returns
    -------
    rows, columns : array of int32, shape of the part
        Of several equally near, always the same one relative to the cell, whatever the window.
    """
    found = np.asarray(ndimage.distance_transform_edt(~marked, return_distances=False, return_indices=True), np.int32)
    return found[0][part], found[1][part]


def distance_to_ground(marked: Bools, row: Ints, column: Ints, most_cells: float) -> Floats:
    """Distance from the centres of some cells to the nearest ground of marked cells, not to their centres.

    Parameters
    ----------
    marked : array of bool, shape (rows, columns)
        Cells to measure to.
    row, column : array of int64
        Cells to measure from.
    most_cells : float
        How far to look; meant for tens of cells.

    Returns
    -------
    array of float64
        In cells; 0 in a marked cell, infinite where none lies within ``most_cells``.

    Examples
    --------
    >>> distance_to_ground(np.array([[True, False, False]]), np.array([0, 0]), np.array([0, 2]), 5.0).tolist()
    [0.0, 1.5]
    """
    far = int(most_cells + 0.5)
    rows, columns = np.indices((2 * far + 1, 2 * far + 1)).reshape(2, -1) - far
    away = np.hypot(np.maximum(np.abs(rows) - 0.5, 0), np.maximum(np.abs(columns) - 0.5, 0))
    rings = [(one, np.flatnonzero(away == one)) for one in np.unique(away[away <= most_cells])]
    distance = np.full(len(row), np.inf)
    for top in range(0, marked.shape[0], _ROWS_AT_ONCE):
        left = np.flatnonzero((row >= top) & (row < top + _ROWS_AT_ONCE))
        first = max(top - far, 0)
        part = marked[first : top + _ROWS_AT_ONCE + far] if len(left) else marked[:0]
        around, width = np.pad(part, far), marked.shape[1] + 2 * far
        at = (row[left] - first + far) * width + column[left] + far
        for one, steps in rings if part.any() else ():
            found = np.zeros(len(left), bool)
            for step in (rows[steps] * width + columns[steps]).tolist():
                found |= around.ravel()[at + step]
            distance[left[found]] = one
            at, left = at[~found], left[~found]
    return distance


def near_cells(marked: Bools, row: Ints, column: Ints, most_cells: float) -> Bools:
    """Whether a marked cell lies in the square around each of some cells: a quick sieve before exact distances.

    Parameters
    ----------
    marked : array of bool, shape (rows, columns)
        Cells to look for.
    row, column : array of int64
        Cells to look from, in the order of rows.
    most_cells : float
        Half the side of the square: whatever lies within this distance of the centre of a cell is found.

    Returns
    -------
    array of bool
        One per cell looked from.

    Examples
    --------
    >>> near_cells(np.array([[True, False, False, False]]), np.array([0, 0]), np.array([2, 3]), 1.5).tolist()
    [True, False]
    """
    far = int(most_cells + 0.5)
    near = np.empty(len(row), bool)
    square = np.ones((2 * far + 1, 1), np.uint8)
    for top in range(0, marked.shape[0], _ROWS_AT_ONCE):
        its = np.s_[slice(*np.searchsorted(row, (top, top + _ROWS_AT_ONCE)))]
        if row[its].size:
            first = max(top - far, 0)
            part = marked[first : top + _ROWS_AT_ONCE + far].view(np.uint8)
            wide = cv2.dilate(cv2.dilate(part, square), square.T)
            near[its] = wide[row[its] - first, column[its]] > 0
    return near
