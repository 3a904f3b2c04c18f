"""Spots: cells of one tile near a truck road on enrolled land, before distances are measured exactly."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Floats, Ints
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.settings import SiteSettings
from allocator.core.study import BLANK_CLASS, OPEN_WATER, CoverClass, Study
from allocator.grid.edges import WHOLE
from allocator.grid.land import Land
from allocator.grid.targets import site_water
from allocator.habitat.tile import ScoredTile

SHADES = ("open", "partial", "closed")
BEST_PER_SQUARE = 4
"""So many of the best cells of a square go on to the exact measurements, in case the first ones fail them."""

CELL_STEPS = ("near a truck road", "near water", "level")
"""Steps of the screening in order; a property whose count falls to 0 at one has that as its reason."""


@dataclass(frozen=True)
class Spots:
    """Cells that may hold a trap.

    Parameters
    ----------
    row, column : array of int64
        Cell in the grid.
    owner : array of int64
        Property that holds more than half of the cell.
    water_m, slope : array of float64
        Distance to water and slope; NaN blank.
    shade : array of int64
        Position in ``SHADES``.
    cover : array of int64
        Class position.
    score : array of float64
        Habitat score; NaN blank.
    rank : array of float64
        Larger is better; only used to thin spots out.
    """

    row: Ints
    column: Ints
    owner: Ints
    water_m: Floats
    slope: Floats
    shade: Ints
    cover: Ints
    score: Floats
    rank: Floats

    def take(self, positions: Ints) -> "Spots":
        """Only some of the spots.

        Parameters
        ----------
        positions : array of int
            Which, in order.

        Returns
        -------
        Spots
            Those.
        """
        return Spots(*(getattr(self, part.name)[positions] for part in fields(self)))


@dataclass(frozen=True)
class TileSpots:
    """Spots of one tile and how many cells of each property passed each step.

    Parameters
    ----------
    spots : Spots
        At most a few per square.
    passed : array of int64, shape (steps, properties)
        Cells left after each of ``CELL_STEPS``.
    """

    spots: Spots
    passed: Ints


def find_spots(land: Land, tile: ScoredTile, study: Study) -> TileSpots:
    """Cells of a tile on enrolled land, near a truck road, within the limits on water and slope.

    Parameters
    ----------
    land : Land
        The tile.
    tile : ScoredTile
        Its scores.
    study : Study
        Settings, properties and classes.

    Returns
    -------
    TileSpots
        Limits with no source behind them (no water, no elevation) do not apply.
    """
    sites, grid, number = study.settings.sites, study.grid, len(study.properties.ids)
    if land.road_squared is None:
        return TileSpots(_no_spots(), np.zeros((len(CELL_STEPS), number), np.int64))
    # One cell further than allowed: a road may pass anywhere in a touched cell.
    near = land.road_squared.ravel() <= (sites.road_distance_m[1] / grid.cell_m + 1) ** 2
    dry = np.array([one.water not in OPEN_WATER for one in study.classes] + [False] * (256 - len(study.classes)))
    near &= dry[land.cover.ravel()]
    shares = land.shares
    mine = near[shares.cell] & study.properties.enrolled[shares.owner] & (2 * shares.share > WHOLE)
    owner, cell, share = shares.owner[mine], shares.cell[mine], shares.share[mine]
    water_m: Floats = np.full(len(cell), np.nan)
    by_water = np.ones(len(cell), bool)
    water = site_water(study)
    if water is not None:
        water_m = np.sqrt(land.squared[water].ravel()[cell]) * grid.cell_m
        by_water = (water_m >= sites.water_distance_m[0]) & (water_m <= sites.water_distance_m[1])
    steep: Floats = np.full(len(cell), np.nan) if land.slope is None else land.slope.ravel()[cell].astype(float)
    level = by_water & ~(steep > sites.slope_limit_percent / 100)
    steps = (np.ones(len(cell), bool), by_water, level)
    passed = np.stack([np.bincount(owner[step], minlength=number) for step in steps])
    owner, cell, share = owner[level], cell[level], share[level]
    water_m, steep = water_m[level], steep[level]
    score = tile.score.ravel()[cell].astype(float)
    score = np.where(score == BLANK_SCORE, np.nan, score / SCORE_STEPS)
    shade = shade_of(land.cover_around, study.classes)[1:-1, 1:-1].ravel()[cell]
    rank = quality(sites, water_m=water_m, slope=steep, shade=shade, score=score) + (share == WHOLE)
    row, column = np.divmod(cell, land.window.columns)
    spots = Spots(
        row + land.window.row, column + land.window.column, owner, water_m, steep, shade,
        land.cover.ravel()[cell].astype(np.int64), score, rank,
    )  # fmt: skip
    kept = best_per_square(spots, rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    return TileSpots(spots.take(kept), passed)


def _no_spots() -> Spots:
    whole, real = np.empty(0, np.int64), np.empty(0)
    return Spots(whole, whole, whole, real, real, whole, whole, real, real)


def shade_of(cover: NDArray[np.uint8], classes: Sequence[CoverClass]) -> Ints:
    """Shade of each cell; closed cover and open ground side by side make partial shade at their edge.

    Parameters
    ----------
    cover : array of uint8, shape (rows, columns)
        Class positions; 255 blank, taken as open.
    classes : sequence of CoverClass
        The scheme.

    Returns
    -------
    array of int64, shape (rows, columns)
        Position in ``SHADES``.
    """
    table = np.zeros(BLANK_CLASS + 1, np.uint8)
    table[: len(classes)] = [SHADES.index(one.shade) for one in classes]
    shade = table[cover]
    around = np.ones((3, 3), np.uint8)
    is_edge = cv2.dilate(shade, around) - cv2.erode(shade, around) == len(SHADES) - 1
    return np.where(is_edge, SHADES.index("partial"), shade).astype(np.int64)


def quality(
    sites: SiteSettings, *, water_m: Floats, slope: Floats, shade: Ints, score: Floats, road_m: Floats | None = None
) -> Floats:
    """How well spots suit a trap, 0 to 1: the weighted mean of the terms that are known.

    Parameters
    ----------
    sites : SiteSettings
        Limits and weights.
    water_m, slope : array
        Distance to water in metres, slope as a fraction; NaN: the term is left out.
    shade : array of int
        Position in ``SHADES``.
    score : array
        Habitat score; NaN: the term is left out.
    road_m : array, optional
        Distance to the nearest truck road in metres.

    Returns
    -------
    array of float64
        0 to 1.
    """
    weights = sites.quality_weights

    def near(distance_m: Floats, ends: tuple[float, float]) -> Floats:
        return np.asarray(1 - 0.5 * np.clip((distance_m - ends[0]) / (ends[1] - ends[0]), 0, 1))

    shade_index = np.array([getattr(sites.shade_index, name) for name in SHADES])
    terms = [
        (weights.water, near(water_m, sites.water_distance_m)),
        (weights.level, 1 - 0.5 * np.clip(slope * 100 / sites.slope_limit_percent, 0, 1)),
        (weights.shade, shade_index[shade]),
        (weights.score, score),
    ]
    if road_m is not None:
        terms.append((weights.road, near(road_m, sites.road_distance_m)))
    total = sum((weight * ~np.isnan(term) for weight, term in terms), np.zeros(len(shade)))
    summed = sum((weight * np.nan_to_num(term) for weight, term in terms), np.zeros(len(shade)))
    return np.asarray(np.divide(summed, total, out=np.zeros(len(shade)), where=total > 0))


def best_per_square(spots: Spots, rank: Floats, grid: Grid, *, side_m: float, most: int) -> Ints:
    """Positions of the best few spots of each property in each square of the grid.

    Parameters
    ----------
    spots : Spots
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
    cells = max(1, round(side_m / grid.cell_m))
    key = np.stack([spots.row // cells, spots.column // cells, spots.owner])
    order = np.lexsort((spots.column, spots.row, -rank, *key))
    key = key[:, order]
    begins = np.r_[True, (key[:, 1:] != key[:, :-1]).any(axis=0)][: len(order)]
    places = np.arange(len(order))
    place = places - np.maximum.accumulate(np.where(begins, places, 0))
    kept = order[place < most]
    return kept[np.lexsort((spots.column[kept], spots.row[kept]))]


def join_spots(tiles: Sequence[TileSpots], grid: Grid, sites: SiteSettings) -> TileSpots:
    """Spots of all tiles, thinned out again so that the tiling leaves no trace.

    Parameters
    ----------
    tiles : sequence of TileSpots
        One per tile; at least one.
    grid : Grid
        The grid.
    sites : SiteSettings
        Side of the squares.

    Returns
    -------
    TileSpots
        For the whole study.
    """
    joined = Spots(*(np.concatenate([getattr(part.spots, one.name) for part in tiles]) for one in fields(Spots)))
    kept = best_per_square(joined, joined.rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    return TileSpots(joined.take(kept), np.sum([part.passed for part in tiles], axis=0))
