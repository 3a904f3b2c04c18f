"""What is known of the land in one tile: cover, distance to water, height above it, slope, whose it is."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Ints
from allocator.core.grid import Window
from allocator.core.overlaps import cut_apart
from allocator.core.study import Study
from allocator.grid.cover import CoverSource, cover_source
from allocator.grid.distance import SquaredCells, squared_distance
from allocator.grid.edges import WHOLE, Edges, line_edges, polygon_edges
from allocator.grid.shares import Shares, cells_touched, shares_of
from allocator.grid.terrain import height_above_water, slope


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
    water_squared : array of int32, shape (rows, columns), or None
        Squared distance to water in cells, up to the reach; None where the study knows no water.
    height_m : array of float32, shape (rows, columns), or None
        Height above the nearest water; NaN blank, infinite where no water is within reach; None without elevation.
    slope : array of float32, shape (rows, columns), or None
        Fraction; NaN blank; None without elevation.
    road_squared : array of int32, shape (rows, columns), or None
        Squared distance to a truck road in cells, up to the reach of a site; None without roads.
    shares : Shares
        Parts of cells inside each property.
    covered, enrolled : array of int64, shape (rows * columns,)
        Part of each cell inside any property, and inside any enrolled one, in parts of ``WHOLE``: no ground twice.
    """

    window: Window
    cover: NDArray[np.uint8]
    cover_around: NDArray[np.uint8]
    water_squared: SquaredCells | None
    height_m: NDArray[np.float32] | None
    slope: NDArray[np.float32] | None
    road_squared: SquaredCells | None
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
        Its land cover and water.
    property_edges : Edges
        Its property lines.
    road_edges : Edges or None
        Roads that a truck may use.
    once : Edges or None
        Property lines with ground in two properties left to one of them, an enrolled one if any; None where none
        overlap.
    """

    study: Study
    source: CoverSource
    property_edges: Edges
    road_edges: Edges | None
    once: Edges | None

    @property
    def reach_cells(self) -> int:
        """How far water is looked for, in cells: the end of the water curve, or the most a site may be from water."""
        return math.ceil(self.study.settings.water_reach_m / self.study.grid.cell_m)

    @property
    def road_reach_cells(self) -> int:
        """How far a road is looked for, in cells; one more than a site may be, as cells stand for their centres."""
        return math.ceil(self.study.settings.sites.road_distance_m[1] / self.study.grid.cell_m) + 1

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
        study, reach = self.study, self.reach_cells
        halo = max(reach, 1) if study.has_water else 1
        wide = window.widened(halo)
        inside = np.s_[halo : halo + window.rows, halo : halo + window.columns]
        around = np.s_[halo - 1 : halo + window.rows + 1, halo - 1 : halo + window.columns + 1]
        cover = self.source.cover(wide)
        squared = height = steepness = None
        elevation = None if study.elevation is None else np.asarray(study.elevation.read(wide), np.float32)
        if elevation is not None:
            steepness = slope(elevation, study.grid.cell_m)[inside]
        if study.has_water:
            water = self.source.is_water(wide, cover)
            all_squared = squared_distance(water, reach)
            squared = np.ascontiguousarray(all_squared[inside])
            if elevation is not None:
                # Only as far as the curve reaches: a rule on sites must not move habitat.
                curve_reach = math.ceil(study.settings.habitat.reach_m / study.grid.cell_m)
                height = np.ascontiguousarray(height_above_water(elevation, water, all_squared, curve_reach)[inside])
        shares = shares_of(self.property_edges, window, study.settings.study.property_lines)
        return Land(
            window,
            np.ascontiguousarray(cover[inside]),
            np.ascontiguousarray(cover[around]),
            squared,
            height,
            steepness,
            self._road_squared(window),
            shares,
            *self._covered(shares, window),
        )

    def _covered(self, shares: Shares, window: Window) -> tuple[Ints, Ints]:
        """Part of each cell inside any property, and inside any enrolled one."""
        if self.once is not None:
            shares = shares_of(self.once, window, self.study.settings.study.property_lines)
        enrolled = self.study.properties.enrolled[shares.owner]
        cells = window.rows * window.columns
        # Float64 holds the sums of a cell exactly: under 2**53. Rounding may push a shared line over a whole cell.
        covered = [
            np.minimum(np.bincount(shares.cell, shares.share * counts, cells).astype(np.int64), WHOLE)
            for counts in (1, enrolled)
        ]
        return covered[0], covered[1]

    def _road_squared(self, window: Window) -> SquaredCells | None:
        if self.road_edges is None:
            return None
        halo = self.road_reach_cells
        touched = cells_touched(self.road_edges, window.widened(halo))
        inside = np.s_[halo : halo + window.rows, halo : halo + window.columns]
        return np.ascontiguousarray(squared_distance(touched, halo)[inside])


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
        usable = np.array([truck != "no" for truck in study.roads.truck], bool)
        roads = line_edges(study.roads.shapes[usable], study.grid)
    properties, once = study.properties, None
    if len(properties.overlaps.left):
        cut = cut_apart(properties.shapes, properties.overlaps, properties.enrolled)
        once = polygon_edges(cut, study.grid)
    return LandReader(
        study=study,
        source=cover_source(study),
        property_edges=polygon_edges(study.properties.shapes, study.grid),
        road_edges=roads,
        once=once,
    )
