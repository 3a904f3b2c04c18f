"""Habitat of one tile: scores, patches within the tile, and how much of it lies on which property."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Ints, sum_by_key
from allocator.core.grid import Grid, Window
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.study import Season, Study
from allocator.grid.cover import CLASSES
from allocator.grid.land import Land
from allocator.habitat.components import components, cover_index
from allocator.habitat.mixed import ScoredPieces, habitat_part, meet, score_pieces
from allocator.habitat.score import Component, whole_scores

CELL_PARTS = 1 << 16
"""A whole cell, when parts of cells that are habitat are counted."""


@dataclass(frozen=True)
class ScoredTile:
    """Scores and patches of one tile.

    Parameters
    ----------
    window : Window
        The tile.
    score : array of uint16, shape (rows, columns)
        Ten-thousandths, of the class at the cell's centre; 65535 blank.
    part, part_score : array of uint32 and of uint16, shape (rows, columns)
        Part of each cell that is habitat, in ``CELL_PARTS``, and the mean score of that part.
    labels : array of int32, shape (rows, columns)
        Patch within the tile from 1; 0 where no part is habitat.
    count : int
        Patches within the tile.
    pieces : ScoredPieces or None
        Pieces of the cells that hold edges of land-cover polygons; None for a raster.
    index_sums : dict
        Component to two arrays of shape (count,): its index summed over the cells of each patch that know it, in
        ten-thousandths, and the number of those cells.
    """

    window: Window
    score: NDArray[np.uint16]
    part: NDArray[np.uint32]
    part_score: NDArray[np.uint16]
    labels: NDArray[np.int32]
    count: int
    pieces: ScoredPieces | None = None
    index_sums: dict[str, tuple[Ints, Ints]] = field(default_factory=dict)

    @cached_property
    def on(self) -> Ints:
        """Cells that have a label, counted row by row."""
        return np.flatnonzero(self.labels.ravel() > 0)

    @cached_property
    def label(self) -> Ints:
        """The label of each of those cells."""
        return self.labels.ravel()[self.on].astype(np.int64)


@dataclass(frozen=True)
class Sums:
    """What of a tile lies on which property, in whole numbers that add up in any order.

    Parameters
    ----------
    class_owner, class_position, class_share : array of int64
        Property, class (255 blank) and the sum of shares of cells.
    patch_owner, patch_label, patch_position, patch_share, patch_score : array of int64
        Property, patch within the tile, class, sum of shares and sum of share times score over its habitat cells.
    covered_share, covered_score : array of int64, shape (count,)
        Per patch: on any property, cells counted at most once.
    enrolled_share : array of int64, shape (count,)
        Per patch: on enrolled properties, cells counted at most once.
    double_share : int
        Shares by which properties overlap.
    """

    class_owner: Ints
    class_position: Ints
    class_share: Ints
    patch_owner: Ints
    patch_label: Ints
    patch_position: Ints
    patch_share: Ints
    patch_score: Ints
    covered_share: Ints
    covered_score: Ints
    enrolled_share: Ints
    double_share: int


def score_tile(land: Land, study: Study, season: Season) -> ScoredTile:
    """Score a tile and label its habitat, 8-connected.

    Parameters
    ----------
    land : Land
        The tile.
    study : Study
        Sources.
    season : Season
        Curves, weights and scores.

    Returns
    -------
    ScoredTile
        Patches are not yet joined across tiles nor sorted by size.
    """
    parts = components(land, study, season)
    score = whole_scores(parts, season.habitat.combine)
    if parts[0].name != "cover":
        score[np.isnan(cover_index(season))[land.cover]] = BLANK_SCORE
    threshold = round(season.habitat.threshold * SCORE_STEPS)
    is_habitat = (score >= threshold) & (score != BLANK_SCORE)
    part = np.where(is_habitat, CELL_PARTS, 0).astype(np.uint32)
    part_score = np.where(is_habitat, score, 0).astype(np.uint16)
    pieces = None
    if land.pieces is not None:
        pieces = score_pieces(land.pieces, parts, season.habitat.combine, threshold=threshold)
        cell, of_cell, its_score = habitat_part(pieces, score.size, CELL_PARTS)
        part.ravel()[cell], part_score.ravel()[cell] = of_cell, its_score
    count, found = cv2.connectedComponents((part > 0).view(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    labels = np.asarray(found, np.int32)
    tile = ScoredTile(land.window, score, part, part_score, labels, count - 1, pieces)
    tile.index_sums.update(_index_sums(parts, tile))
    return tile


def _index_sums(parts: Sequence[Component], tile: ScoredTile) -> dict[str, tuple[Ints, Ints]]:
    """For each component and patch: its index over the cells that know it, in ten-thousandths, and their number."""
    on, label, count, sums = tile.on, tile.label, tile.count, {}
    for part in parts:
        steps = np.floor((part.index.ravel()[on] if part.entry is None else part.index) * SCORE_STEPS + 0.5)
        value = np.where(np.isnan(steps), -1, steps).astype(np.int64)
        if part.entry is not None:
            value = value[part.entry.ravel()[on]]
        its, known = label, value >= 0
        if not known.all():
            its, value = label[known], value[known]
        total = np.bincount(its, weights=value, minlength=count + 1)[1:]
        cells = np.bincount(its, minlength=count + 1)[1:]
        sums[part.name] = (total.astype(np.int64), cells.astype(np.int64))
    return sums


def sum_tile(land: Land, tile: ScoredTile) -> Sums:
    """Sums of a tile over properties, classes and patches.

    Parameters
    ----------
    land : Land
        Cover, and parts of cells inside the properties.
    tile : ScoredTile
        Scores and patches.

    Returns
    -------
    Sums
        In parts of a cell (``WHOLE``) and, for scores, ten-thousandths of it.
    """
    owner, cell, share = land.shares.owner, land.shares.cell, land.shares.share
    position = land.cover.ravel()[cell].astype(np.int64)
    is_habitat = (tile.labels.ravel() > 0)[cell]
    score = None
    if tile.pieces is not None:
        score = tile.part_score.ravel()[cell].astype(np.int64)
        pair, piece, both = meet(land.shares, tile.pieces)
        whole = np.ones(len(cell), bool)
        whole[pair] = False
        owner, cell = np.concatenate([owner[whole], owner[pair]]), np.concatenate([cell[whole], cell[pair]])
        share = np.concatenate([share[whole], both])
        position = np.concatenate([position[whole], tile.pieces.position[piece]])
        score = np.concatenate([score[whole], tile.pieces.score[piece]])
        is_habitat = np.concatenate([is_habitat[whole], tile.pieces.is_habitat[piece]])
    class_owner, class_position, class_share = _by_class(owner, position, share)
    on = np.flatnonzero(is_habitat)
    label, stride = tile.labels.ravel()[cell[on]].astype(np.int64), tile.count + 1
    key = (owner[on] * stride + label) * CLASSES + position[on]
    scored = tile.part_score.ravel()[cell[on]].astype(np.int64) if score is None else score[on]
    key, patch_share, patch_score = sum_by_key(key, share[on], share[on] * scored)
    patch_key, patch_position = np.divmod(key, CLASSES)
    covered, covered_score = _per_patch(land.covered, tile)
    is_all = land.enrolled is land.covered
    return Sums(
        class_owner, class_position, class_share,
        patch_key // stride, patch_key % stride, patch_position, patch_share, patch_score,
        covered_share=covered, covered_score=covered_score,
        enrolled_share=covered if is_all else _per_patch(land.enrolled, tile)[0],
        double_share=int(land.shares.share.sum()) - int(land.covered.sum()),
    )  # fmt: skip


def _by_class(owner: Ints, position: Ints, share: Ints) -> tuple[Ints, Ints, Ints]:
    """Properties, classes and the sums of shares that both have in a tile."""
    if not len(owner):
        return owner, owner, share
    present = np.flatnonzero(np.bincount(owner))
    place = np.zeros(int(present[-1]) + 1, np.int64)
    place[present] = np.arange(len(present)) * CLASSES
    # Float64 holds the sums of a tile exactly: under 2**53.
    sums = np.bincount(place[owner] + position, weights=share).astype(np.int64)
    at = np.flatnonzero(sums)
    return present[at // CLASSES], at % CLASSES, sums[at]


def _per_patch(inside: Ints, tile: ScoredTile) -> tuple[Ints, Ints]:
    """Sums of the habitat inside, and of it times score, over the cells of each patch of a tile."""
    on, label, share = tile.on, tile.label, inside[tile.on]
    if tile.pieces is not None:  # else every cell with a label is habitat as a whole
        share = (share * tile.part.ravel()[on].astype(np.int64) + CELL_PARTS // 2) // CELL_PARTS
    # A sum of shares stays under 2**53 in a tile, so float64 holds it exactly; share times score may not, so it is
    # summed in two halves.
    scored = share * tile.part_score.ravel()[on].astype(np.int64)
    halves = share, scored >> 20, scored & ((1 << 20) - 1)
    totals = [np.bincount(label, weights=w, minlength=tile.count + 1)[1:].astype(np.int64) for w in halves]
    return totals[0], totals[1] * (1 << 20) + totals[2]


def first_cells(tile: ScoredTile, grid: Grid) -> Ints:
    """Number of the first cell of each patch of a tile, counted row by row over the whole grid.

    Parameters
    ----------
    tile : ScoredTile
        The tile.
    grid : Grid
        The whole grid.

    Returns
    -------
    array of int64, shape (count,)
        The least cell number of each patch.
    """
    first = np.zeros(tile.count + 1, np.int64)
    first[tile.label[::-1]] = tile.on[::-1]  # the last one written is the first cell
    row, column = np.divmod(first[1:], tile.window.columns)
    return (row + tile.window.row) * grid.columns + column + tile.window.column
