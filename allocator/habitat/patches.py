"""Patches: habitat cells that touch, side or corner, joined across tiles; and their outlines."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.study import Shapes
from allocator.habitat.outlines import outlines
from allocator.habitat.tile import CELL_PARTS, ScoredTile, first_cells


@dataclass(frozen=True)
class TilePatches:
    """What is needed of a tile to join its patches with those of its neighbours.

    Parameters
    ----------
    tile : ScoredTile
        Scores and labels; without the parts of cells, which are summed up.
    is_half : array of bool, shape (rows, columns), or None
        Cells that are at least half habitat; None where those are all that have a label.
    parts, part_scores, first_cell : array of int64, shape (count,)
        Habitat of each patch in ``CELL_PARTS`` of a cell, the same times score, number of its first cell in the grid.
    """

    tile: ScoredTile
    is_half: Bools | None
    parts: Ints
    part_scores: Ints
    first_cell: Ints


@dataclass(frozen=True)
class Patches:
    """Patches of the whole study, numbered from the north-west; only those large enough.

    Parameters
    ----------
    parts, part_scores : array of int64, shape (patches,)
        Habitat of each in ``CELL_PARTS`` of a cell, and the same times score in ten-thousandths.
    shapes : array of shapely multipolygons, shape (patches,)
        Outlines along the cells.
    outlined : array of bool, shape (rows, columns)
        Cells of the grid inside the outlines.
    patch_of : tuple of array of int64
        For each tile, the patch of each of its labels; entry 0 and patches that are too small hold -1.
    mean_index : dict
        Component to the mean of its index over the cells of each patch that know it, 0 to 1; NaN where none does.
    """

    parts: Ints
    part_scores: Ints
    shapes: Shapes
    outlined: Bools
    patch_of: tuple[Ints, ...]
    mean_index: dict[str, Floats]

    @property
    def cells(self) -> Floats:
        """Habitat of each patch in cells."""
        return np.asarray(self.parts / CELL_PARTS)

    @property
    def mean_score(self) -> Floats:
        """Mean score of each patch, 0 to 1."""
        return np.asarray(self.part_scores / np.maximum(self.parts, 1) / SCORE_STEPS)


def tile_patches(tile: ScoredTile, grid: Grid) -> TilePatches:
    """Sizes of the patches of one tile.

    Parameters
    ----------
    tile : ScoredTile
        Scores and labels.
    grid : Grid
        The whole grid.

    Returns
    -------
    TilePatches
        Not yet joined with other tiles.
    """
    flat = tile.labels.ravel()
    on = np.flatnonzero(flat)
    part = tile.part.ravel()[on].astype(np.int64)
    values = (part, part * tile.part_score.ravel()[on].astype(np.int64))
    sums = [np.bincount(flat[on], one, tile.count + 1)[1:].astype(np.int64) for one in values]
    # Kept for every tile until all are joined: as small as can be.
    is_half = None if tile.pieces is None else tile.part >= CELL_PARTS // 2
    labels = tile.labels.astype(np.uint16) if tile.count < 1 << 16 else tile.labels
    slim = replace(tile, part=np.empty(0, np.uint32), part_score=np.empty(0, np.uint16), labels=labels)
    return TilePatches(slim, is_half, sums[0], sums[1], first_cells(tile, grid))


def join_patches(tiles: Sequence[TilePatches], grid: Grid, smallest_m2: float) -> Patches:
    """Patches of all tiles joined where they touch across a border, side or corner.

    Parameters
    ----------
    tiles : sequence of TilePatches
        In the order of ``Grid.tiles``.
    grid : Grid
        The whole grid.
    smallest_m2 : float
        Patches smaller than this are dropped.

    Returns
    -------
    Patches
        The same whatever the tiling.
    """
    start = np.concatenate([[0], np.cumsum([part.tile.count for part in tiles])]).astype(np.int64)
    total = int(start[-1])
    pairs = _touching_pairs(tiles, start)
    graph = coo_array((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(total, total))
    joined = connected_components(graph, directed=False)[1] if total else np.empty(0, np.int64)
    number = int(joined.max()) + 1 if total else 0
    parts = _sum_by(joined, [part.parts for part in tiles], number)
    scores = _sum_by(joined, [part.part_scores for part in tiles], number)
    first = np.full(number, np.iinfo(np.int64).max)
    np.minimum.at(first, joined, np.concatenate([part.first_cell for part in tiles] or [np.empty(0, np.int64)]))
    kept = np.flatnonzero(parts / CELL_PARTS * grid.cell_area_m2 >= smallest_m2 * (1 - 1e-12))
    kept = kept[np.argsort(first[kept])]
    patch = np.full(number + 1, -1, np.int64)
    patch[kept] = np.arange(len(kept))
    patch_of = tuple(
        np.concatenate([[-1], patch[joined[start[i] : start[i + 1]]]]).astype(np.int64) for i in range(len(tiles))
    )
    mean_index = {
        name: _mean_index([part.tile.index_sums[name] for part in tiles], joined, number)[kept]
        for name in (tiles[0].tile.index_sums if tiles else ())
    }
    outlined = _outlined(tiles, patch_of, len(kept), grid)
    shapes = _shapes(outlined, tiles, patch_of, len(kept), grid)
    return Patches(parts[kept], scores[kept], shapes, outlined, patch_of, mean_index)


def _mean_index(sums: Sequence[tuple[Ints, Ints]], joined: Ints, number: int) -> Floats:
    """Mean of one component's index over each joined patch; NaN where no cell knows it."""
    total, cells = (_sum_by(joined, [part[place] for part in sums], number) for place in (0, 1))
    return np.asarray(np.divide(total / SCORE_STEPS, cells, out=np.full(number, np.nan), where=cells > 0))


