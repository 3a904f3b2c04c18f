"""Spots: cells of one tile near a truck road on enrolled land, before distances are measured exactly."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.settings import Flooding, SiteSettings
from allocator.core.study import BLANK_CLASS, OPEN_WATER, CoverClass, Study
from allocator.grid.edges import WHOLE
from allocator.grid.land import MOST_SETBACK_M, ROAD_LOOK, Land
from allocator.grid.targets import site_water
from allocator.habitat.tile import ScoredTile
from allocator.sites.squares import best_per_square, place_in_run

SHADES = ("open", "partial", "closed")
BEST_PER_SQUARE = 36
"""So many of the best cells of a square go on, in case the first ones fail the exact measurements."""

MISSES = 12
"""So many of the cells of a property that break a limit least are kept for each limit."""
FLOODING = get_args(Flooding)

CELL_STEPS = ("near a truck road", "near water", "level", "off flood-prone soil")
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
    flooding : array of float64
        Position of the soil's flooding class, from none to very frequent; NaN blank.
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
    flooding: Floats
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
class Misses:
    """Cells that break one of the limits in ``CELL_STEPS``: for each property and limit the few that do so least.

    Parameters
    ----------
    spots : Spots
        The cells.
    limit : array of int64
        Position of the limit in ``CELL_STEPS``.
    excess : array of float64
        How far beyond; comparable for one limit only.
    is_sure : array of bool
        Whether the cell lies off the property line by the setback and half a cell more.
    """

    spots: Spots
    limit: Ints
    excess: Floats
    is_sure: Bools

    def least(self) -> "Misses":
        """The few cells of each property and limit that break it least; of equals, the better, more northern, western.

        Returns
        -------
        Misses
            Sorted by property, limit and excess.
        """
        spots = self.spots
        cell = spots.row * (int(spots.column.max(initial=0)) + 1) + spots.column
        order = np.lexsort((cell, -spots.rank, self.excess, spots.owner * len(CELL_STEPS) + self.limit))
        # Those that look sure to keep the setback, and those that may, each so many.
        places = np.empty(len(order), np.int64)
        for sure in (True, False):
            its = order[self.is_sure[order] == sure]
            places[its] = place_in_run(np.stack([spots.owner, self.limit])[:, its])
        order = order[places[order] < MISSES]
        return Misses(spots.take(order), self.limit[order], self.excess[order], self.is_sure[order])


@dataclass(frozen=True)
class TileSpots:
    """Spots of one tile, those that miss one limit, and how many cells of each property passed each step.

    Parameters
    ----------
    spots : Spots
        At most a few per square.
    misses : Misses
        Cells that break one limit.
    passed : array of int64, shape (steps, properties)
        Cells left after each of ``CELL_STEPS``.
    """

    spots: Spots
    misses: Misses
    passed: Ints


def find_spots(land: Land, tile: ScoredTile, study: Study) -> TileSpots:
    """Cells of a tile on enrolled land, near a truck road, within the limits on water, slope and flooding.

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
        Limits with no source behind them (no water, no elevation, no soils) do not apply.
    """
    sites, grid, number = study.settings.sites, study.grid, len(study.properties.ids)
    if land.road_squared is None:
        none = Misses(_no_spots(), np.empty(0, np.int64), np.empty(0), np.empty(0, bool))
        return TileSpots(none.spots, none, np.zeros((len(CELL_STEPS), number), np.int64))
    road_m = np.sqrt(land.road_squared.ravel()) * grid.cell_m
    dry = np.array([one.water not in OPEN_WATER for one in study.classes] + [False] * (256 - len(study.classes)))
    look = (road_m <= ROAD_LOOK * sites.road_distance_m[1]) & dry[land.cover.ravel()]
    shares = land.shares
    mine = np.flatnonzero(look[shares.cell] & (2 * shares.share > WHOLE))
    mine = mine[study.properties.enrolled[shares.owner[mine]]]
    owner, cell, is_whole = shares.owner[mine], shares.cell[mine], shares.share[mine] == WHOLE
    water_m, slope, flooding = _terms(land, study, cell)
    low, high = sites.water_distance_m
    # One cell further than allowed: a road may pass anywhere in a touched cell.
    holds = (
        road_m[cell] <= sites.road_distance_m[1] + grid.cell_m,
        ~((water_m < low) | (water_m > high)),
        ~(slope > sites.slope_limit_percent / 100),
        ~(flooding > FLOODING.index(sites.flooding_limit)),
    )
    left, kept_limits, broken = np.ones(len(cell), bool), *np.zeros((2, len(cell)), np.int8)
    passed = []
    for limit, kept in enumerate(holds):
        left &= kept
        passed.append(np.bincount(owner[left], minlength=number))
        kept_limits += kept
        broken[~kept] = limit
    # Cells that look as if they will keep the exact distances as well come first.
    line_m = np.sqrt(land.line_squared.ravel()[cell]) * grid.cell_m
    setback_m = min(sites.boundary_setback_m, MOST_SETBACK_M)
    off_line, is_sure = line_m >= setback_m, line_m >= setback_m + 0.5 * grid.cell_m
    by_road = (road_m[cell] >= sites.road_distance_m[0]) & (road_m[cell] <= sites.road_distance_m[1])
    likely = (is_whole & off_line).astype(float) + by_road
    single = np.flatnonzero((kept_limits == len(holds) - 1) & is_whole & off_line)
    broken = broken[single].astype(np.int64)
    by_water = np.maximum(low - water_m[single], water_m[single] - high)
    beyond = np.stack([road_m[cell[single]], by_water, slope[single], flooding[single]])
    excess = beyond[broken, np.arange(len(single))]
    few = _few_least(owner[single] * len(CELL_STEPS) + broken, excess, is_sure[single])
    at, single = np.flatnonzero(left), single[few]
    both = np.concatenate([at, single])
    found = cell_spots(land, tile, study, cell=cell[both], owner=owner[both])
    found = replace(found, rank=found.rank + likely[both])
    spots, missing = found.take(np.arange(len(at))), found.take(np.arange(len(at), len(both)))
    misses = Misses(missing, broken[few], excess[few], is_sure[single]).least()
    thinned = best_per_square(spots, spots.rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    return TileSpots(spots.take(thinned), misses, np.stack(passed))


def _few_least(key: Ints, excess: Floats, is_sure: Bools) -> Ints:
    """Positions of the few of each key with the least excess, sure and unsure apart; all that equal the last of them.

    A first sieve, as coarse as single precision: ``Misses.least`` makes the choice.
    """
    # Positive floats sort like the whole numbers that their bits spell.
    bits = excess.astype(np.float32).view(np.int32).astype(np.int64)
    packed = ((key * 2 + is_sure) << 32) | bits
    order = np.argsort(packed)
    packed = packed[order]
    group = packed >> 32
    first = np.flatnonzero(np.r_[True, group[1:] != group[:-1]][: len(group)])
    length = np.diff(np.append(first, len(group)))
    most = packed[np.minimum(first + MISSES, first + length) - 1]
    return np.asarray(order[packed <= np.repeat(most, length)])


def _terms(land: Land, study: Study, cell: Ints) -> tuple[Floats, Floats, Floats]:
    """Distance to water, slope and class of flooding of some cells of a tile; NaN blank."""
    water_m, slope, flooding = np.full((3, len(cell)), np.nan)
    water = site_water(study)
    if water is not None:
        water_m = np.sqrt(land.squared[water].ravel()[cell]) * study.grid.cell_m
    if land.slope is not None:
        slope = land.slope.ravel()[cell].astype(float)
    if land.flooding is not None:
        found = land.flooding.ravel()[cell].astype(float)
        flooding = np.where(found == BLANK_CLASS, np.nan, found)
    return water_m, slope, flooding


def cell_spots(land: Land, tile: ScoredTile, study: Study, *, cell: Ints, owner: Ints) -> Spots:
    """Cells of a tile with their siting terms, whether or not a trap may stand there.

    Parameters
    ----------
    land : Land
        The tile.
    tile : ScoredTile
        Its scores.
    study : Study
        Settings and classes.
    cell, owner : array of int64
        Cells of the tile, counted row by row, and the property of each.

    Returns
    -------
    Spots
        In the same order.
    """
    water_m, steep, flooding = _terms(land, study, cell)
    score = tile.score.ravel()[cell].astype(float)
    score = np.where(score == BLANK_SCORE, np.nan, score / SCORE_STEPS)
    shade = shade_of(land.cover_around, study.classes)[1:-1, 1:-1].ravel()[cell]
    rank = quality(study.settings.sites, water_m=water_m, slope=steep, shade=shade, score=score)
    row, column = np.divmod(cell, land.window.columns)
    return Spots(
        row + land.window.row, column + land.window.column, owner, water_m, steep, flooding, shade,
        land.cover.ravel()[cell].astype(np.int64), score, rank,
    )  # fmt: skip


def _no_spots() -> Spots:
    whole, real = np.empty(0, np.int64), np.empty(0)
    return Spots(whole, whole, whole, real, real, real, whole, whole, real, real)


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
    joined = joined_spots([part.spots for part in tiles])
    kept = best_per_square(joined, joined.rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    misses = Misses(
        joined_spots([part.misses.spots for part in tiles]),
        np.concatenate([part.misses.limit for part in tiles]),
        np.concatenate([part.misses.excess for part in tiles]),
        np.concatenate([part.misses.is_sure for part in tiles]),
    )
    return TileSpots(joined.take(kept), misses.least(), np.sum([part.passed for part in tiles], axis=0))


def joined_spots(parts: Sequence[Spots]) -> Spots:
    """Several lots of spots as one.

    Parameters
    ----------
    parts : sequence of Spots
        In order; at least one.

    Returns
    -------
    Spots
        One after another.
    """
    return Spots(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Spots)))
