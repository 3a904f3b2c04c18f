"""Squares of the grid in which the best spots of each property are kept."""

from typing import Protocol

import numpy as np

from allocator.core.arrays import Floats, Ints
from allocator.core.grid import Grid


class Cells(Protocol):
    """Cells of the grid with an owner.

    Parameters
    ----------
    row, column, owner : array of int64
        Cell and property of each.
    """

    @property
    def row(self) -> Ints: ...

    @property
    def column(self) -> Ints: ...

    @property
    def owner(self) -> Ints: ...


def best_per_square(spots: Cells, rank: Floats, grid: Grid, *, side_m: float, most: int) -> Ints:
    """Positions of the best few spots of each property in each square of the grid.

    Parameters
    ----------
    spots : Cells
        Any number.
    rank : array of float64
        Larger is better; of equals, the more northern, then the more western.
    grid : Grid
        The grid; squares are counted from its corner.
    side_m : float
        Side of a square in metres, at least one cell.
    most : int
        How many to keep per square and property.

    Returns
    -------
    array of int64
        Sorted by row, then column.
    """
    kept: Ints = np.arange(len(spots.row))
    if square_side(grid, side_m) ** 2 > most:  # else no square can hold too many
        kept = np.flatnonzero(place_in_square(spots, rank, grid, side_m=side_m) < most)
    return kept[np.argsort(spots.row[kept] * grid.columns + spots.column[kept], kind="stable")]


def square_side(grid: Grid, side_m: float) -> int:
    """Side of a square in cells.

    Parameters
    ----------
    grid : Grid
        The grid.
    side_m : float
        Side in metres.

    Returns
    -------
    int
        At least 1.
    """
    return max(1, round(side_m / grid.cell_m))


def squares(spots: Cells, grid: Grid, side_m: float) -> Ints:
    """Square of the grid and property of each spot.

    Parameters
    ----------
    spots : Cells
        Any number.
    grid : Grid
        The grid; squares are counted from its corner.
    side_m : float
        Side of a square in metres, at least one cell.

    Returns
    -------
    array of int64, shape (3, spots)
        Row and column of squares, and property.
    """
    cells = square_side(grid, side_m)
    return np.stack([spots.row // cells, spots.column // cells, spots.owner])


def place_in_square(spots: Cells, rank: Floats, grid: Grid, *, side_m: float) -> Ints:
    """Place of each spot among those of its property in its square of the grid, the best 0.

    Parameters
    ----------
    spots, rank, grid, side_m
        As for ``best_per_square``.

    Returns
    -------
    array of int64, shape (spots,)
        From 0.
    """
    row, column, owner = squares(spots, grid, side_m)
    key = (row * grid.columns + column) * (int(owner.max(initial=0)) + 1) + owner
    order = np.lexsort((spots.row * grid.columns + spots.column, -rank, key))
    place = np.empty(len(order), np.int64)
    place[order] = place_in_run(key[None, order])
    return place


def place_in_run(key: Ints) -> Ints:
    """Place of each column within its run of equal columns, from 0.

    Parameters
    ----------
    key : array of int64, shape (parts, n)
        Sorted, so that equal columns lie together.

    Returns
    -------
    array of int64, shape (n,)
        0 where a run begins.

    Examples
    --------
    >>> place_in_run(np.array([[5, 5, 7, 7, 7]])).tolist()
    [0, 1, 0, 1, 2]
    """
    begins = np.r_[True, (key[:, 1:] != key[:, :-1]).any(axis=0)][: key.shape[1]]
    places = np.arange(key.shape[1])
    return places - np.maximum.accumulate(np.where(begins, places, 0))
