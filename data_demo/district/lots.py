"""Lots: the land divided along river, roads, ditches and fences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.ops import polygonize, split, substring

from district.drawing import parts
from district.place import ACRE, FRAME, OUTLINE, Floats, Rng, to_valley, to_world
from district.river import River
from district.roads import Road
from district.water import Water


def extent(shape: Polygon) -> tuple[Floats, Floats]:
    """Smallest and largest valley coordinates of a shape."""
    uv = to_valley(shapely.get_coordinates(shape))
    return uv.min(axis=0), uv.max(axis=0)


def fence(rng: Rng, shape: Polygon) -> LineString:
    """A cut across the longer way of a shape: nearly straight, sometimes with a jog."""
    low, high = extent(shape)
    size = high - low
    long_way = 0 if size[0] > size[1] else 1
    place = low[long_way] + size[long_way] * rng.uniform(0.36, 0.64)
    tilt = rng.normal(0.0, 0.035) * size[1 - long_way]
    near, far = low[1 - long_way] - 200.0, high[1 - long_way] + 200.0
    path = [(place - tilt, near), (place + tilt, far)]
    if rng.random() < 0.3:
        jog = rng.choice([-1.0, 1.0]) * rng.uniform(0.06, 0.16) * size[long_way]
        turn = rng.uniform(0.35, 0.65) * (far - near) + near
        path = [(place, near), (place, turn), (place + jog, turn), (place + jog, far)]
    corners = [p if long_way == 0 else p[::-1] for p in path]
    return LineString(to_world(np.asarray(corners)))


def split_land(rng: Rng, shape: Polygon, target: float) -> list[Polygon]:
    """Cut a shape again and again until its pieces are about as large as wanted."""
    if shape.area < 1.5 * target:
        return [shape]
    pieces = parts(split(shape, fence(rng, shape)))
    if len(pieces) < 2:
        return [shape]
    out: list[Polygon] = []
    for piece in pieces:
        out += split_land(rng, piece, target * float(rng.lognormal(0.0, 0.22)))
    return out


def merge_small(shapes: list[Polygon], least: float) -> list[Polygon]:
    """Join each too small piece to the neighbour with the longest common edge."""
    shapes = sorted(shapes, key=lambda shape: shape.area)
    while shapes and shapes[0].area < least:
        small = shapes.pop(0)
        shared = [small.intersection(other).length if small.intersects(other) else 0.0 for other in shapes]
        host = int(np.argmax(shared))
        if shared[host] == 0.0:
            break
        joined = small.union(shapes.pop(host))
        shapes.append(max(parts(joined), key=lambda piece: piece.area))
        shapes.sort(key=lambda shape: shape.area)
    return shapes


def one_large(lots: list[Polygon], acres: float) -> list[Polygon]:
    """Let one owner in the bottoms have bought up neighbours until the land is large."""

    def wet(lot: Polygon) -> bool:
        """Whether a lot lies in the bottoms."""
        return bool(np.abs(to_valley(np.array(lot.representative_point().coords))[0, 1]) < 900.0)

    rest = sorted(lots, key=lambda lot: (not wet(lot), -lot.area))
    large = rest.pop(0)
    while large.area < acres * ACRE:
        shared = [large.intersection(other).length * (2 if wet(other) else 1) for other in rest]
        large = large.union(rest.pop(int(np.argmax(shared))))
    return [large, *rest]


def stretch(line: LineString, by: float) -> LineString:
    """Lengthen a line a little at both ends so that it surely meets its neighbours."""
    xy = shapely.get_coordinates(line)
    head, tail = xy[0] - xy[1], xy[-1] - xy[-2]
    first = xy[0] + by * head / np.hypot(*head)
    last = xy[-1] + by * tail / np.hypot(*tail)
    return LineString(np.vstack([first, xy, last]))


def make_lots(rng: Rng, river: River, water: Water, roads: Sequence[Road]) -> list[Polygon]:
    """Divide the whole frame along river, roads, ditches and fences; edges are shared."""
    cuts = [stretch(r.line, 4.0) for r in roads
            if r.mtfcc in ("S1100", "S1200") or (r.mtfcc == "S1400" and r.line.length > 900.0)]  # fmt: skip
    reach = substring(river.centre, 0.0, 0.62, normalized=True).simplify(6.0)
    cuts += [stretch(reach, 4.0), FRAME.exterior, OUTLINE.exterior]
    cuts += [stretch(line, 4.0) for _, line in water.ditches[::2]]
    blocks = list(polygonize(shapely.union_all(cuts)))
    pieces: list[Polygon] = []
    for block in blocks:
        middle = block.representative_point()
        _, v = to_valley(np.array(middle.coords))[0]
        typical = 640.0 if abs(v) < 1300.0 else 400.0
        pieces += split_land(rng, block, typical * ACRE * float(rng.lognormal(0.0, 0.42)))
    edges = shapely.union_all([piece.boundary for piece in pieces], grid_size=0.25)
    faces = list(polygonize(edges))
    inner = [face for face in faces if OUTLINE.contains(face.representative_point())]
    outer = [face for face in faces if not OUTLINE.contains(face.representative_point())]
    return one_large(merge_small(inner, 19.0 * ACRE), 1900.0) + merge_small(outer, 15.0 * ACRE)
