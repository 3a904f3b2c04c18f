"""Patches: habitat cells that touch, side or corner, joined across tiles; and their outlines."""

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes as trace_outlines
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.study import Shapes
from allocator.habitat.tile import CELL_PARTS, ScoredTile, first_cells

_TRACING = Lock()


@dataclass(frozen=True)
class TilePatches:
    """What is needed of a tile to join its patches with those of its neighbours.

    Parameters
    ----------
    tile : ScoredTile
        Scores and labels.
    parts, part_scores, first_cell : array of int64, shape (count,)
        Habitat of each patch in ``CELL_PARTS`` of a cell, the same times score, number of its first cell in the grid.
    outline : array of shapely polygons
        In the grid's coordinate system: cells of which at least half is habitat.
    outline_label : array of int64
        Patch within the tile of each outline.
    """

    tile: ScoredTile
    parts: Ints
    part_scores: Ints
    first_cell: Ints
    outline: Shapes
    outline_label: Ints


@dataclass(frozen=True)
class Patches:
    """Patches of the whole study, numbered from the north-west; only those large enough.

    Parameters
    ----------
    parts, part_scores : array of int64, shape (patches,)
        Habitat of each in ``CELL_PARTS`` of a cell, and the same times score in ten-thousandths.
    shapes : array of shapely multipolygons, shape (patches,)
        Outlines along the cells.
    patch_of : tuple of array of int64
        For each tile, the patch of each of its labels; entry 0 and patches that are too small hold -1.
    mean_index : dict
        Component to the mean of its index over the cells of each patch that know it, 0 to 1; NaN where none does.
    """

    parts: Ints
    part_scores: Ints
    shapes: Shapes
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
    """Sizes and outlines of the patches of one tile.

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
    outline, label = outlines(np.where(tile.part >= CELL_PARTS // 2, tile.labels, 0), tile, grid)
    return TilePatches(tile, sums[0], sums[1], first_cells(tile, grid), outline, label)


def outlines(labels: NDArray[np.int32], tile: ScoredTile, grid: Grid) -> tuple[Shapes, Ints]:
    """Outlines of labelled cells: labels join corners, outlines do not, so every polygon is valid.

    Parameters
    ----------
    labels : array of int32, shape (rows, columns)
        Cells to outline, by label; 0 none.
    tile : ScoredTile
        Where they lie.
    grid : Grid
        The whole grid.

    Returns
    -------
    outline : array of shapely polygons
        In the grid's coordinate system.
    label : array of int64
        Label of each.
    """
    # rasterio silences a warning for a moment in a way that threads disturb: one tile at a time, or it gets out.
    with _TRACING:
        traced = list(trace_outlines(labels, mask=labels > 0, connectivity=4))
    rings: list[list[tuple[float, float]]] = []
    ring_owner: list[int] = []
    label_of: list[int] = []
    for geometry, label in traced:
        rings += geometry["coordinates"]
        ring_owner += [len(label_of)] * len(geometry["coordinates"])
        label_of.append(int(label))
    if not label_of:
        return np.empty(0, object), np.empty(0, np.int64)
    lengths = np.array([len(ring) for ring in rings])
    points = np.array([point for ring in rings for point in ring], float)
    points[:, 0] = grid.west_m + (points[:, 0] + tile.window.column) * grid.cell_m
    points[:, 1] = grid.north_m - (points[:, 1] + tile.window.row) * grid.cell_m
    ring_shapes = shapely.linearrings(points, indices=np.repeat(np.arange(len(rings)), lengths))
    owner = np.array(ring_owner)
    outer = np.r_[True, owner[1:] != owner[:-1]]
    polygons = shapely.polygons(ring_shapes[outer])
    with_holes = np.unique(owner[~outer])
    for position in with_holes:
        its = ring_shapes[owner == position]
        polygons[position] = shapely.polygons(its[0], its[1:])
    return polygons, np.array(label_of, np.int64)


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
    shapes = _joined_outlines(tiles, patch_of, len(kept), grid)
    return Patches(parts[kept], scores[kept], shapes, patch_of, mean_index)


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


def _beside(one: NDArray[np.int32], other: NDArray[np.int32], start_one: int, start_other: int) -> Ints:
    """Pairs of patches in two lines of cells that lie side by side, also across a corner."""
    pairs = [
        np.stack([a, b], axis=1)
        for a, b in ((one, other), (one[1:], other[:-1]), (one[:-1], other[1:]))
    ]  # fmt: skip
    both = np.concatenate(pairs).astype(np.int64)
    both = both[(both > 0).all(axis=1)]
    return np.unique(both, axis=0) - 1 + np.array([start_one, start_other], np.int64)


def _joined_outlines(tiles: Sequence[TilePatches], patch_of: Sequence[Ints], number: int, grid: Grid) -> Shapes:
    """Outline of each patch, without the borders of tiles."""
    traced = [(part.outline, of[part.outline_label]) for part, of in zip(tiles, patch_of, strict=True)]
    has_outline = np.zeros(number + 1, bool)
    has_outline[np.concatenate([owner for _, owner in traced] or [np.empty(0, np.int64)])] = True
    if not has_outline[:number].all():  # patches of cells none of which is half habitat: all their cells
        for place, (part, of) in enumerate(zip(tiles, patch_of, strict=True)):
            bare = (of >= 0) & ~has_outline[of]
            if bare.any():
                more, label = outlines(np.where(bare[part.tile.labels], part.tile.labels, 0), part.tile, grid)
                traced[place] = (np.concatenate([traced[place][0], more]), np.r_[traced[place][1], of[label]])
    outline = np.concatenate([shapes for shapes, _ in traced] or [np.empty(0, object)])
    owner = np.concatenate([its for _, its in traced] or [np.empty(0, np.int64)])
    tile = np.repeat(np.arange(len(tiles)), [len(its) for _, its in traced])
    order = np.argsort(owner, kind="stable")
    order = order[owner[order] >= 0]
    outline, owner, tile = outline[order], owner[order], tile[order]
    first = np.searchsorted(owner, np.arange(number + 1))
    shapes = np.empty(number, object)
    for patch in range(number):
        parts = outline[first[patch] : first[patch + 1]]
        if tile[first[patch]] != tile[first[patch + 1] - 1]:
            parts = shapely.get_parts(without_middle_points(shapely.union_all(parts)))
        shapes[patch] = shapely.multipolygons(parts)
    return np.asarray(shapely.normalize(shapes))


def without_middle_points(shape: shapely.Geometry) -> shapely.Geometry:
    """A shape whose edges run along rows and columns, without the points in the middle of straight runs.

    Parameters
    ----------
    shape : shapely polygon or multipolygon
        All edges horizontal or vertical.

    Returns
    -------
    shapely polygon or multipolygon
        The same ground with the fewest points.

    Examples
    --------
    >>> square = shapely.from_wkt("POLYGON ((0 0, 1 0, 2 0, 2 2, 0 2, 0 0))")
    >>> len(without_middle_points(square).exterior.coords)
    5
    """
    polygons = []
    for polygon in shapely.get_parts(shape):
        rings = [_corners(shapely.get_coordinates(ring)) for ring in shapely.get_rings(polygon)]
        polygons.append(shapely.Polygon(rings[0], rings[1:]))
    return polygons[0] if len(polygons) == 1 else shapely.multipolygons(polygons)


def _corners(points: Floats) -> Floats:
    """Corner points of a closed ring, closed again."""
    points = points[:-1]
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    is_middle = ((before == points) & (points == after)).any(axis=1)
    corners = points[~is_middle]
    return np.concatenate([corners, corners[:1]])


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
    is_habitat = np.zeros((grid.rows, grid.columns), bool)
    for part, patch_of in zip(tiles, patches.patch_of, strict=True):
        window = part.tile.window
        inside = np.s_[window.row : window.row + window.rows, window.column : window.column + window.columns]
        score[inside] = part.tile.score
        is_habitat[inside] = (patch_of >= 0)[part.tile.labels] & (part.tile.part >= CELL_PARTS // 2)
    return score, is_habitat
