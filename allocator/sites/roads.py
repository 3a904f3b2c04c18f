"""The nearest road that a truck may use, measured exactly."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Shapes, Study
from allocator.sites.road_graph import all_weather, build_road_graph, locate

NEAR_M = 0.05
"""Pieces of the graph this near a segment may be the nearest to one of its points: the graph moves lines by less."""
ALL_YEAR, DRY, UNCLEAR = range(3)


@dataclass(frozen=True)
class NearestRoad:
    """The nearest truck road of each point.

    Parameters
    ----------
    road : array of int64
        Position in the study's roads.
    distance_m : array of float64
        Straight-line distance.
    x_m, y_m : array of float64
        Nearest point of the road.
    is_dry : array of bool
        Whether it can be reached in dry weather only: it is such a road, or leads on over none but such roads.
    """

    road: Ints
    distance_m: Floats
    x_m: Floats
    y_m: Floats
    is_dry: Bools

    def take(self, positions: Ints) -> "NearestRoad":
        """Only some of the points.

        Parameters
        ----------
        positions : array of int
            Which, in order.

        Returns
        -------
        NearestRoad
            Those.
        """
        return NearestRoad(
            self.road[positions], self.distance_m[positions], self.x_m[positions], self.y_m[positions],
            self.is_dry[positions],
        )  # fmt: skip


class TruckRoads:
    """Roads that a truck may use and stop on, ready to be measured to.

    Parameters
    ----------
    study : Study
        Roads and whether those fit for dry weather only count.
    """

    def __init__(self, study: Study) -> None:
        shapes = np.empty(0, object) if study.roads is None else study.roads.shapes[study.truck_roads]
        lines, of = shapely.get_parts(shapes, return_index=True)
        # One-segment pieces: whole roads in the tree make the search twenty times slower.
        coordinates, line = shapely.get_coordinates(lines, return_index=True)
        start = np.flatnonzero(line[1:] == line[:-1])
        self._from, self._step = coordinates[start], coordinates[start + 1] - coordinates[start]
        self._segments = shapely.linestrings(np.stack([coordinates[start], coordinates[start + 1]], axis=1))
        self._road = study.truck_roads[of[line[start]]]
        self._tree = shapely.STRtree(self._segments)
        self.graph = None if study.roads is None else build_road_graph(study.roads, study.settings.sites.road_snap_m)
        self._is_dry = np.empty(0, bool) if self.graph is None else ~all_weather(self.graph)
        self._dry_along = self._dry_states()

    def __len__(self) -> int:
        return len(self._segments)

    def nearest(self, points: NDArray[np.object_] | Shapes) -> NearestRoad:
        """The nearest road of each point.

        Parameters
        ----------
        points : array of shapely points
            In the study's coordinate system.

        Returns
        -------
        NearestRoad
            Of several equally near, the first in the file. Without roads: road -1, distance infinite, place NaN.
        """
        if not len(self):
            nowhere = np.full(len(points), np.nan)
            distance = np.full(len(points), np.inf)
            return NearestRoad(np.full(len(points), -1), distance, nowhere, nowhere, np.zeros(len(points), bool))
        (point, segment), distance = self._tree.query_nearest(points, return_distance=True, all_matches=True)
        order = np.lexsort((segment, point))
        first = order[np.r_[True, point[order][1:] != point[order][:-1]]] if len(order) else order
        segment, distance = segment[first], distance[first]
        step, away = self._step[segment], shapely.get_coordinates(points) - self._from[segment]
        squared = (step * step).sum(axis=1)
        along = np.divide((step * away).sum(axis=1), squared, out=np.zeros(len(segment)), where=squared > 0)
        foot = self._from[segment] + np.clip(along, 0, 1)[:, None] * step
        state = self._dry_along[segment]
        is_dry, unclear = state == DRY, np.flatnonzero(state == UNCLEAR)
        is_dry[unclear] = self._dry_at(foot[unclear])
        return NearestRoad(self._road[segment], distance, foot[:, 0], foot[:, 1], is_dry)

    def _dry_states(self) -> NDArray[np.int8]:
        """Whether each segment is fit for dry weather only; unclear where pieces of the graph near it differ."""
        state = np.full(len(self), UNCLEAR, np.int8)
        if self.graph is None or not len(self.graph):
            return state
        tree, edge = self.graph.segments
        segment, piece = tree.query(self._segments, "dwithin", NEAR_M)
        pieces = np.bincount(segment, minlength=len(self))
        dry = np.bincount(segment, self._is_dry[edge[piece]], len(self))
        state[(pieces > 0) & (dry == 0)] = ALL_YEAR
        state[(pieces > 0) & (dry == pieces)] = DRY
        return state

    def _dry_at(self, foot: Floats) -> Bools:
        """Whether the road at each point is fit for dry weather only."""
        if self.graph is None or not len(foot):
            return np.zeros(len(foot), bool)
        return self._is_dry[locate(self.graph, np.asarray(shapely.points(foot))).edge]
