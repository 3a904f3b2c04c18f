"""What is known of the land in one tile: cover, distances, height above water, soil, slope, whose it is."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Ints
from allocator.core.grid import Window
from allocator.core.overlaps import cut_apart
from allocator.core.study import Study
from allocator.grid.cover import CoverSource, Pieces, cover_source, positions_on_cells
from allocator.grid.distance import SquaredCells, squared_distance
from allocator.grid.edges import WHOLE, Edges, line_edges, polygon_edges
from allocator.grid.shares import Shares, cells_touched, shares_and_rims, shares_of
from allocator.grid.targets import Target, all_targets, season_targets
from allocator.grid.terrain import height_above_water, slope

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
        study = self.study
        halo = max([1, *self.reach_cells.values()])
        wide = window.widened(halo)
        inside = _inside(window, halo)
        cover = self.source.cover(wide)
        elevation = None if study.elevation is None else np.asarray(study.elevation.read(wide), np.float32)
        squared: dict[Target, SquaredCells] = {}
        height: dict[Target, NDArray[np.float32]] = {}
        for target, reach in self.reach_cells.items():
            part = np.s_[halo - reach : cover.shape[0] - halo + reach, halo - reach : cover.shape[1] - halo + reach]
            marked = self.source.marked(target, window.widened(reach), cover[part])
            distance = squared_distance(marked, reach)
            squared[target] = np.ascontiguousarray(distance[_inside(window, reach)])
            if elevation is not None and target in self.heights:
                above = height_above_water(elevation[part], marked, distance, reach)
                height[target] = np.ascontiguousarray(above[_inside(window, reach)])
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
            None if elevation is None else slope(elevation, study.grid.cell_m)[inside],
            self.road_squared(window, study.settings.sites.road_distance_m[1] + study.grid.cell_m),
            np.ascontiguousarray(squared_distance(touched, reach)[_inside(window, reach)]),
            shares,
            *self._covered(shares, window),
        )

    @cached_property
    def heights(self) -> frozenset[Target]:
        """Water that heights are measured from: that of the seasons, not that of the sites."""
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
        return np.ascontiguousarray(squared_distance(touched, reach)[_inside(window, reach)])

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
