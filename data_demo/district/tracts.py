"""Properties: lots with a number, a name, an owner, and a few odd shapes among them."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from district.drawing import parts
from district.place import ACRE, CRS, EAST, OUTLINE, WEST, Rng, half_width, to_valley, to_world
from district.roads import Road

FIRST = ["Tamber", "Osk", "Brindle", "Lornet", "Cressel", "Hollin", "Morrowin", "Eskel", "Dunnel",
         "Velloway", "Imberly", "Quarrel Oak", "Sallow", "Thornapple", "Pinhook", "Rustbank",
         "Wagonwheel", "Three Gate", "Longleaf", "Dimwater", "Canebrake", "Lost Mule",
         "Blue Heron", "Two Chimney", "Tin Spring", "Sweet Clover", "Rattling Gourd", "High Terrace"]  # fmt: skip
LAST = {"bottom": ["Bottoms", "Hunting Land", "Swamp Tract", "Timber", "River Farm"],
        "field": ["Farm", "Place", "Fields", "Creek Farm", "Home Place"],
        "upland": ["Ranch", "Woods", "Pasture", "Hill Farm", "Timber"]}  # fmt: skip


def tract_name(rng: Rng, shape: BaseGeometry, used: set[str]) -> str:
    """An invented name that suits where the land lies."""
    u, v = to_valley(np.array(shape.representative_point().coords))[0]
    edge = float(half_width(np.array([u]), WEST if v < 0 else EAST)[0])
    where = "bottom" if abs(v) < edge else "field" if abs(v) < edge + 1300.0 else "upland"
    while True:
        name = f"{rng.choice(FIRST)} {rng.choice(LAST[where])}"
        if name not in used:
            used.add(name)
            return name


def odd_shapes(rng: Rng, lots: list[Polygon], highway: BaseGeometry) -> list[BaseGeometry]:
    """Give some properties a hole, an inholding or a second part, and leave gaps."""
    shapes: list[BaseGeometry] = [
        max(parts(lot.difference(highway.buffer(40.0))), key=lambda p: p.area) for lot in lots
    ]
    order = sorted(range(len(shapes)), key=lambda k: -shapes[k].area)
    extra: list[BaseGeometry] = []
    for rank, acres in ((0, 42.0), (2, 31.0), (4, 24.0)):
        host = shapes[order[rank]]
        middle = shapely.maximum_inscribed_circle(host).coords[0]
        u, v = to_valley(np.array([middle]))[0]
        half = np.sqrt(acres * ACRE) / 2
        ring = [(u - half, v - half), (u + half, v - half), (u + half, v + half), (u - half, v + half)]
        inner = Polygon(np.round(to_world(np.array(ring)), 1))
        if host.buffer(-40.0).contains(inner):
            shapes[order[rank]] = host.difference(inner)
            if rank < 4:  # the last one stays an empty hole
                extra.append(inner)
    small = [k for k in reversed(order) if shapes[k].area < 140.0 * ACRE]
    gone: set[int] = set()
    for far in small[1:10:3]:  # join a small outlier to a property nearby but not touching
        gaps = [(shapes[far].distance(shapes[k]), k) for k in order if k not in gone and k != far]
        near = min((gap, k) for gap, k in gaps if gap > 150.0 and shapes[k].geom_type == "Polygon")[1]
        shapes[near] = MultiPolygon([*parts(shapes[near]), shapes[far]])
        gone.add(far)
    gone |= {int(k) for k in rng.choice([k for k in order[20:] if k not in gone], 3, replace=False)}
    return [shape for k, shape in enumerate(shapes) if k not in gone] + extra


def make_tracts(rng: Rng, lots: list[Polygon], roads: Sequence[Road]) -> gpd.GeoDataFrame:
    """The properties with their numbers, names, owners and whether they signed."""
    highway = shapely.union_all([road.line for road in roads if road.mtfcc == "S1100"])
    inner = [lot for lot in lots if OUTLINE.contains(lot.representative_point())]
    shapes = odd_shapes(rng, inner, highway)
    shapes.sort(key=lambda shape: (-round(shape.centroid.y / 900.0), shape.centroid.x))
    count = len(shapes)
    numbers = np.sort(rng.choice(np.arange(3, 190), count, replace=False))
    signed = np.where(rng.permutation(count) < round(0.7 * count), "yes", "no")
    owners = rng.integers(1, int(count * 0.8), count)
    used: set[str] = set()
    columns = {
        "tract_no": [f"{number:04d}" for number in numbers],
        "tract_name": [tract_name(rng, shape, used) for shape in shapes],
        "owner": [f"Owner {number}" for number in owners],
        "signed": signed.tolist(),
    }
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
