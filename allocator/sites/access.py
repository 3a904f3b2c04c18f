"""The way on foot from a truck road to a spot: the easiest over cover and slope, round water and land not enrolled."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from shapely.ops import substring

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Window
from allocator.core.study import BLANK_CLASS, OPEN_WATER, Shapes
from allocator.grid.distance import squared_distance
from allocator.grid.edges import WHOLE
from allocator.grid.land import LandReader
from allocator.grid.shares import cells_touched, shares_of
from allocator.grid.targets import site_water
from allocator.grid.terrain import slope
from allocator.sites.quality import SHADES, shade_of
from allocator.sites.roads import TruckRoads
from allocator.sites.spots import Spots
from allocator.sites.squares import place_in_run

BLOCK_CELLS = 256
"""Ways are looked for in blocks of this many cells a side; the blocks are counted from the corner of the grid."""
DETOUR = 1.5
"""A way keeps within this many times the furthest distance that a site may be from a road."""
STEPS = (((0, 1), 1.0), ((1, 0), 1.0), ((1, 1), math.sqrt(2)), ((1, -1), math.sqrt(2)))
SLIVER = WHOLE >> 10
"""Shares of a cell smaller than this are rounding."""
TOUCH_M = 0.5
"""A way may run along a foreign property line, or nick it, by this much: less than coordinates are good for."""


@dataclass(frozen=True)
class Ways:
    """Ways from the road to spots.

    Parameters
    ----------
    length_m : array of float64
        Length of each; infinite where there is none.
    path : array of shapely lines
        From the road to the spot; None where there is none.
    """

    length_m: Floats
    path: Shapes


class WayFinder:
    """Finds ways from truck roads to spots.

    Parameters
    ----------
    reader : LandReader
        Land of the study.
    roads : TruckRoads
        Roads to start from.
    """

    def __init__(self, reader: LandReader, roads: TruckRoads) -> None:
        self._reader, self._study, self._roads = reader, reader.study, roads
        study = reader.study
        self._water = np.empty(0, object)
        if study.water is not None:
            self._water = study.water.shapes[np.isin(study.water.kinds, OPEN_WATER)]
        self._water_tree = shapely.STRtree(self._water)
        self._foreign = study.properties.shapes[~study.properties.enrolled]
        self._foreign_tree = shapely.STRtree(self._foreign)

    def ways(self, spots: Spots, points: Shapes, *, furthest_m: float) -> Ways:
        """The easiest way to each spot.

        Parameters
        ----------
        spots : Spots
            Cells to reach.
        points : array of shapely points
            Where exactly each spot is.
        furthest_m : float
            Ways keep within ``DETOUR`` times this of a road.

        Returns
        -------
        Ways
            Least sum over cells of length times cost times (1 + slope over the slope limit), by steps to the eight
            neighbours; then measured from the road itself to the spot itself. A way that, so measured, crosses open
            water or land not enrolled gives place to one that keeps off every cell that such land touches, then to the
            straight line; if that crosses it too, there is none.
        """
        path = np.full(len(points), None, object)
        self._find(path, np.arange(len(points)), spots, points, furthest_m, is_strict=False)
        wrong = np.flatnonzero(~shapely.is_missing(path))
        wrong = wrong[~self._is_clear(path[wrong])]
        path[wrong] = None
        self._find(path, wrong, spots, points, furthest_m, is_strict=True)
        unclear = wrong[shapely.is_missing(path[wrong]) | ~self._is_clear(path[wrong])]
        straight = self._straight(points[unclear])
        holds = self._is_clear(straight) & self._is_dry(straight, spots.take(unclear), furthest_m)
        path[unclear] = np.where(holds, straight, np.full(len(unclear), None, object))
        length = shapely.length(path)
        return Ways(np.where(shapely.is_missing(path), np.inf, length), path)

    def _find(
        self, path: Shapes, at: Ints, spots: Spots, points: Shapes, furthest_m: float, *, is_strict: bool
    ) -> None:
        """Ways to some of the spots, from the road itself, put into ``path``."""
        for window, its in self._blocks(spots.take(at), furthest_m):
            mine = at[its]
            path[mine] = self._block_paths(window, spots.take(mine), points[mine], furthest_m, is_strict)
        found = at[~shapely.is_missing(path[at])]
        path[found] = self._from_road(path[found])

    def _blocks(self, spots: Spots, furthest_m: float) -> Iterator[tuple[Window, Ints]]:
        """Spots block by block, with the window that their ways may run in."""
        cell_m, sites = self._study.grid.cell_m, self._study.settings.sites
        halo = math.ceil(max(DETOUR * furthest_m, sites.access_limit_m) / cell_m) + 2
        block = np.stack([spots.row // BLOCK_CELLS, spots.column // BLOCK_CELLS])
        order = np.lexsort(block[::-1])
        starts = np.flatnonzero(place_in_run(block[:, order]) == 0)
        for at in np.split(order, starts[1:]) if len(order) else ():
            row, column = spots.row[at], spots.column[at]
            rows, columns = int(np.ptp(row)) + 1, int(np.ptp(column)) + 1
            yield Window(int(row.min()), int(column.min()), rows, columns).widened(halo), at

    def _block_paths(self, window: Window, spots: Spots, points: Shapes, furthest_m: float, is_strict: bool) -> Shapes:
        """Ways within one window, from the middle of the road's cell to the spot."""
        path = np.full(len(points), None, object)
        road, squared = self._roads_near(window, furthest_m)
        if not road.any():
            return path
        far = DETOUR * furthest_m / self._study.grid.cell_m
        cost, is_open = self._ground(window, squared, is_strict)
        walkable = road | (is_open & (squared <= far * far))
        node = np.full(window.shape, -1, np.int64)
        node[walkable] = np.arange(np.count_nonzero(walkable))
        before = _cheapest(node, walkable, road, cost * self._study.grid.cell_m)
        cells = np.flatnonzero(walkable.ravel())
        steps = _trace(before, node[spots.row - window.row, spots.column - window.column])
        rows, columns = np.divmod(cells[np.maximum(steps, 0)], window.columns)
        x_m, y_m = self._study.grid.centres(rows + window.row, columns + window.column)
        x_m[:, 0], y_m[:, 0] = shapely.get_x(points), shapely.get_y(points)
        # The last of a trace is the road's own cell, moved onto the road later; a spot in such a cell has no other.
        ends = np.argmax(steps < 0, axis=1)
        found = np.flatnonzero(ends > 0)
        return _lines(path, found, np.maximum(ends[found], 2), x_m, y_m)

    def _roads_near(self, window: Window, furthest_m: float) -> tuple[Bools, NDArray[np.int32]]:
        """Cells that truck roads touch, and squared distance to them in cells, also to roads beyond the window."""
        if self._reader.road_edges is None:
            return np.zeros(window.shape, bool), np.zeros(window.shape, np.int32)
        around = math.ceil(DETOUR * furthest_m / self._study.grid.cell_m) + 1
        road = cells_touched(self._reader.road_edges, window.widened(around))
        squared = squared_distance(road, around)
        inside = np.s_[around : around + window.rows, around : around + window.columns]
        return np.ascontiguousarray(road[inside]), np.ascontiguousarray(squared[inside])

    def _ground(self, window: Window, road_squared: NDArray[np.int32], is_strict: bool) -> tuple[Floats, Bools]:
        """Cost per metre of each cell, and whether one may walk there.

        Land not enrolled bars a cell of which it holds more than half; strictly, a cell that it touches at all.
        """
        study, sites = self._study, self._study.settings.sites
        wide = window.widened(1)
        cover = self._reader.source.cover(wide)
        inside = np.s_[1:-1, 1:-1]
        by_shade = np.array([getattr(sites.access_cost, name) for name in SHADES])
        cost = by_shade[shade_of(cover, study.classes)[inside]]
        kinds = np.array([one.water for one in study.classes] + [""] * (BLANK_CLASS + 1 - len(study.classes)), object)
        cost[(kinds == "wetland")[cover[inside]]] = sites.access_cost.wetland
        if study.elevation is not None:
            steep = slope(np.asarray(study.elevation.read(wide), np.float32), study.grid.cell_m)[inside]
            cost = cost * (1 + np.nan_to_num(steep) * 100 / sites.slope_limit_percent)
        is_open = ~self._wet(window, np.ascontiguousarray(cover[inside]))
        if not len(self._foreign):
            return cost, is_open
        shares = shares_of(self._reader.property_edges, window)
        enrolled = study.properties.enrolled[shares.owner]
        held = [np.bincount(shares.cell[its], shares.share[its], cost.size) for its in (~enrolled, enrolled)]
        barred = (2 * held[0] > WHOLE) & (2 * held[1] <= WHOLE)
        verge_m = np.sqrt(road_squared) * study.grid.cell_m
        if is_strict:
            barred = (held[0] > SLIVER) & (held[1] < WHOLE - SLIVER)
            verge_m = verge_m + study.grid.cell_m
        return cost, is_open & (~barred.reshape(cost.shape) | (verge_m <= sites.road_verge_m))

    def _wet(self, window: Window, cover: NDArray[np.uint8]) -> Bools:
        """Cells of open water, or that a water line touches."""
        water = site_water(self._study)
        if water is None:
            return np.zeros(cover.shape, bool)
        return self._reader.source.marked(water, window, cover)

    def _is_dry(self, lines: Shapes, spots: Spots, furthest_m: float) -> Bools:
        """Whether each straight line keeps off water that only the land cover shows."""
        is_dry, grid = np.ones(len(lines), bool), self._study.grid
        for window, at in self._blocks(spots, furthest_m):
            source = self._reader.source
            kinds = np.array([one.water in OPEN_WATER for one in self._study.classes] + [False] * (BLANK_CLASS + 1))
            wet = kinds[source.cover(window)]
            for one in at:
                steps = max(2, math.ceil(4 * lines[one].length / grid.cell_m))
                along = shapely.line_interpolate_point(lines[one], np.linspace(0, 1, steps), normalized=True)
                columns, rows = grid.to_cells(shapely.get_x(along), shapely.get_y(along))
                row, column = np.floor(rows).astype(int) - window.row, np.floor(columns).astype(int) - window.column
                is_dry[one] = not wet[row, column].any()
        return is_dry

    def _from_road(self, paths: Shapes) -> Shapes:
        """Lines whose first point, the middle of a road's cell, is moved onto the road."""
        if not len(paths):
            return paths
        coordinates, line = shapely.get_coordinates(paths, return_index=True)
        first = np.flatnonzero(np.r_[True, line[1:] != line[:-1]])
        road = self._roads.nearest(shapely.points(coordinates[first + 1]))
        coordinates[first] = np.stack([road.x_m, road.y_m], axis=1)
        return np.asarray(shapely.linestrings(coordinates, indices=line))

    def _straight(self, points: Shapes) -> Shapes:
        """Straight lines from the nearest truck road."""
        if not len(points):
            return points
        road = self._roads.nearest(points)
        ends = np.stack([np.stack([road.x_m, road.y_m], axis=1), shapely.get_coordinates(points)], axis=1)
        return np.asarray(shapely.linestrings(ends))

    def _is_clear(self, paths: Shapes) -> Bools:
        """Whether each line, past the verge of the road, keeps off water and land not enrolled."""
        clear = np.ones(len(paths), bool)
        verge_m, enrolled = self._study.settings.sites.road_verge_m, self._study.properties
        for tree, shapes in ((self._water_tree, self._water), (self._foreign_tree, self._foreign)):
            for line, shape in zip(*tree.query(paths, predicate="intersects"), strict=True):
                past = substring(paths[line], min(verge_m, paths[line].length), paths[line].length)
                crossed = shapely.intersection(past, shapes[shape])
                if shapes is self._water and shapely.get_dimensions(shapes[shape]) == 1:
                    clear[line] &= crossed.is_empty
                elif crossed.length > TOUCH_M:
                    own = enrolled.shapes[enrolled.enrolled] if shapes is self._foreign else np.empty(0, object)
                    its = own[shapely.intersects(own, crossed)] if len(own) else own
                    clear[line] &= shapely.difference(crossed, shapely.union_all(its)).length <= TOUCH_M
        return clear


