"""Complexes: patches near enough to each other that the same pigs use them."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from allocator.core.arrays import Ints
from allocator.core.study import Shapes


@dataclass(frozen=True)
class Complexes:
    """Which complex each patch belongs to.

    Parameters
    ----------
    complex_of : array of int64, shape (patches,)
        Complex of each patch, numbered in the order of their first patch.
    count : int
        Number of complexes.
    """

    complex_of: Ints
    count: int


def join_complexes(shapes: Shapes, join_distance_m: float) -> Complexes:
    """Complexes of patches nearer to each other than a distance, directly or through others.

    Parameters
    ----------
    shapes : array of shapely multipolygons
        Patches, in order.
    join_distance_m : float
        Patches exactly this far apart are not joined; at 0 every patch is its own complex.

    Returns
    -------
    Complexes
        Distances run from outline to outline.

    Examples
    --------
    >>> squares = shapely.box([0, 100, 500], [0, 0, 0], [10, 110, 510], [10, 10, 10])
    >>> join_complexes(squares, 200.0).complex_of.tolist()
    [0, 0, 1]
    """
    number = len(shapes)
    if not number:
        return Complexes(np.empty(0, np.int64), 0)
    parts, owner = small_parts(shapes)
    pairs = np.empty((2, 0), np.int64)
    if join_distance_m > 0:
        # The distance itself is left out: nearer than, not as near as.
        within = np.nextafter(join_distance_m, 0)
        around = shapely.bounds(parts) + join_distance_m * np.array([-1, -1, 1, 1])
        pairs = shapely.STRtree(parts).query(shapely.box(*around.T))
        # Each pair once, and none of parts of one patch: most parts that lie near each other are such.
        one, other = pairs[:, owner[pairs[0]] < owner[pairs[1]]]
        shapely.prepare(parts)
        is_near = shapely.dwithin(parts[one], parts[other], within)
        pairs = owner[np.stack([one[is_near], other[is_near]])]
    graph = coo_array((np.ones(pairs.shape[1], bool), (pairs[0], pairs[1])), shape=(number, number))
    joined = connected_components(graph, directed=False)[1]
    first = np.full(int(joined.max()) + 1, number)
    np.minimum.at(first, joined, np.arange(number))
    order = np.argsort(np.argsort(first))
    return Complexes(order[joined].astype(np.int64), len(first))


def small_parts(shapes: Shapes, most_points: int = 1000) -> tuple[Shapes, Ints]:
    """Shapes cut into boxes until no part has many points: small parts are searched far faster than large ones.

    Parameters
    ----------
    shapes : array of shapely polygons or multipolygons
        Patches.
    most_points : int
        Most points of a part.

    Returns
    -------
    parts : array of shapely polygons
        Together the same ground.
    owner : array of int64
        Position in ``shapes`` of each part.
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    small, small_owner = [parts[:0]], [owner[:0]]
    while len(parts):
        is_small = shapely.get_num_coordinates(parts) <= most_points
        small.append(parts[is_small])
        small_owner.append(owner[is_small])
        large, owner = parts[~is_small], owner[~is_small]
        halves, halves_owner = [], []
        for part, of in zip(large, owner, strict=True):
            west, south, east, north = part.bounds
            x, y = (west + east) / 2, (south + north) / 2
            for box in ((west, south, x, y), (x, south, east, y), (west, y, x, north), (x, y, east, north)):
                halves.append(shapely.clip_by_rect(part, *box))
                halves_owner.append(of)
        parts, at = shapely.get_parts(np.array(halves, object), return_index=True)
        owner = np.array(halves_owner, np.int64)[at]
    return np.concatenate(small), np.concatenate(small_owner)
