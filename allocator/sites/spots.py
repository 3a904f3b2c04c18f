"""Spots: cells of one tile near a truck road on enrolled land, before distances are measured exactly."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.settings import Flooding, SiteSettings
from allocator.core.study import BLANK_CLASS, OPEN_WATER, Study
from allocator.grid.edges import WHOLE
from allocator.grid.land import MOST_SETBACK_M, ROAD_LOOK, Land
from allocator.grid.targets import site_water
from allocator.habitat.tile import ScoredTile
from allocator.sites.quality import quality, shade_of
from allocator.sites.squares import Cells, best_per_square, place_in_run

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
        order = _least(self.spots, self.spots.rank, self.limit, excess=self.excess, is_sure=self.is_sure)
        return Misses(self.spots.take(order), self.limit[order], self.excess[order], self.is_sure[order])


def _least(cells: Cells, rank: Floats, limit: Ints, *, excess: Floats, is_sure: Bools) -> Ints:
    """Positions of the misses kept, sorted by property, limit and excess."""
    cell = cells.row * (int(cells.column.max(initial=0)) + 1) + cells.column
    key = cells.owner * len(CELL_STEPS) + limit
    order = np.lexsort((cell, -rank, excess, key))
    # Those that look sure to keep the setback, and those that may, each so many.
    places = np.empty(len(order), np.int64)
    for sure in (True, False):
        its = order[is_sure[order] == sure]
        places[its] = place_in_run(key[None, its])
    return np.asarray(order[places[order] < MISSES])


@dataclass(frozen=True)
class TileSpots:
    """Spots of one tile, those that miss one limit, and how many cells of each property passed each step.

    Parameters
    ----------
    spots : Spots
        At most a few per square.
    misses : Misses
        Cells that break one limit.
    passed : sparse array of int64, shape (steps, properties)
        Cells left after each of ``CELL_STEPS``; a tile knows few of the properties.
    """

    spots: Spots
    misses: Misses
    passed: csr_array


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
        return TileSpots(none.spots, none, csr_array((len(CELL_STEPS), number), dtype=np.int64))
    squared = land.road_squared.ravel()
    is_near = np.sqrt(np.arange(int(squared.max()) + 1)) * grid.cell_m <= ROAD_LOOK * sites.road_distance_m[1]
    dry = np.array([one.water not in OPEN_WATER for one in study.classes] + [False] * (256 - len(study.classes)))
    look = is_near[squared] & dry[land.cover.ravel()]
    shares = land.shares
    mine = np.flatnonzero(look[shares.cell])
    mine = mine[(2 * shares.share[mine] > WHOLE) & study.properties.enrolled[shares.owner[mine]]]
    owner, cell, is_whole = shares.owner[mine], shares.cell[mine], shares.share[mine] == WHOLE
    road_m = np.sqrt(squared[cell]) * grid.cell_m
    water_m, slope, flooding = _terms(land, study, cell)
    low, high = sites.water_distance_m
    # One cell further than allowed: a road may pass anywhere in a touched cell.
    holds = (
        road_m <= sites.road_distance_m[1] + grid.cell_m,
        ~((water_m < low) | (water_m > high)),
        ~(slope > sites.slope_limit_percent / 100),
        ~(flooding > FLOODING.index(sites.flooding_limit)),
    )
    left, kept_limits, broken = np.ones(len(cell), bool), *np.zeros((2, len(cell)), np.int8)
    passed: list[tuple[Ints, Ints]] = []
    for limit, kept in enumerate(holds):
        left &= kept
        passed.append(np.unique(owner[left], return_counts=True))
        kept_limits += kept
        broken[~kept] = limit
    # Cells that look as if they will keep the exact distances as well come first.
    line_m = np.sqrt(land.line_squared.ravel()[cell]) * grid.cell_m
    setback_m = min(sites.boundary_setback_m, MOST_SETBACK_M)
    off_line, is_sure = line_m >= setback_m, line_m >= setback_m + 0.5 * grid.cell_m
    by_road = (road_m >= sites.road_distance_m[0]) & (road_m <= sites.road_distance_m[1])
    likely = (is_whole & off_line).astype(float) + by_road
    single = np.flatnonzero((kept_limits == len(holds) - 1) & is_whole & off_line)
    broken = broken[single].astype(np.int64)
    by_water = np.maximum(low - water_m[single], water_m[single] - high)
    beyond = np.stack([road_m[single], by_water, slope[single], flooding[single]])
    excess = beyond[broken, np.arange(len(single))]
    few = _few_least(owner[single] * len(CELL_STEPS) + broken, excess, is_sure[single])
    at, single = np.flatnonzero(left), single[few]
    both = np.concatenate([at, single])
    found = cell_spots(land, tile, study, cell=cell[both], owner=owner[both])
    found = replace(found, rank=found.rank + likely[both])
    spots, missing = found.take(np.arange(len(at))), found.take(np.arange(len(at), len(both)))
    misses = Misses(missing, broken[few], excess[few], is_sure[single]).least()
    thinned = best_per_square(spots, spots.rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    ends = np.cumsum([0, *(len(owners) for owners, _ in passed)])
    columns, counts = (np.concatenate(one) for one in zip(*passed, strict=True))
    return TileSpots(
        spots.take(thinned), misses, csr_array((counts, columns, ends), shape=(len(CELL_STEPS), number), dtype=np.int64)
    )


def _few_least(key: Ints, excess: Floats, is_sure: Bools) -> Ints:
    """Positions of the few of each key with the least excess, sure and unsure apart; all that equal the last of them.

    A first sieve, as coarse as single precision: ``Misses.least`` makes the choice.
    """
    # Positive floats sort like the whole numbers that their bits spell.
    bits = excess.astype(np.float32).view(np.int32).astype(np.int64)
    packed = ((key * 2 + is_sure) << 32) | bits
    order = np.argsort(packed, kind="stable")
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
    spots, misses = [part.spots for part in tiles], [part.misses for part in tiles]
    side_m = sites.candidate_spacing_m
    kept = best_per_square(_places(spots), _joined(spots, "rank"), grid, side_m=side_m, most=BEST_PER_SQUARE)
    missing = [part.spots for part in misses]
    limit, excess, is_sure = (_joined(misses, name) for name in ("limit", "excess", "is_sure"))
    least = _least(_places(missing), _joined(missing, "rank"), limit, excess=excess, is_sure=is_sure)
    return TileSpots(
        joined_spots(spots, kept),
        Misses(joined_spots(missing, least), limit[least], excess[least], is_sure[least]),
        sum((part.passed for part in tiles[1:]), tiles[0].passed),
    )


@dataclass(frozen=True)
class _Places:
    """Cells of the grid and their owners."""

    row: Ints
    column: Ints
    owner: Ints


def _places(parts: Sequence[Spots]) -> _Places:
    return _Places(_joined(parts, "row"), _joined(parts, "column"), _joined(parts, "owner"))


def _joined(parts: Sequence[Spots] | Sequence[Misses], name: str) -> NDArray[Any]:
    return np.concatenate([getattr(part, name) for part in parts])


def joined_spots(parts: Sequence[Spots], positions: Ints | None = None) -> Spots:
    """Several lots of spots as one; column by column, so that no more than one stands in memory twice.

    Parameters
    ----------
    parts : sequence of Spots
        In order; at least one.
    positions : array of int, optional
        Which of all of them to take, in order; absent: all.

    Returns
    -------
    Spots
        One after another.
    """
    taken = slice(None) if positions is None else positions
    return Spots(*(_joined(parts, one.name)[taken] for one in fields(Spots)))
