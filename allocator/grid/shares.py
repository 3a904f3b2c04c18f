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
    order = np.argsort(key, kind="stable")  # the fastest by far for keys that come partly in order
    key = key[order]
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    at = key[starts]
    drop = np.add.reduceat(pieces.drop[order], starts)
    cover = np.add.reduceat(pieces.cover[order], starts)
    after = np.cumsum(drop)  # falls back to 0 at the end of every row of every shape
    own = after - drop + cover
    gap = np.diff(at, append=at[-1] + 1) - 1
    gap[after == 0] = 0
    line, column = np.divmod(at, stride)
    owner, row = np.divmod(line, window.rows)
    cell = row * window.columns + column
    inside = np.flatnonzero((own != 0) & (column < window.columns))
    span = np.flatnonzero(gap)
    gap = gap[span]
    return Shares(
        np.concatenate([owner[inside], np.repeat(owner[span], gap)]),
        np.concatenate([cell[inside], ranges(cell[span] + 1, gap)]),
        np.concatenate([own[inside], np.repeat(after[span], gap)]),
    )


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
    return _touched(cut_into_cells(edges.near(window), _with_column_before(window)), window)


def shares_and_rims(edges: Edges, window: Window, rule: Rule, reach: int) -> tuple[Shares, Bools]:
    """Cells covered by polygons, and cells in and around the window that their rims pass through, from one cutting.

    Parameters
    ----------
    edges : Edges
        Of polygons, in cells of the grid.
    window : Window
        Part of the grid.
    rule : str
        As for ``shares_of``.
    reach : int
        How far around the window rims are looked for, in cells.

    Returns
    -------
    shares : Shares
        As from ``shares_of``.
    touched : array of bool, shape (window.rows + 2 * reach, window.columns + 2 * reach)
        As from ``cells_touched`` of the widened window.
    """
    wide = window.widened(reach)
    pieces = cut_into_cells(edges.near(wide), _with_column_before(wide))
    touched = _touched(pieces, wide)
    if rule == "centre":
        return shares_of(edges, window, rule), touched
    row = pieces.row - reach
    its = np.flatnonzero((row >= 0) & (row < window.rows))
    column, drop = pieces.column[its] - (reach + 1), pieces.drop[its]
    # As if cut for the window itself: what lies left of it covers all of its first cells, what lies right nothing.
    cover = np.where(column < 0, drop, np.where(column < window.columns, pieces.cover[its], 0))
    column = np.clip(column, 0, window.columns)
    return _fill_rows(Pieces(pieces.owner[its], row[its], column, drop, cover), window), touched


def _with_column_before(window: Window) -> Window:
    """A window one column wider: its first column also stands for all that lies left of it, so it is not used."""
    return Window(window.row, window.column - 1, window.rows, window.columns + 1)


def _touched(pieces: Pieces, window: Window) -> Bools:
    """Cells of a window in which pieces lie that were cut for the window with a column before."""
    touched = np.zeros((window.rows, window.columns + 2), bool)
    touched[pieces.row, pieces.column] = True
    return np.ascontiguousarray(touched[:, 1:-1])
