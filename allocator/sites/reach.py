"""Habitat as demand, and which candidate serves which part of it: geometry becomes a plain matrix."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from allocator.core.arrays import Floats, Ints, sum_by_key
from allocator.core.grid import Grid
from allocator.core.results import SCORE_STEPS
from allocator.habitat.complexes import Complexes
from allocator.habitat.patches import Patches
from allocator.habitat.tile import CELL_PARTS, ScoredTile

BLOCKS_PER_RADIUS = 10
"""Habitat is summed over squares of about this part of the service radius before candidates are matched to it."""


@dataclass(frozen=True)
class TileDemand:
    """Habitat of one tile summed over squares, apart for each patch.

    Parameters
    ----------
    square_row, square_column, label : array of int64
        Square of the grid and patch within the tile.
    sums : array of int64, shape (4, squares)
        Parts of cells that are habitat; and their scores, rows and columns, each times the part; summed.
    """

    square_row: Ints
    square_column: Ints
    label: Ints
    sums: Ints


@dataclass(frozen=True)
class Demand:
    """Habitat summed over squares, apart for each complex, sorted by complex.

    Parameters
    ----------
    x_m, y_m : array of float64
        Mean of the cells' centres.
    area_m2, units_m2 : array of float64
        Habitat and habitat times score.
    first : array of int64, shape (complexes + 1,)
        Where the squares of each complex begin.
    """

    x_m: Floats
    y_m: Floats
    area_m2: Floats
    units_m2: Floats
    first: Ints


def square_cells(grid: Grid, service_radius_m: float) -> int:
    """Side in cells of the squares that habitat is summed over.

    Parameters
    ----------
    grid : Grid
        The cells.
    service_radius_m : float
        How far a trap serves.

    Returns
    -------
    int
        At least 1.
    """
    return max(1, round(service_radius_m / BLOCKS_PER_RADIUS / grid.cell_m))


def tile_demand(tile: ScoredTile, side: int) -> TileDemand:
    """Habitat of a tile summed over squares.

    Parameters
    ----------
    tile : ScoredTile
        Scores and patches.
    side : int
        Side of a square in cells.

    Returns
    -------
    TileDemand
        Squares are counted from the corner of the grid, so that tiles add up.
    """
    on, label = tile.on, tile.label
    row, column = np.divmod(on, tile.window.columns)
    row, column = row + tile.window.row, column + tile.window.column
    square_row, square_column = row // side, column // side
    width, labels = int(square_column.max(initial=0)) + 1, tile.count + 1
    key = (square_row * width + square_column) * labels + label
    part = tile.part.ravel()[on].astype(np.int64)
    values = (part, part * tile.part_score.ravel()[on].astype(np.int64), part * row, part * column)
    distinct, *sums = sum_by_key(key, *values)
    square, label = np.divmod(distinct, labels)
    return TileDemand(*np.divmod(square, width), label, np.stack(sums))


def join_demand(tiles: Sequence[TileDemand], patches: Patches, complexes: Complexes, grid: Grid) -> Demand:
    """Demand of the whole study by complex.

    Parameters
    ----------
    tiles : sequence of TileDemand
        One per tile.
    patches : Patches
        Patch of each label of each tile.
    complexes : Complexes
        Complex of each patch.
    grid : Grid
        The grid.

    Returns
    -------
    Demand
        Only habitat of patches that are large enough.
    """
    complex_of = np.append(complexes.complex_of, -1)
    owner = np.concatenate(
        [complex_of[of[part.label]] for part, of in zip(tiles, patches.patch_of, strict=True)]
    )  # fmt: skip
    row = np.concatenate([part.square_row for part in tiles])
    column = np.concatenate([part.square_column for part in tiles])
    all_sums = np.concatenate([part.sums for part in tiles], axis=1)
    height, width = int(row.max(initial=0)) + 1, int(column.max(initial=0)) + 1
    kept = owner >= 0
    key, *sums = sum_by_key(((owner * height + row) * width + column)[kept], *all_sums[:, kept])
    owner = key // (height * width)
    parts, part_m2 = sums[0], grid.cell_area_m2 / CELL_PARTS
    x_m, y_m = grid.centres(sums[2] / parts, sums[3] / parts)
    return Demand(
        x_m, y_m, parts * part_m2, sums[1] * (part_m2 / SCORE_STEPS),
        np.searchsorted(owner, np.arange(complexes.count + 1)),
    )  # fmt: skip


def reach_matrix(
    x_m: Floats, y_m: Floats, demand_x_m: Floats, demand_y_m: Floats, service_radius_m: float
) -> csr_array:
    """Which candidate serves which square.

    Parameters
    ----------
    x_m, y_m : array
        Candidates.
    demand_x_m, demand_y_m : array
        Squares.
    service_radius_m : float
        How far a trap serves.

    Returns
    -------
    csr_array of float64, shape (candidates, squares)
        1 where the middle of the square's habitat lies within the radius.
    """
    shape = (len(x_m), len(demand_x_m))
    if not min(shape):
        return csr_array(shape, dtype=float)
    tree = cKDTree(np.stack([demand_x_m, demand_y_m], axis=1))
    lists = tree.query_ball_point(np.stack([x_m, y_m], axis=1), service_radius_m, return_sorted=True)
    lengths = np.array([len(one) for one in lists])
    columns = np.concatenate([np.asarray(one, np.int32) for one in lists])
    starts = np.concatenate([[0], np.cumsum(lengths)])
    return csr_array((np.ones(len(columns)), columns, starts), shape=shape)
