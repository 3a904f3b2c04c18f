"""Which part of every cell lies inside which shape: exact, or whole cells by their centre."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from allocator.core.arrays import Bools, Ints
from allocator.core.grid import Window
from allocator.grid.edges import Edges, Pieces, cut_at_centres, cut_into_cells, ranges

Rule = Literal["share", "centre"]


@dataclass(frozen=True)
class Shares:
    """Pairs of a shape and a cell that it covers, wholly or in part.

    Parameters
    ----------
    owner : array of int64
        Shape; the pairs come in no particular order.
    cell : array of int64
        Cell, counted row by row within the window.
    share : array of int64
        Part of the cell inside the shape, in parts of ``WHOLE``.
    """

    owner: Ints
    cell: Ints
    share: Ints


def shares_of(edges: Edges, window: Window, rule: Rule = "share") -> Shares:
    """Cells of a window covered by polygons, with the part covered.

    Parameters
    ----------
    edges : Edges
        Of polygons, in cells of the grid.
    window : Window
        Part of the grid.
    rule : str
        share: the exact part inside (to one part in 2**20); centre: whole cells whose centre is inside.

    Returns
    -------
    Shares
        The same for a cell whatever the window. Shares of neighbours that meet along the same edges sum to one.

    Notes
    -----
    By Green's theorem the area of a polygon within a cell is the signed sum, over the pieces of its boundary in the
    cell's row, of height times the width of the cell that lies to the right of the piece.
    """
    near = edges.near(window)
    pieces = cut_into_cells(near, window) if rule == "share" else cut_at_centres(near, window)
    return _fill_rows(pieces, window)


def _fill_rows(pieces: Pieces, window: Window) -> Shares:
    """Sum the pieces per shape and cell, then carry what they cover along each row."""
    if not len(pieces.owner):
        empty = np.empty(0, np.int64)
        return Shares(empty, empty, empty)
    stride = window.columns + 1
    key = (pieces.owner * window.rows + pieces.row) * stride + pieces.column
    order = np.argsort(key)
    key = key[order]
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    at = key[starts]
    drop = np.add.reduceat(pieces.drop[order], starts)
    cover = np.add.reduceat(pieces.cover[order], starts)
    after = np.cumsum(drop)  # falls back to 0 at the end of every row of every shape
    own = after - drop + cover
    gap = np.diff(at, append=at[-1] + 1) - 1
    gap[after == 0] = 0
    span = np.flatnonzero(gap)
    cells = np.concatenate([at, ranges(at[span] + 1, gap[span])])
    share = np.concatenate([own, np.repeat(after[span], gap[span])])
    inside = (share != 0) & (cells % stride < window.columns)
    cells, share = cells[inside], share[inside]
    line, column = np.divmod(cells, stride)
    owner, row = np.divmod(line, window.rows)
    return Shares(owner, row * window.columns + column, share)


def cells_touched(edges: Edges, window: Window) -> Bools:
    """Cells of a window that lines, or the rims of polygons, pass through.

    Parameters
    ----------
    edges : Edges
        Of lines or rings, in cells of the grid.
    window : Window
        Part of the grid.

    Returns
    -------
    array of bool, shape (window.rows, window.columns)
        A line along the border of two cells touches the one to its right or below.
    """
    touched = np.zeros((window.rows, window.columns + 1), bool)
    # The first column also stands for all that lies left of a window, so cut a window that is one column wider.
    wider = Window(window.row, window.column - 1, window.rows, window.columns + 1)
    pieces = cut_into_cells(edges.near(window), wider)
    column = pieces.column - 1
    keep = column >= 0
    touched[pieces.row[keep], column[keep]] = True
    return touched[:, : window.columns]
