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
from allocator.grid.distance import SquaredCells, near_cells
from allocator.grid.edges import WHOLE
from allocator.grid.land import MOST_SETBACK_M, Land
from allocator.grid.targets import site_water
from allocator.habitat.tile import ScoredTile
from allocator.sites.quality import quality, shade_of
from allocator.sites.squares import best_per_square

BEST_PER_SQUARE = 36
"""So many of the best cells of a square go on, in case the first ones fail the exact measurements."""

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
class TileSpots:
    """Spots of one tile, and how many cells of each property passed each step.

    Parameters
    ----------
    spots : Spots
        At most a few per square.
    passed : sparse array of int64, shape (steps, properties)
        Cells left after each of ``CELL_STEPS``; a tile knows few of the properties.
    """

    spots: Spots
    passed: csr_array


@dataclass(frozen=True)
class Looked:
    """Cells of a tile near a truck road, dry, more than half of them on one enrolled property.

    Parameters
    ----------
    cell, owner : array of int64
        Cell, counted row by row, and property.
    holds : array of bool, shape (len(CELL_STEPS), cells)
        Whether each limit is kept, as far as cells tell.
    road_m, water_m, slope, flooding : array of float64
        What the limits are about; NaN blank.
    off_line_cells : array of float64
        How far beyond the setback from the property line, in cells and as far as cells tell; negative also for a cell
        that lies on the property in part.
    """

    cell: Ints
    owner: Ints
    holds: Bools
    road_m: Floats
    water_m: Floats
    slope: Floats
    flooding: Floats
    off_line_cells: Floats


def look(land: Land, study: Study, road_squared: SquaredCells, furthest_m: float) -> Looked:
    """Cells of a tile that are looked at for a site.

    Parameters
    ----------
    land : Land
        The tile.
    study : Study
        Settings, properties and classes.
    road_squared : array of int32, shape (rows, columns)
        Squared distance to a truck road in cells.
    furthest_m : float
        How far from a road cells are looked at.

    Returns
    -------
    Looked
        Limits with no source behind them (no water, no elevation, no soils) do not apply.
    """
    sites, grid, shares = study.settings.sites, study.grid, land.shares
    metres = np.sqrt(np.arange(int(road_squared.max()) + 1)) * grid.cell_m
    dry = np.array([one.water not in OPEN_WATER for one in study.classes] + [False] * (256 - len(study.classes)))
    is_seen = (metres <= furthest_m)[road_squared.ravel()] & dry[land.cover.ravel()]
    mine = np.flatnonzero(is_seen[shares.cell])
    mine = mine[(2 * shares.share[mine] > WHOLE) & study.properties.enrolled[shares.owner[mine]]]
    owner, cell, is_whole = shares.owner[mine], shares.cell[mine], shares.share[mine] == WHOLE
    road_m = metres[road_squared.ravel()[cell]]
    water_m, slope, flooding = _terms(land, study, cell)
    low, high = sites.water_distance_m
    # One cell further than allowed: a road may pass anywhere in a touched cell.
    holds = np.stack([
        road_m <= sites.road_distance_m[1] + grid.cell_m,
        ~((water_m < low) | (water_m > high)),
        ~(slope > sites.slope_limit_percent / 100),
        ~(flooding > FLOODING.index(sites.flooding_limit)),
    ])  # fmt: skip
    line_m = np.sqrt(land.line_squared.ravel()[cell]) * grid.cell_m
    off_line = (line_m - min(sites.boundary_setback_m, MOST_SETBACK_M)) / grid.cell_m
    return Looked(cell, owner, holds, road_m, water_m, slope, flooding, np.where(is_whole, off_line, -1.0))


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
        return TileSpots(no_spots(), csr_array((len(CELL_STEPS), number), dtype=np.int64))
    low, high = sites.road_distance_m
    seen = look(land, study, land.road_squared, high + grid.cell_m)
    left = np.logical_and.accumulate(seen.holds, axis=0)
    passed = csr_array(np.stack([np.bincount(seen.owner[one], minlength=number) for one in left]))
    at = np.flatnonzero(left[-1])
    spots = cell_spots(land, tile, study, cell=seen.cell[at], owner=seen.owner[at])
    # Cells that look as if they will keep the exact distances as well come first.
    by_road = (seen.road_m[at] >= low) & (seen.road_m[at] <= high)
    spots = replace(spots, rank=spots.rank + (seen.off_line_cells[at] >= 0) + by_road)
    thinned = best_per_square(spots, spots.rank, grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
    return TileSpots(spots.take(thinned), passed)


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


def no_spots() -> Spots:
    """An empty lot.

    Returns
    -------
    Spots
        None.
    """
    whole, real = np.empty(0, np.int64), np.empty(0)
    return Spots(whole, whole, whole, real, real, real, whole, whole, real, real)


def join_spots(
    tiles: Sequence[TileSpots], grid: Grid, sites: SiteSettings, habitat: Bools | None = None
) -> TileSpots:  # fmt: skip
    """Spots of all tiles, thinned out again so that the tiling leaves no trace.

    Parameters
    ----------
    tiles : sequence of TileSpots
        One per tile; at least one.
    grid : Grid
        The grid.
    sites : SiteSettings
        Side of the squares, and how far from habitat a site may be.
    habitat : array of bool, shape (rows, columns), optional
        Cells of habitat: spots that are surely too far from any are left out. Absent: none are.

    Returns
    -------
    TileSpots
        For the whole study.
    """
    spots = [part.spots for part in tiles]
    row, column = _joined(spots, "row"), _joined(spots, "column")
    places = _Places(row, column, _joined(spots, "owner"))
    side_m = sites.candidate_spacing_m
    kept = best_per_square(places, _joined(spots, "rank"), grid, side_m=side_m, most=BEST_PER_SQUARE)
    if habitat is not None:
        near = near_cells(habitat, row[kept], column[kept], sites.habitat_distance_m / grid.cell_m)
        kept = kept[near]
    return TileSpots(joined_spots(spots, kept), sum((part.passed for part in tiles[1:]), tiles[0].passed))


@dataclass(frozen=True)
class _Places:
    """Cells of the grid and their owners."""

    row: Ints
    column: Ints
    owner: Ints


def _joined(parts: Sequence[Spots], name: str) -> NDArray[Any]:
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
