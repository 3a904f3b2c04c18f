"""Edges of shapes cut at the lines of the grid, in whole numbers, so that sums come out the same in any order.

An edge is cut first at the row lines, then at the column lines. Each piece lies in one cell. For a polygon, a piece
covers part of its own cell to its right and, in its row, everything further right; summed over all edges (signed by
direction) this is the exact share of every cell inside the polygon. Cuts are computed from the lower-numbered row to
the higher whatever the direction of travel, so two neighbours that share an edge get the very same cuts.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid, Window
from allocator.core.overlaps import rings_of
from allocator.core.study import Shapes

WHOLE = 1 << 20
"""Shares of a cell are counted in parts of this many."""


@dataclass(frozen=True)
class Edges:
    """Straight edges in units of cells, each running from a smaller to a larger row.

    Parameters
    ----------
    owner : array of int64
        Which shape each edge belongs to; edges of one shape lie together.
    x0, y0, x1, y1 : array of float64
        Column and row of both ends, with y0 <= y1.
    sign : array of int8
        1 where the shape lies to the right of the edge, -1 where it lies to the left.
    first : array of int64, shape (shapes + 1,)
        Where the edges of each shape begin.
    box : array of float64, shape (shapes, 4)
        Least column, least row, most column, most row of each shape.
    """

    owner: Ints
    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    sign: Ints
    first: Ints
    box: Floats

    def near(self, window: Window) -> "Edges":
        """Only the edges of shapes whose box touches the window, in rows that the window has.

        Parameters
        ----------
        window : Window
            Part of the grid.

        Returns
        -------
        Edges
            With the owners' numbers unchanged.
        """
        right, bottom = window.column + window.columns, window.row + window.rows
        touches = (self.box[:, 0] <= right) & (self.box[:, 2] >= window.column)
        touches &= (self.box[:, 1] <= bottom) & (self.box[:, 3] >= window.row)
        shapes = np.flatnonzero(touches)
        positions = ranges(self.first[shapes], self.first[shapes + 1] - self.first[shapes])
        y0, y1 = self.y0[positions], self.y1[positions]
        positions = positions[(y1 >= window.row) & (y0 <= bottom)]
        return Edges(
            self.owner[positions],
            self.x0[positions],
            self.y0[positions],
            self.x1[positions],
            self.y1[positions],
            self.sign[positions],
            self.first,
            self.box,
        )


@dataclass(frozen=True)
class Pieces:
    """Pieces of edges, each within one cell of a window.

    Parameters
    ----------
    owner : array of int64
        Shape.
    row, column : array of int64
        Cell, counted within the window; a piece left of the window sits in column 0, one right of it in the column
        after the last.
    drop : array of int64
        Signed height of the piece in parts of a cell: what it covers of every cell further right.
    cover : array of int64
        Signed part that it covers of its own cell.
    """

    owner: Ints
    row: Ints
    column: Ints
    drop: Ints
    cover: Ints


def ranges(starts: Ints, lengths: Ints) -> Ints:
    """The whole numbers of several ranges, one after another.

    Parameters
    ----------
    starts, lengths : array of int64
        First number and length of each range.

    Returns
    -------
    array of int64
        All numbers in order.

    Examples
    --------
    >>> ranges(np.array([5, 20]), np.array([2, 3])).tolist()
    [5, 6, 20, 21, 22]
    """
    ends = np.cumsum(lengths)
    total = int(ends[-1]) if len(ends) else 0
    numbers: Ints = np.arange(total, dtype=np.int64) + np.repeat(starts - (ends - lengths), lengths)
    return numbers


def _from_paths(
    paths: Shapes, owner: Ints, shapes: int, grid: Grid, is_turned: Bools | None = None
) -> Edges:  # fmt: skip
    """Edges between consecutive points of lines or rings that are sorted by owner."""
    points, path = shapely.get_coordinates(paths, return_index=True)
    x, y = grid.to_cells(points[:, 0], points[:, 1])
    is_edge = path[1:] == path[:-1]
    start = np.flatnonzero(is_edge)
    of = owner[path[start]].astype(np.int64)
    x0, y0, x1, y1 = x[start], y[start], x[start + 1], y[start + 1]
    # Same cut for both neighbours: always from the lesser (row, column) end.
    turn = (y0 > y1) | ((y0 == y1) & (x0 > x1))
    sign = np.where(turn if is_turned is None else turn != is_turned[path[start]], -1, 1).astype(np.int8)
    box = np.empty((shapes, 4))
    box[:] = (np.inf, np.inf, -np.inf, -np.inf)
    first = np.searchsorted(of, np.arange(shapes + 1)).astype(np.int64)
    has = np.flatnonzero(first[1:] > first[:-1])
    if len(has):
        at = first[has]
        box[has, 0] = np.minimum.reduceat(np.minimum(x0, x1), at)
        box[has, 1] = np.minimum.reduceat(np.minimum(y0, y1), at)
        box[has, 2] = np.maximum.reduceat(np.maximum(x0, x1), at)
        box[has, 3] = np.maximum.reduceat(np.maximum(y0, y1), at)
    return Edges(
        owner=of,
        x0=np.where(turn, x1, x0), y0=np.where(turn, y1, y0), x1=np.where(turn, x0, x1), y1=np.where(turn, y0, y1),
        sign=sign, first=first, box=box,
    )  # fmt: skip


def polygon_edges(shapes: Shapes, grid: Grid) -> Edges:
    """Edges of polygons, outer rings and holes, in cells of a grid.

    Parameters
    ----------
    shapes : array of shapely polygons or multipolygons
        In the grid's coordinate system; valid.
    grid : Grid
        The cells.

    Returns
    -------
    Edges
        ``owner`` is the position in ``shapes``.
    """
    rings, owner, is_turned = rings_of(shapes)
    return _from_paths(rings, owner, len(shapes), grid, is_turned)


def line_edges(shapes: Shapes, grid: Grid) -> Edges:
    """Edges of lines, or of the rings of polygons taken as lines, in cells of a grid.

    Parameters
    ----------
    shapes : array of shapely lines or polygons
        In the grid's coordinate system.
    grid : Grid
        The cells.

    Returns
    -------
    Edges
        ``owner`` is the position in ``shapes``.
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    is_polygon = shapely.get_type_id(parts) == 3
    rings, ring_part = shapely.get_rings(parts[is_polygon], return_index=True)
    paths = np.concatenate([parts[~is_polygon], rings])
    owners = np.concatenate([owner[~is_polygon], owner[is_polygon][ring_part]])
    order = np.argsort(owners, kind="stable")
    return _from_paths(paths[order], owners[order], len(shapes), grid)


