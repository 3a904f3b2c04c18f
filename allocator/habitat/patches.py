"""Patches: habitat cells that touch, side or corner, joined across tiles; and their outlines."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid, Window
from allocator.core.results import BLANK_SCORE, SCORE_STEPS, ScoreMap
from allocator.core.study import Shapes
from allocator.grid.tile_files import TileFiles
from allocator.habitat.outlines import outlines
from allocator.habitat.tile import CELL_PARTS, ScoredTile, first_cells


class Rim(NamedTuple):
    """Labels of the cells along the sides of a tile.

    Parameters
    ----------
    north, south : array of int, shape (columns,)
        First and last row.
    west, east : array of int, shape (rows,)
        First and last column.
    """

    north: NDArray[Any]
    south: NDArray[Any]
    west: NDArray[Any]
    east: NDArray[Any]


@dataclass(frozen=True)
class TilePatches:
    """What is needed of a tile to join its patches with those of its neighbours; its cells lie in files.

    Parameters
    ----------
    window : Window
        The tile.
    season : int
        Place among the study's seasons of that whose scores they are.
    files : TileFiles
        Where its scores and labels lie.
    rim : Rim
        Labels along its four sides.
    parts, part_scores, first_cell : array of int64, shape (count,)
        Habitat of each patch in ``CELL_PARTS`` of a cell, the same times score, number of its first cell in the grid.
    index_sums : dict
        As of the tile.
    """

    window: Window
    season: int
    files: TileFiles
    rim: Rim
    parts: Ints
    part_scores: Ints
    first_cell: Ints
    index_sums: dict[str, tuple[Ints, Ints]]

    @property
    def score(self) -> NDArray[np.uint16]:
        """Score of each cell, ten-thousandths; 65535 blank."""
        return self.files.get(f"score-{self.season}", self.window)

    def labels(self) -> tuple[NDArray[Any], Bools | None]:
        """Label of each cell; and which are at least half habitat, None where all are that have a label."""
        found = self.files.get(f"labels-{self.season}", self.window)
        return (np.abs(found), found > 0) if (found < 0).any() else (found, None)


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
    is_habitat : array of bool, shape (rows, columns)
        Cells of the patches that are at least half habitat; the same array where these are the outlines.
    patch_of : tuple of array of int64
        For each tile, the patch of each of its labels; entry 0 and patches that are too small hold -1.
    mean_index : dict
        Component to the mean of its index over the cells of each patch that know it, 0 to 1; NaN where none does.
    """

    parts: Ints
    part_scores: Ints
    shapes: Shapes
    outlined: Bools
    is_habitat: Bools
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


def tile_patches(tile: ScoredTile, grid: Grid, files: TileFiles, season: int = 0) -> TilePatches:
    """Sizes and rims of the patches of one tile; its cells go into files.

    Parameters
    ----------
    tile : ScoredTile
        Scores and labels.
    grid : Grid
        The whole grid.
    files : TileFiles
        Takes the scores and labels.
    season : int
        Place among the study's seasons of that whose scores they are.

    Returns
    -------
    TilePatches
        Not yet joined with other tiles.
    """
    labels, part = tile.labels, tile.part.ravel()[tile.on].astype(np.int64)
    values = (part, part * tile.part_score.ravel()[tile.on].astype(np.int64))
    parts, scores = (np.bincount(tile.label, one, tile.count + 1)[1:].astype(np.int64) for one in values)
    # Negative where less than half of the cell is habitat; in as few bytes as hold the labels.
    kept = labels if tile.pieces is None else np.where(tile.part >= CELL_PARTS // 2, labels, -labels)
    files.put(f"labels-{season}", tile.window, kept.astype(np.int16) if tile.count < 1 << 15 else kept)
    files.put(f"score-{season}", tile.window, tile.score)
    rim = Rim(*(side.copy() for side in (labels[0], labels[-1], labels[:, 0], labels[:, -1])))
    return TilePatches(tile.window, season, files, rim, parts, scores, first_cells(tile, grid), tile.index_sums)


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
    start = np.concatenate([[0], np.cumsum([len(part.parts) for part in tiles])]).astype(np.int64)
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
        name: _mean_index([part.index_sums[name] for part in tiles], joined, number)[kept]
        for name in (tiles[0].index_sums if tiles else ())
    }
    outlined, is_habitat = _outlined(tiles, patch_of, len(kept), grid)
    shapes = _shapes(outlined, tiles, patch_of, len(kept), grid)
    return Patches(parts[kept], scores[kept], shapes, outlined, is_habitat, patch_of, mean_index)


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
    at = {(part.window.row, part.window.column): i for i, part in enumerate(tiles)}
    found = [np.empty((0, 2), np.int64)]
    for i, part in enumerate(tiles):
        window, rim = part.window, part.rim
        below, right = window.row + window.rows, window.column + window.columns
        if (j := at.get((window.row, right))) is not None:
            found.append(_beside(rim.east, tiles[j].rim.west, start[i], start[j]))
        if (j := at.get((below, window.column))) is not None:
            found.append(_beside(rim.south, tiles[j].rim.north, start[i], start[j]))
        if (j := at.get((below, right))) is not None:
            found.append(_beside(rim.south[-1:], tiles[j].rim.north[:1], start[i], start[j]))
            across, under = at[(window.row, right)], at[(below, window.column)]
            corner, other = tiles[across].rim.south[:1], tiles[under].rim.north[-1:]
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


def _outlined(
    tiles: Sequence[TilePatches], patch_of: Sequence[Ints], number: int, grid: Grid
) -> tuple[Bools, Bools]:  # fmt: skip
    """Cells inside the outlines of patches: those at least half habitat, or all of a patch that has none such.

    Second, those at least half habitat alone; the same array where they are the same.
    """
    outlined = np.zeros((grid.rows, grid.columns), bool)
    has_half = np.zeros(number + 1, bool)
    for part, of in zip(tiles, patch_of, strict=True):
        labels, is_half = part.labels()
        kept = (of >= 0)[labels]
        outlined[part.window.slices] = kept if is_half is None else kept & is_half
        has_half[of if is_half is None else of[labels[is_half]]] = True
    if has_half[:number].all():
        return outlined, outlined
    is_habitat = outlined.copy()
    for part, of in zip(tiles, patch_of, strict=True):
        outlined[part.window.slices] |= ((of >= 0) & ~has_half[of])[part.labels()[0]]
    return outlined, is_habitat


def _shapes(outlined: Bools, tiles: Sequence[TilePatches], patch_of: Sequence[Ints], number: int, grid: Grid) -> Shapes:
    """Outline of each patch."""
    parts, first_cell = outlines(outlined, grid)
    row, column = np.divmod(first_cell, grid.columns)
    owner = np.empty(len(parts), np.int64)
    for part, of in zip(tiles, patch_of, strict=True):
        its = np.flatnonzero(part.window.holds(row, column))
        at = row[its] - part.window.row, column[its] - part.window.column
        owner[its] = of[part.labels()[0][at]]
    order = np.argsort(owner, kind="stable")
    shapes = shapely.multipolygons(parts[order], indices=owner[order]) if number else np.empty(0, object)
    return np.asarray(shapely.normalize(shapes))


def score_map(tiles: Sequence[TilePatches], patches: Patches, grid: Grid) -> ScoreMap:
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
    ScoreMap
        Habitat are the cells of a patch that is large enough of which at least half is habitat.
    """
    score = np.full((grid.rows, grid.columns), BLANK_SCORE, np.uint16)
    for part in tiles:
        score[part.window.slices] = part.score
    return ScoreMap(grid, score, patches.is_habitat)