def _sum_by(joined: Ints, parts: Sequence[Ints], number: int) -> Ints:
    sums = np.zeros(number, np.int64)
    if len(joined):
        np.add.at(sums, joined, np.concatenate(parts))
    return sums


def _touching_pairs(tiles: Sequence[TilePatches], start: Ints) -> Ints:
    """Pairs of patches, numbered over all tiles, that touch across the border of two tiles."""
    at = {(part.tile.window.row, part.tile.window.column): i for i, part in enumerate(tiles)}
    found = [np.empty((0, 2), np.int64)]
    for i, part in enumerate(tiles):
        window, labels = part.tile.window, part.tile.labels
        below, right = window.row + window.rows, window.column + window.columns
        if (j := at.get((window.row, right))) is not None:
            found.append(_beside(labels[:, -1], tiles[j].tile.labels[:, 0], start[i], start[j]))
        if (j := at.get((below, window.column))) is not None:
            found.append(_beside(labels[-1], tiles[j].tile.labels[0], start[i], start[j]))
        if (j := at.get((below, right))) is not None:
            found.append(_beside(labels[-1:, -1], tiles[j].tile.labels[0, :1], start[i], start[j]))
            across, under = at[(window.row, right)], at[(below, window.column)]
            corner, other = tiles[across].tile.labels[-1:, 0], tiles[under].tile.labels[0, -1:]
            found.append(_beside(corner, other, start[across], start[under]))
    return np.concatenate(found)


def _beside(one: NDArray[Any], other: NDArray[Any], start_one: int, start_other: int) -> Ints:
    """Pairs of patches in two lines of cells that lie side by side, also across a corner."""
    pairs = [
        np.stack([a, b], axis=1)
        for a, b in ((one, other), (one[1:], other[:-1]), (one[:-1], other[1:]))
    ]  # fmt: skip
    both = np.concatenate(pairs).astype(np.int64)
    both = both[(both > 0).all(axis=1)]
    return np.unique(both, axis=0) - 1 + np.array([start_one, start_other], np.int64)


def _outlined(tiles: Sequence[TilePatches], patch_of: Sequence[Ints], number: int, grid: Grid) -> Bools:
    """Cells inside the outlines of patches: those at least half habitat, or all of a patch that has none such."""
    outlined = np.zeros((grid.rows, grid.columns), bool)
    has_half = np.zeros(number + 1, bool)
    for part, of in zip(tiles, patch_of, strict=True):
        labels = part.tile.labels
        kept = (of >= 0)[labels]
        outlined[part.tile.window.slices] = kept if part.is_half is None else kept & part.is_half
        has_half[of if part.is_half is None else of[labels[part.is_half]]] = True
    if not has_half[:number].all():
        for part, of in zip(tiles, patch_of, strict=True):
            outlined[part.tile.window.slices] |= ((of >= 0) & ~has_half[of])[part.tile.labels]
    return outlined


def _shapes(
    outlined: Bools, tiles: Sequence[TilePatches], patch_of: Sequence[Ints], number: int, grid: Grid
) -> Shapes:  # fmt: skip
    """Outline of each patch."""
    parts, first_cell = outlines(outlined, grid)
    row, column = np.divmod(first_cell, grid.columns)
    owner = np.empty(len(parts), np.int64)
    for part, of in zip(tiles, patch_of, strict=True):
        its = np.flatnonzero(part.tile.window.holds(row, column))
        at = row[its] - part.tile.window.row, column[its] - part.tile.window.column
        owner[its] = of[part.tile.labels[at]]
    order = np.argsort(owner, kind="stable")
    shapes = shapely.multipolygons(parts[order], indices=owner[order]) if number else np.empty(0, object)
    return np.asarray(shapely.normalize(shapes))


def habitat_mask(tiles: Sequence[TilePatches], patches: Patches, grid: Grid) -> tuple[NDArray[np.uint16], Bools]:
    """Score and habitat of every cell of the grid.

    Parameters
    ----------
    tiles : sequence of TilePatches
        All tiles.
    patches : Patches
        Those that are large enough.
    grid : Grid
        The whole grid.

    Returns
    -------
    score : array of uint16, shape (rows, columns)
        Ten-thousandths; 65535 blank.
    is_habitat : array of bool, shape (rows, columns)
        Cells of a patch that is large enough of which at least half is habitat.
    """
    score = np.full((grid.rows, grid.columns), BLANK_SCORE, np.uint16)
    is_habitat = patches.outlined.copy()
    for part in tiles:
        score[part.tile.window.slices] = part.tile.score
        if part.is_half is not None:
            is_habitat[part.tile.window.slices] &= part.is_half
    return score, is_habitat