def _cheapest(node: Ints, walkable: Bools, road: Bools, cost: Floats) -> Ints:
    """The cell before each on the cheapest way from a road; negative at roads and where no way leads."""
    rows, columns = node.shape
    starts, ends, lengths = [], [], []
    for (down, right), step in STEPS:
        here = np.s_[: rows - down, max(0, -right) : columns - max(0, right)]
        there = np.s_[down:, max(0, right) : columns - max(0, -right)]
        both = walkable[here] & walkable[there]
        if down and right:
            # No slipping between two cells that touch only at a corner.
            side = np.s_[: rows - down, max(0, right) : columns - max(0, -right)]
            under = np.s_[down:, max(0, -right) : columns - max(0, right)]
            both &= walkable[side] | walkable[under]
        both &= ~(road[here] & road[there])
        starts.append(node[here][both])
        ends.append(node[there][both])
        lengths.append(step * (cost[here][both] + cost[there][both]) / 2)
    number = int(node.max()) + 1
    weights, pairs = np.concatenate(lengths), (np.concatenate(starts), np.concatenate(ends))
    sources = node[road]
    if not len(sources):
        return np.full(number, -1, np.int64)
    graph = coo_array((weights, pairs), shape=(number, number)).tocsr()
    _, before, _ = dijkstra(graph, directed=False, indices=sources, min_only=True, return_predecessors=True)
    before = np.asarray(before, np.int64)
    before[sources] = ROAD
    return before


ROAD, NOWHERE = -2, -9999
"""What stands before a road's own cell, and (as the library has it) before a cell that no way leads to."""


def _trace(before: Ints, at: Ints) -> Ints:
    """Cells from each spot back to the road, one column a step; -1 past the road; all -1 where no way leads."""
    steps = [np.where(at >= 0, at, -1)]
    while (steps[-1] >= 0).any():
        last = steps[-1]
        steps.append(np.where(last >= 0, before[np.maximum(last, 0)], -1))
        steps[-1][steps[-1] == ROAD] = -1
    trace = np.stack(steps, axis=1)
    trace[(trace == NOWHERE).any(axis=1)] = -1
    return trace


def _lines(path: Shapes, found: Ints, count: Ints, x_m: Floats, y_m: Floats) -> Shapes:
    """Lines from the road to each spot found: its trace, turned round."""
    line = np.repeat(np.arange(len(found)), count)
    ends = np.cumsum(count)
    back = np.repeat(ends, count) - 1 - np.arange(ends[-1] if len(ends) else 0)
    coordinates = np.stack([x_m[found[line], back], y_m[found[line], back]], axis=1)
    path[found] = shapely.linestrings(coordinates, indices=line) if len(found) else path[found]
    return path
