"""Where polygons of one layer lie over each other."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints

SMALLEST_OVERLAP_M2 = 1.0
"""Slivers smaller than this come from rounding, not from a disputed line (project default)."""
_MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F], np.uint64)
"""Odd numbers that spread the ends of edges over 64 bits; equal ones are compared in full."""


@dataclass(frozen=True)
class Overlaps:
    """Pairs of polygons that share ground.

    Parameters
    ----------
    left, right : array of int64
        Positions, the lesser first.
    area_m2 : array of float64
        Ground shared, in square metres.
    """

    left: Ints
    right: Ints
    area_m2: Floats


def find_overlaps(shapes: NDArray[np.object_]) -> Overlaps:
    """Pairs of polygons that share at least a square metre.

    Parameters
    ----------
    shapes : array of shapely polygons or multipolygons
        In metres; valid.

    Returns
    -------
    Overlaps
        In the order of positions.

    Examples
    --------
    >>> find_overlaps(shapely.box([0, 5, 10], 0, [10, 15, 20], 10)).area_m2.tolist()
    [50.0, 50.0]
    """
    tree, boxes = shapely.STRtree(shapes), shapely.bounds(shapes)
    is_looked_at = np.zeros(len(shapes), bool)
    found = [np.empty((2, 0), np.int64)]
    ahead = _with_lone_edges(shapes)
    while len(ahead):
        is_looked_at[ahead] = True
        pairs = _meeting(ahead, shapes, tree, boxes)
        found.append(np.sort(pairs, axis=0))
        met = np.unique(pairs)
        ahead = met[~is_looked_at[met]]
    left, right = np.unique(np.concatenate(found, axis=1), axis=1)
    area_m2 = shapely.area(shapely.intersection(shapes[left], shapes[right]))
    kept = area_m2 >= SMALLEST_OVERLAP_M2
    return Overlaps(left[kept], right[kept], area_m2[kept])


def _meeting(some: Ints, shapes: NDArray[np.object_], tree: shapely.STRtree, boxes: Floats) -> Ints:
    """Pairs whose insides meet, with at least one of some shapes; shape (2, pairs)."""
    one, other = tree.query(shapes[some])
    one = some[one]
    low, high = np.maximum(boxes[one, :2], boxes[other, :2]), np.minimum(boxes[one, 2:], boxes[other, 2:])
    # Neighbours in a row share a line: their boxes barely meet, and such pairs go without a look at the shapes.
    near = (one != other) & (high > low).all(axis=1)
    one, other = one[near], other[near]
    meet = shapely.relate_pattern(shapes[one], shapes[other], "T********") if len(one) else np.zeros(0, bool)
    return np.stack([one[meet], other[meet]])


def _with_lone_edges(shapes: NDArray[np.object_]) -> Ints:
    """Shapes with an edge that is not also, in the other direction, an edge of exactly one neighbour.

    Notes
    -----
    Seen from above, the number of shapes over a place changes only across lone edges: across an edge that two
    neighbours share, one goes as the other comes. So a shape with a lone edge lies at the rim of all ground that two
    shapes share, and from there shared ground is followed from pair to pair. In a clean map of parcels only its outer
    rim is lone.
    """
    rings, owner, is_turned = rings_of(shapes)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    x, y = (np.ascontiguousarray(one) + 0.0 for one in points.T)  # no negative zeros: equal numbers, equal bits
    mixed = x.view(np.uint64) * _MIXERS[0] + y.view(np.uint64) * _MIXERS[1]
    mixed = (mixed ^ (mixed >> np.uint64(29))) * _MIXERS[0]
    start = np.flatnonzero(ring[1:] == ring[:-1])
    edge = mixed[start] + mixed[start + 1]  # the same in both directions
    order = np.argsort(edge)
    edge, start = edge[order], start[order]
    same = edge[1:] == edge[:-1]
    of_three = np.r_[False, same[:-1]] | np.r_[same[1:], False]
    pair = np.flatnonzero(same & ~of_three[: len(same)])
    one, other = start[pair], start[pair + 1]
    turned = is_turned[ring[one]] != is_turned[ring[other]]
    first, last = np.where(turned, other, other + 1), np.where(turned, other + 1, other)
    is_same = (x[one] == x[first]) & (y[one] == y[first]) & (x[one + 1] == x[last]) & (y[one + 1] == y[last])
    is_shared, shared = np.zeros(len(start), bool), pair[is_same]
    is_shared[shared] = is_shared[shared + 1] = True
    return np.unique(owner[ring[start[~is_shared]]])


def rings_of(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], Ints, Bools]:
    """Rings of polygons as they are drawn.

    Parameters
    ----------
    shapes : array of shapely polygons or multipolygons
        Valid.

    Returns
    -------
    rings : array of shapely linear rings
        Outer rings and holes.
    owner : array of int64
        Position in ``shapes`` of each.
    is_turned : array of bool
        Whether the polygon lies to the right of the ring as it is drawn: clockwise outer rings, and holes that are not.
    """
    parts, owner = shapes, np.arange(len(shapes))
    if (shapely.get_type_id(shapes) != shapely.GeometryType.POLYGON).any():  # taking apart copies every shape
        parts, owner = shapely.get_parts(shapes, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    is_outer = np.r_[True, part[1:] != part[:-1]][: len(part)]
    return rings, owner[part], shapely.is_ccw(rings) != is_outer


def cut_apart(shapes: NDArray[np.object_], overlaps: Overlaps, comes_first: Bools) -> NDArray[np.object_]:
    """Polygons that together cover the same ground, each point of it once.

    Parameters
    ----------
    shapes : array of shapely polygons or multipolygons
        In metres; valid.
    overlaps : Overlaps
        Pairs that share ground.
    comes_first : array of bool
        Shared ground goes to these before others, then to the earlier one.

    Returns
    -------
    array of shapely polygons or multipolygons
        The same objects where nothing is shared.
    """
    turned = comes_first[overlaps.right] & ~comes_first[overlaps.left]
    keeps = np.where(turned, overlaps.right, overlaps.left)
    loses = np.where(turned, overlaps.left, overlaps.right)
    cut = shapes.copy()
    for one in np.unique(loses):
        rest = shapely.difference(shapes[one], shapely.union_all(shapes[keeps[loses == one]]))
        parts = shapely.get_parts(rest)
        cut[one] = shapely.multipolygons(parts[shapely.get_type_id(parts) == 3])
    return cut