def cut_at_rows(edges: Edges, window: Window) -> tuple[Edges, Ints]:
    """Edges cut at the row lines of a window; parts above and below it are gone.

    Parameters
    ----------
    edges : Edges
        In cells of the grid.
    window : Window
        Part of the grid.

    Returns
    -------
    cut : Edges
        Each within one row.
    row : array of int64
        That row, counted in the grid.
    """
    top = np.floor(edges.y0).astype(np.int64)
    last = np.maximum(np.ceil(edges.y1).astype(np.int64) - 1, top)
    low = np.maximum(top, window.row)
    high = np.minimum(last, window.row + window.rows - 1)
    count = np.maximum(high - low + 1, 0)
    edge = np.repeat(np.arange(len(top)), count)
    row = ranges(low, count)
    x0, y0, x1, y1 = edges.x0[edge], edges.y0[edge], edges.x1[edge], edges.y1[edge]
    height = y1 - y0
    slope = np.divide(x1 - x0, height, out=np.zeros_like(height), where=height > 0)
    starts, ends = y0 >= row, y1 <= row + 1
    cut = Edges(
        owner=edges.owner[edge],
        x0=np.where(starts, x0, x0 + (row - y0) * slope),
        y0=np.where(starts, y0, row),
        x1=np.where(ends, x1, x0 + (row + 1 - y0) * slope),
        y1=np.where(ends, y1, row + 1),
        sign=edges.sign[edge],
        first=edges.first,
        box=edges.box,
    )
    return cut, row


