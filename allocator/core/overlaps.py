"""Where polygons of one layer lie over each other."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints

SMALLEST_OVERLAP_M2 = 1.0
"""Slivers smaller than this come from rounding, not from a disputed line (project default)."""
_MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x27D4EB2F165667C5], np.uint64)
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
    parts, owner = shapely.get_parts(shapes, return_index=True)
    rings, part = shapely.get_rings(shapely.orient_polygons(parts), return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    start = np.flatnonzero(ring[1:] == ring[:-1])
    owner = owner[part[ring[start]]]
    ends = np.stack([points[start], points[start + 1]]) + 0.0  # no negative zeros: equal numbers, equal bits
    turned = (ends[0, :, 0] > ends[1, :, 0]) | ((ends[0, :, 0] == ends[1, :, 0]) & (ends[0, :, 1] > ends[1, :, 1]))
    ends[:, turned] = ends[::-1, turned]
    edge = np.concatenate([ends[0], ends[1]], axis=1)
    mixed = (edge.view(np.uint64) * _MIXERS).sum(axis=1, dtype=np.uint64)
    order = np.argsort(mixed)
    edge, turned, owner, mixed = edge[order], turned[order], owner[order], mixed[order]
    same = mixed[1:] == mixed[:-1]
    same[same] = (edge[1:][same] == edge[:-1][same]).all(axis=1)
    before, after = np.r_[False, same], np.r_[same, False]
    is_pair = same & ~before[:-1] & ~after[1:] & (turned[1:] != turned[:-1])
    is_shared = np.r_[is_pair, False] | np.r_[False, is_pair]
    return np.unique(owner[~is_shared])


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
