"""What is known of the land in one tile: cover, distances, height above water, soil, slope, whose it is."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Ints
from allocator.core.grid import Window
from allocator.core.overlaps import cut_apart
from allocator.core.study import Study
from allocator.grid.cover import CoverSource, Pieces, cover_source, positions_on_cells
from allocator.grid.distance import SquaredCells, squared_distance
from allocator.grid.edges import WHOLE, Edges, line_edges, polygon_edges
from allocator.grid.shares import Shares, cells_touched, shares_and_rims, shares_of
from allocator.grid.targets import Target, all_targets, season_targets
from allocator.grid.terrain import Metres, height_above_water, slope

TILE_CELLS = 1024
"""Side of a tile in cells: fastest of 256 to 5,000 when measured on a county of 20 million cells. Half as much again is
faster where a tile reads more than half of it around on each side, as with cells of 1 m; beyond, memory grows."""
MOST_EDGES = 100_000
"""Pieces of property lines in a tile from which tiles of half the side save memory: with twice as many a fifth of a
gigabyte a thread."""
MOST_SETBACK_M = 100.0
"""Cells are told apart by their distance to property lines up to this; beyond it only exact distances decide."""


@dataclass(frozen=True)
class Land:
    """The land in one tile.

    Parameters
    ----------
    window : Window
        Which cells.
    cover : array of uint8, shape (rows, columns)
        Class positions; 255 blank.
    cover_around : array of uint8, shape (rows + 2, columns + 2)
        The same with one cell of land around the tile, for what depends on neighbouring cells.
    pieces : Pieces or None
        Cells that hold edges of land-cover polygons, class by class; None for a raster.
    squared : mapping of Target to array of int32, shape (rows, columns)
        Squared distance in cells to each target of the study, up to its reach.
    height_m : mapping of Target to array of float32, shape (rows, columns)
        Height above the nearest water of each water target; NaN blank, infinite where none is within reach; empty
        without elevation.
    flooding, drainage : array of uint8, shape (rows, columns), or None
        Position of the soil's class among the settings' classes; 255 blank; None where not given.
    canopy : array of float32, shape (rows, columns), or None
        Percent; NaN blank; None where not given.
    slope : array of float32, shape (rows, columns), or None
        Fraction; NaN blank; None without elevation.
    road_squared : array of int32, shape (rows, columns), or None
        Squared distance to a truck road in cells, as far as a site may be from one; None without roads.
    line_squared : array of int32, shape (rows, columns)
        Squared distance in cells to the nearest cell that a property line touches, a little beyond the setback.
    shares : Shares
        Parts of cells inside each property.
    covered, enrolled : array of int64, shape (rows * columns,)
        Part of each cell inside any property, and inside any enrolled one, in parts of ``WHOLE``: no ground twice.
    """

    window: Window
    cover: NDArray[np.uint8]
    cover_around: NDArray[np.uint8]
    pieces: Pieces | None
    squared: Mapping[Target, SquaredCells]
    height_m: Mapping[Target, NDArray[np.float32]]
    flooding: NDArray[np.uint8] | None
    drainage: NDArray[np.uint8] | None
    canopy: NDArray[np.float32] | None
    slope: NDArray[np.float32] | None
    road_squared: SquaredCells | None
    line_squared: SquaredCells
    shares: Shares
    covered: Ints
    enrolled: Ints


@dataclass(frozen=True)
class LandReader:
    """Reads the land of any tile of a study.

    Parameters
    ----------
    study : Study
        The study.
    source : CoverSource
        Its land cover, water and other marked ground.
    reach_cells : mapping of Target to int
        How far each target is looked for, in cells.
    property_edges : Edges
        Its property lines.
    road_edges : Edges or None
        Roads that a truck may use.
    soil_edges : Edges or None
        Soil map units.
    once : Edges or None
        Property lines with ground in two properties left to one of them, an enrolled one if any; None where none
        overlap.
    """

    study: Study
    source: CoverSource
    reach_cells: Mapping[Target, int]
    property_edges: Edges
    road_edges: Edges | None
    soil_edges: Edges | None
    once: Edges | None

    @property
    def halo(self) -> int:
        """How far around a tile its land cover and elevation are read, in cells."""
        return max([1, *self.reach_cells.values()])

    @property
    def tile_cells(self) -> int:
        """Side of tiles that are quickly read with what lies around them, and stay small in memory, in cells."""
        if self.halo > TILE_CELLS // 2:
            return TILE_CELLS * 3 // 2
        edges_a_tile = len(self.property_edges.x0) / (self.study.grid.rows * self.study.grid.columns) * TILE_CELLS**2
        return TILE_CELLS if edges_a_tile <= MOST_EDGES else TILE_CELLS // 2

    @property
    def line_reach_cells(self) -> int:
        """How far a property line is looked for, in cells."""
        setback_m = min(self.study.settings.sites.boundary_setback_m, MOST_SETBACK_M)
        return math.ceil(setback_m / self.study.grid.cell_m) + 1

    def land(self, window: Window) -> Land:
        """The land of one tile, the same whatever the tiling.

        Parameters
        ----------
        window : Window
            The tile; land around it is read as far as water is looked for.

        Returns
        -------
        Land
            Arrays of the tile's shape.
        """
        study, halo = self.study, self.halo
        inside = _inside(window, halo)
        cover = self.source.cover(window.widened(halo))
        squared: dict[Target, SquaredCells] = {}
        water: dict[Target, Bools] = {}
        for target, reach in self.reach_cells.items():
            near = window.widened(reach)
            marked = self.source.marked(target, near, cover[_inside(near, halo - reach)])
            squared[target] = squared_distance(marked, reach, _inside(window, reach))
            if target in self.heights:
                water[target] = marked
        height, ground_slope = self._relief(window, squared, water)
        lines, reach = study.settings.study.property_lines, self.line_reach_cells
        shares, touched = shares_and_rims(self.property_edges, window, lines, reach)
        return Land(
            window,
            np.ascontiguousarray(cover[inside]),
            np.ascontiguousarray(cover[halo - 1 : halo + window.rows + 1, halo - 1 : halo + window.columns + 1]),
            self.source.pieces(window),
            squared,
            height,
            self._soil("flooding", window),
            self._soil("drainage", window),
            None if study.canopy is None else np.asarray(study.canopy.read(window), np.float32),
            ground_slope,
            self.road_squared(window, study.settings.sites.road_distance_m[1] + study.grid.cell_m),
            squared_distance(touched, reach, _inside(window, reach)),
            shares,
            *self._covered(shares, window),
        )

    def _relief(
        self, window: Window, squared: Mapping[Target, SquaredCells], water: Mapping[Target, Bools]
    ) -> tuple[dict[Target, Metres], Metres | None]:
        """Height above each kind of water, and slope; elevation is read no further off than the water it is for."""
        if self.study.elevation is None:
            return {}, None
        far = {target: _furthest(squared[target], self.reach_cells[target]) for target in water}
        halo = max([1, *far.values()])
        elevation = np.asarray(self.study.elevation.read(window.widened(halo)), np.float32)
        height = {}
        for target, marked in water.items():
            reach, near = self.reach_cells[target], window.widened(far[target])
            height[target] = height_above_water(
                elevation[_inside(near, halo - far[target])], marked[_inside(near, reach - far[target])],
                squared[target], reach, _inside(window, far[target]),
            )  # fmt: skip
        edge = elevation[_inside(window.widened(1), halo - 1)]
        return height, slope(edge, self.study.grid.cell_m)[_inside(window, 1)]

    @cached_property
    def heights(self) -> frozenset[Target]:
        """Water that heights are measured from: that of the seasons, not that of the sites; none without elevation."""
        if self.study.elevation is None:
            return frozenset()
        seasons = (season_targets(self.study, season) for season in self.study.seasons)
        return frozenset(found["water"] for found in seasons if "water" in found)

    def road_squared(self, window: Window, furthest_m: float) -> SquaredCells | None:
        """Squared distance in cells to the nearest cell that a truck road touches.

        Parameters
        ----------
        window : Window
            Part of the grid.
        furthest_m : float
            How far roads are looked for.

        Returns
        -------
        array of int32, shape (rows, columns), or None
            None without roads.
        """
        if self.road_edges is None:
            return None
        reach = math.ceil(furthest_m / self.study.grid.cell_m)
        touched = cells_touched(self.road_edges, window.widened(reach))
        return squared_distance(touched, reach, _inside(window, reach))

    def _soil(self, name: str, window: Window) -> NDArray[np.uint8] | None:
        positions = None if self.study.soils is None else getattr(self.study.soils, name)
        if positions is None or self.soil_edges is None:
            return None
        return positions_on_cells(self.soil_edges, positions, window)

    def covered(self, window: Window) -> Ints:
        """Part of each cell of a window inside any property, no ground twice.

        Parameters
        ----------
        window : Window
            Part of the grid.

        Returns
        -------
        array of int64, shape (rows * columns,)
            In parts of ``WHOLE``, as in ``Land.covered``.
        """
        shares = shares_of(self.property_edges, window, self.study.settings.study.property_lines)
        return self._covered(shares, window)[0]

    def _covered(self, shares: Shares, window: Window) -> tuple[Ints, Ints]:
        """Part of each cell inside any property, and inside any enrolled one."""
        if self.once is not None:
            shares = shares_of(self.once, window, self.study.settings.study.property_lines)
        cells, enrolled = window.rows * window.columns, self.study.properties.enrolled
        # Float64 holds the sums of a cell exactly: under 2**53. Rounding may push a shared line over a whole cell.
        covered = np.minimum(np.bincount(shares.cell, shares.share, cells).astype(np.int64), WHOLE)
        if enrolled.all():
            return covered, covered
        mine = enrolled[shares.owner]
        its = np.bincount(shares.cell[mine], shares.share[mine], cells).astype(np.int64)
        return covered, np.minimum(its, WHOLE)


def _inside(window: Window, halo: int) -> tuple[slice, slice]:
    """The window's own cells within it widened by a halo."""
    return slice(halo, halo + window.rows), slice(halo, halo + window.columns)


def _furthest(squared: SquaredCells, reach: int) -> int:
    """How far off, in whole cells rounded up, the furthest thing within reach of any cell is."""
    most = int(np.max(squared, initial=0, where=squared <= reach * reach))
    return math.isqrt(most - 1) + 1 if most else 0


def land_reader(study: Study) -> LandReader:
    """A reader of the land of a study, with all edges worked out once.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    LandReader
        Reads any tile; safe to use from several threads.
    """
    roads = None
    if study.roads is not None:
        roads = line_edges(study.roads.shapes[study.truck_roads], study.grid)
    properties, once = study.properties, None
    if len(properties.overlaps.left):
        cut = cut_apart(properties.shapes, properties.overlaps, properties.enrolled)
        once = polygon_edges(cut, study.grid)
    return LandReader(
        study=study,
        source=cover_source(study),
        reach_cells={target: math.ceil(far / study.grid.cell_m) for target, far in all_targets(study).items()},
        property_edges=polygon_edges(study.properties.shapes, study.grid),
        road_edges=roads,
        soil_edges=None if study.soils is None else polygon_edges(study.soils.shapes, study.grid),
        once=once,
    )
