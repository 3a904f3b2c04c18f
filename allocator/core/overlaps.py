"""Where polygons of one layer lie over each other."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints

SMALLEST_OVERLAP_M2 = 1.0
"""Slivers smaller than this come from rounding, not from a disputed line (project default)."""


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
    left, right = shapely.STRtree(shapes).query(shapes)
    boxes = shapely.bounds(shapes)
    apart = left >= right
    low = np.maximum(boxes[left, :2], boxes[right, :2])
    high = np.minimum(boxes[left, 2:], boxes[right, 2:])
    # Neighbours share a line: their boxes barely meet, and most pairs go without cutting a shape.
    apart |= np.prod(np.clip(high - low, 0, None), axis=1) < SMALLEST_OVERLAP_M2
    left, right = left[~apart], right[~apart]
    meet = shapely.relate_pattern(shapes[left], shapes[right], "T********") if len(left) else np.zeros(0, bool)
    left, right = left[meet], right[meet]
    area_m2 = shapely.area(shapely.intersection(shapes[left], shapes[right]))
    order = np.lexsort((right, left))
    order = order[area_m2[order] >= SMALLEST_OVERLAP_M2]
    return Overlaps(left[order], right[order], area_m2[order])


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
