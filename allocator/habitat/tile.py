"""Habitat of one tile: scores, patches within the tile, and how much of it lies on which property."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Floats, Ints, sum_by_key
from allocator.core.grid import Grid, Window
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.settings import HabitatSettings
from allocator.core.study import BLANK_CLASS, CoverClass, Study
from allocator.grid.land import Land
from allocator.habitat.score import Component, curve_index, score_cells, whole_score


@dataclass(frozen=True)
class ScoredTile:
    """Scores and patches of one tile.

    Parameters
    ----------
    window : Window
        The tile.
    score : array of uint16, shape (rows, columns)
        Ten-thousandths; 65535 blank.
    labels : array of int32, shape (rows, columns)
        Patch within the tile from 1; 0 where there is no habitat.
    count : int
        Patches within the tile.
    """

    window: Window
    score: NDArray[np.uint16]
    labels: NDArray[np.int32]
    count: int


@dataclass(frozen=True)
class Sums:
    """What of a tile lies on which property, in whole numbers that add up in any order.

    Parameters
    ----------
    class_owner, class_position, class_share : array of int64
        Property, class (255 blank) and the sum of shares of cells.
    patch_owner, patch_label, patch_share, patch_score : array of int64
        Property, patch within the tile, sum of shares and sum of share times score over its habitat cells.
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
    patch_share: Ints
    patch_score: Ints
    covered_share: Ints
    covered_score: Ints
    enrolled_share: Ints
    double_share: int


def used_components(study: Study) -> tuple[str, ...]:
    """Names of the components that have a source and a weight.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of str
        Of cover, water, lowland.
    """
    weights = study.settings.habitat.weights
    known = {"cover": True, "water": study.has_water, "lowland": study.has_water and study.elevation is not None}
    return tuple(name for name, has_source in known.items() if has_source and getattr(weights, name) > 0)


def components(
    land: Land, names: Sequence[str], *, classes: Sequence[CoverClass], habitat: HabitatSettings, cell_m: float
) -> list[Component]:
    """The components of a tile's score.

    Parameters
    ----------
    land : Land
        The tile.
    names : sequence of str
        Which components to use.
    classes : sequence of CoverClass
        Scores of the cover classes.
    habitat : HabitatSettings
        Curves and weights.
    cell_m : float
        Side of a cell.

    Returns
    -------
    list of Component
        In the order of the names.
    """
    made = []
    if "cover" in names:
        made.append(Component("cover", habitat.weights.cover, cover_index(classes), land.cover))
    if "water" in names and land.water_squared is not None:
        steps = np.sqrt(np.arange(int(land.water_squared.max()) + 1))
        made.append(
            Component("water", habitat.weights.water, curve_index(steps * cell_m, habitat.curves.water_m),
                      land.water_squared)
        )  # fmt: skip
    if "lowland" in names and land.height_m is not None:
        made.append(Component("lowland", habitat.weights.lowland, curve_index(land.height_m, habitat.curves.lowland_m)))
    return made


def cover_index(classes: Sequence[CoverClass]) -> Floats:
    """Cover index by class position.

    Parameters
    ----------
    classes : sequence of CoverClass
        The scheme.

    Returns
    -------
    array of float64, shape (256,)
        NaN for background classes and for blank.
    """
    index = np.full(BLANK_CLASS + 1, np.nan)
    index[: len(classes)] = [cover_class.score for cover_class in classes]
    return index


def score_tile(land: Land, study: Study) -> ScoredTile:
    """Score a tile and label its habitat, 8-connected.

    Parameters
    ----------
    land : Land
        The tile.
    study : Study
        Settings and classes.

    Returns
    -------
    ScoredTile
        Patches are not yet joined across tiles nor sorted by size.
    """
    habitat = study.settings.habitat
    parts = components(
        land, used_components(study), classes=study.classes, habitat=habitat, cell_m=study.grid.cell_m
    )  # fmt: skip
    score = whole_score(score_cells(parts, habitat.combine))
    score[np.isnan(cover_index(study.classes))[land.cover]] = BLANK_SCORE
    is_habitat = (score >= round(habitat.threshold * SCORE_STEPS)) & (score != BLANK_SCORE)
    count, labels = cv2.connectedComponents(is_habitat.view(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    return ScoredTile(land.window, score, labels, count - 1)


def _by_class(owner: Ints, position: NDArray[np.uint8], share: Ints) -> tuple[Ints, Ints, Ints]:
    """Properties, classes and the sums of shares that both have in a tile."""
    if not len(owner):
        return owner, owner, share
    present = np.flatnonzero(np.bincount(owner))
    place = np.zeros(int(present[-1]) + 1, np.int64)
    place[present] = np.arange(len(present)) * (BLANK_CLASS + 1)
    # Float64 holds the sums of a tile exactly: under 2**53.
    sums = np.bincount(place[owner] + position, weights=share).astype(np.int64)
    at = np.flatnonzero(sums)
    return present[at // (BLANK_CLASS + 1)], at % (BLANK_CLASS + 1), sums[at]


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
    class_owner, class_position, class_share = _by_class(owner, land.cover.ravel()[cell], share)
    label = tile.labels.ravel()[cell].astype(np.int64)
    on = np.flatnonzero(label)
    score = tile.score.ravel()
    stride = tile.count + 1
    patch_key, patch_share, patch_score = sum_by_key(
        owner[on] * stride + label[on], share[on], share[on] * score[cell[on]].astype(np.int64)
    )
    covered_sums = _per_patch(land.covered, tile)
    return Sums(
        class_owner, class_position, class_share,
        patch_key // stride, patch_key % stride, patch_share, patch_score,
        covered_share=covered_sums[0], covered_score=covered_sums[1],
        enrolled_share=_per_patch(land.enrolled, tile)[0],
        double_share=int(share.sum()) - int(land.covered.sum()),
    )  # fmt: skip


def _per_patch(part: Ints, tile: ScoredTile) -> tuple[Ints, Ints]:
    """Sums of shares, and of shares times score, over the cells of each patch of a tile."""
    on = np.flatnonzero(tile.labels.ravel())
    label = tile.labels.ravel()[on]
    share = part[on]
    # A sum of shares stays under 2**53 in a tile, so float64 holds it exactly; share times score may not, so it is
    # summed in two halves.
    score = share * tile.score.ravel()[on].astype(np.int64)
    high, low = np.divmod(score, 1 << 20)
    totals = [np.bincount(label, weights=w, minlength=tile.count + 1)[1:].astype(np.int64) for w in (share, high, low)]
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
    flat = tile.labels.ravel()
    on = np.flatnonzero(flat)[::-1]
    first = np.zeros(tile.count + 1, np.int64)
    first[flat[on]] = on  # the last one written is the first cell
    row, column = np.divmod(first[1:], tile.window.columns)
    return (row + tile.window.row) * grid.columns + column + tile.window.column
