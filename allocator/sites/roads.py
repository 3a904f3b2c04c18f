"""The nearest road that a truck may use, measured exactly."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Floats, Ints
from allocator.core.study import Roads


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
    """

    road: Ints
    distance_m: Floats
    x_m: Floats
    y_m: Floats


def nearest_truck_road(points: NDArray[np.object_], roads: Roads) -> NearestRoad:
    """The nearest road that a truck may use and stop on.

    Parameters
    ----------
    points : array of shapely points
        In the study's coordinate system.
    roads : Roads
        At least one usable.

    Returns
    -------
    NearestRoad
        Of several equally near, the first in the file.
    """
    usable = np.flatnonzero([truck != "no" for truck in roads.truck])
    lines, of = shapely.get_parts(roads.shapes[usable], return_index=True)
    # One-segment pieces: whole roads in the tree make the search twenty times slower.
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    start = np.flatnonzero(line[1:] == line[:-1])
    segments = shapely.linestrings(np.stack([coordinates[start], coordinates[start + 1]], axis=1))
    (point, segment), distance = shapely.STRtree(segments).query_nearest(points, return_distance=True, all_matches=True)
    order = np.lexsort((segment, point))
    first = order[np.r_[True, point[order][1:] != point[order][:-1]]] if len(order) else order
    nearest = segments[segment[first]]
    foot = shapely.get_coordinates(shapely.line_interpolate_point(nearest, shapely.line_locate_point(nearest, points)))
    return NearestRoad(usable[of[line[start[segment[first]]]]], distance[first], foot[:, 0], foot[:, 1])