def cut_into_cells(edges: Edges, window: Window) -> Pieces:
    """Edges cut at the row and column lines of a window.

    Parameters
    ----------
    edges : Edges
        In cells of the grid.
    window : Window
        Part of the grid.

    Returns
    -------
    Pieces
        What each piece covers, in parts of a cell; the pieces of a closed ring sum to 0 drop in every row.
    """
    cut, row = cut_at_rows(edges, window)
    goes_right = cut.x1 >= cut.x0
    left, right = np.where(goes_right, cut.x0, cut.x1), np.where(goes_right, cut.x1, cut.x0)
    y_left, y_right = np.where(goes_right, cut.y0, cut.y1) - row, np.where(goes_right, cut.y1, cut.y0) - row
    outside_left, outside_right = window.column - 1, window.column + window.columns
    low = np.clip(np.floor(left).astype(np.int64), outside_left, outside_right)
    high = np.clip(np.floor(right).astype(np.int64), outside_left, outside_right)
    count = high - low + 1
    of = np.repeat(np.arange(len(row)), count)
    column = ranges(low, count)
    xa, xb, ya, yb = left[of], right[of], y_left[of], y_right[of]
    width = xb - xa
    rise = np.divide(yb - ya, width, out=np.zeros_like(width), where=width > 0)
    is_first, is_last = column == low[of], column == high[of]
    x_in, x_out = np.where(is_first, xa, column), np.where(is_last, xb, column + 1)
    part_in = np.rint(np.where(is_first, ya, ya + (column - xa) * rise) * WHOLE).astype(np.int64)
    part_out = np.rint(np.where(is_last, yb, ya + (column + 1 - xa) * rise) * WHOLE).astype(np.int64)
    height = np.abs(part_out - part_in)
    sign = cut.sign[of]
    cover = np.rint(height * (1 - ((x_in + x_out) / 2 - column))).astype(np.int64)
    is_left, is_right = column < window.column, column >= outside_right
    cover = np.where(is_left, height, np.where(is_right, 0, cover))
    return Pieces(
        owner=cut.owner[of],
        row=row[of] - window.row,
        column=np.clip(column - window.column, 0, window.columns),
        drop=sign * height,
        cover=sign * cover,
    )


def cut_at_centres(edges: Edges, window: Window) -> Pieces:
    """Where edges cross the lines through the centres of rows: each crossing covers whole cells to its right.

    Parameters
    ----------
    edges : Edges
        In cells of the grid.
    window : Window
        Part of the grid.

    Returns
    -------
    Pieces
        A cell is covered, whole, when its centre lies inside the polygon.
    """
    low = np.maximum(np.ceil(edges.y0 - 0.5).astype(np.int64), window.row)
    high = np.minimum(np.ceil(edges.y1 - 0.5).astype(np.int64), window.row + window.rows)
    count = np.maximum(high - low, 0)
    edge = np.repeat(np.arange(len(low)), count)
    row = ranges(low, count)
    x0, y0, x1, y1 = edges.x0[edge], edges.y0[edge], edges.x1[edge], edges.y1[edge]
    x = x0 + (row + 0.5 - y0) * ((x1 - x0) / (y1 - y0))
    column = np.clip(np.ceil(x - 0.5).astype(np.int64) - window.column, 0, window.columns)
    drop = edges.sign[edge].astype(np.int64) * WHOLE
    return Pieces(
        owner=edges.owner[edge],
        row=row - window.row,
        column=column,
        drop=drop,
        cover=np.where(column < window.columns, drop, 0),
    )
