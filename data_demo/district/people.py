"""What people add last: houses, places where no trap may stand, sightings of swine."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from district.cover import CROPS, MARSH, PASTURE, WOODY_WETLAND
from district.drawing import sample
from district.ground import Ground
from district.place import CELL, CRS, OUTLINE, Rng, cell_centres, to_valley, to_world
from district.roads import Road


def make_houses(rng: Rng, roads: Sequence[Road], ground: Ground, town: Point, busy: BaseGeometry) -> gpd.GeoDataFrame:
    """Houses beside public roads on dry ground, close together in the hamlet."""
    hosts = [road.line for road in roads if road.mtfcc in ("S1200", "S1400")]
    every = shapely.union_all([road.line for road in roads])
    lengths = np.array([line.length for line in hosts])
    spots: list[Point] = []
    while len(spots) < 150:
        in_town = len(spots) < 46
        line = hosts[int(rng.choice(len(hosts), p=lengths / lengths.sum()))]
        at = line.interpolate(rng.uniform(0.0, line.length))
        if in_town and at.distance(town) > 330.0:
            continue
        away = rng.uniform(22.0, 38.0) if in_town else rng.uniform(28.0, 95.0)
        angle = rng.uniform(0.0, 2 * np.pi)
        spot = Point(round(at.x + away * np.cos(angle), 1), round(at.y + away * np.sin(angle), 1))
        room = 24.0 if in_town else 70.0
        dry = sample(ground.beyond, np.array(spot.coords))[0] > 60.0
        alone = all(spot.distance(other) > room for other in spots)
        if dry and alone and OUTLINE.contains(spot) and every.distance(spot) > 18.0 and not busy.contains(spot):
            spots.append(spot)
    return gpd.GeoDataFrame({"house_no": range(1, 151)}, geometry=spots, crs=CRS)


def make_no_traps(picnic: Polygon, town: Point) -> gpd.GeoDataFrame:
    """Places where nobody may set a trap."""
    u, v = to_valley(np.array(town.coords))[0]

    def yard(du: float, dv: float, length: float, width: float) -> Polygon:
        """A rectangle beside the hamlet."""
        low, high = (u + du, v + dv), (u + du + length, v + dv + width)
        ring = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
        return Polygon(to_world(ring))

    shapes = [picnic, yard(165, -560, 90, 120), yard(-330, -280, 85, 150)]
    reasons = ["picnic ground", "cemetery", "school yard"]
    return gpd.GeoDataFrame({"reason": reasons}, geometry=shapes, crs=CRS)


def make_sightings(rng: Rng, cover: NDArray[np.uint8]) -> gpd.GeoDataFrame:
    """Reports of swine, mostly in the swamp and where fields meet it."""
    swamp = np.isin(cover, (WOODY_WETLAND, MARSH))
    swamp = ndimage.binary_opening(swamp, iterations=4)
    near = ndimage.binary_dilation(swamp, iterations=8)
    field = np.isin(cover, (CROPS, PASTURE))
    rim = near & field
    x, y = cell_centres()
    inside = (np.abs(x) < 4600.0) & (np.abs(y) < 4600.0)
    rows = []
    for number in range(40):
        where = swamp if number < 22 else rim if number < 36 else field
        cells = np.flatnonzero(where & inside)
        cell = int(rng.choice(cells))
        kinds = ["camera", "sign", "report"] if where is swamp else ["damage", "damage", "sign", "report", "camera"]
        kind = str(rng.choice(kinds))
        count = int(rng.integers(1, 5)) if kind == "sign" else int(1 + rng.negative_binomial(2, 0.28))
        day = np.datetime64("2025-02-03") + int(rng.integers(0, 300))
        east, north = rng.uniform(-CELL / 2, CELL / 2, 2)
        spot = Point(x.flat[cell] + east, y.flat[cell] + north)
        rows.append((str(day), count, kind, spot))
    rows.sort(key=lambda row: (row[0], row[3].x))
    dates, counts, seen_as, spots = zip(*rows, strict=True)
    columns = {"date": dates, "count": np.array(counts, dtype=np.int32), "kind": seen_as}
    return gpd.GeoDataFrame(columns, geometry=list(spots), crs=CRS)
