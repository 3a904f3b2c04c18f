"""Land cover: wild growth, then fields, the hamlet, roads and water on top."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Point, Polygon

from district.drawing import burn, mask, sample, smooth_noise
from district.ground import Ground
from district.lots import split_land
from district.place import ACRE, CELL, Rng, cell_centres
from district.roads import Road
from district.water import Water

# Land cover codes (NLCD).
WATER, LAWN, LOW_TOWN, TOWN, BARREN = 11, 21, 22, 23, 31
DECIDUOUS, EVERGREEN, MIXED, SHRUB, GRASS = 41, 42, 43, 52, 71
PASTURE, CROPS, WOODY_WETLAND, MARSH = 81, 82, 90, 95

FIELD_ODDS: dict[str, list[tuple[int, float]]] = {  # cover of a field, 0 for grown woods
    "crop farm": [(CROPS, 0.72), (GRASS, 0.06), (PASTURE, 0.08), (0, 0.14)],
    "cattle farm": [(PASTURE, 0.54), (GRASS, 0.10), (CROPS, 0.08), (0, 0.28)],
    "timber land": [(EVERGREEN, 0.36), (0, 0.46), (SHRUB, 0.09), (GRASS, 0.05), (MIXED, 0.04)],
    "woodland": [(0, 0.86), (PASTURE, 0.08), (SHRUB, 0.06)],
}


def land_use(rng: Rng, terrace: bool) -> str:
    """What one owner does with dry land."""
    odds = [0.66, 0.22, 0.04, 0.08] if terrace else [0.08, 0.27, 0.38, 0.27]
    return str(rng.choice(list(FIELD_ODDS), p=odds))


def make_fields(rng: Rng, lots: list[Polygon], ground: Ground) -> list[tuple[Polygon, int]]:
    """Cut every lot into straight-edged fields with one cover each."""
    fields: list[tuple[Polygon, int]] = []
    for lot in lots:
        use = {terrace: land_use(rng, terrace) for terrace in (True, False)}
        brave = rng.random() < 0.3  # some owners clear fields in the bottoms
        pieces = split_land(rng, lot, rng.uniform(14.0, 30.0) * ACRE)
        spots = np.array([piece.representative_point().coords[0] for piece in pieces])
        beyond, height = sample(ground.beyond, spots), sample(ground.above, spots)
        for piece, out, high in zip(pieces, beyond, height, strict=True):
            if out < -420.0 or (out < 0.0 and not brave):
                continue
            odds = FIELD_ODDS["crop farm" if out < 0.0 else use[bool(high < 13.5)]]
            code = int(rng.choice([c for c, _ in odds], p=[p for _, p in odds]))
            if code:
                fields.append((piece, code))
    return fields


def wild_cover(rng: Rng, ground: Ground, water: Water) -> NDArray[np.uint8]:
    """Cover as it would grow without people."""
    patch, mix = smooth_noise(rng, 520.0), smooth_noise(rng, 190.0)
    dry = patch + 0.45 * mix
    cover = np.select([dry < -0.55, dry > 0.75], [DECIDUOUS, EVERGREEN], MIXED).astype(np.uint8)
    bottoms = ground.beyond < 25.0
    cover[bottoms] = WOODY_WETLAND
    ridge = bottoms & (ground.above > 3.05) & (ground.river_distance > 40.0)
    cover[ridge & (smooth_noise(rng, 300.0) > 0.1)] = DECIDUOUS
    swale = (ground.age > 0) & (ground.above < 1.9) & (smooth_noise(rng, 260.0) > 0.15)
    cover[swale] = MARSH
    fringe = 60.0 + 34.0 * smooth_noise(rng, 260.0)
    cover[(ground.creek_distance < fringe) & ~bottoms] = WOODY_WETLAND
    backswamp = (ground.age == 0) & (ground.above < 2.6) & (smooth_noise(rng, 380.0) > 1.25)
    cover[backswamp & bottoms & (ground.river_distance > 300.0)] = MARSH
    for _, kind, shape in water.bodies:
        if kind in ("oxbow lake", "slough"):
            wet = mask([shape.buffer(32.0)]) & bottoms
            cover[wet & (smooth_noise(rng, 150.0) > -0.4)] = MARSH
    young = ground.age.max() - ground.age + 2.0 * smooth_noise(rng, 160.0)
    cover[(ground.age > 0) & (young < 17)] = SHRUB
    cover[(ground.age > 0) & (young < 10)] = GRASS
    cover[(ground.age > 0) & (young < 6)] = BARREN
    return cover


def add_fields(rng: Rng, cover: NDArray[np.uint8], ground: Ground, fields: list[tuple[Polygon, int]]) -> None:
    """Lay fields over the wild cover, but keep the woods along creeks and steep banks."""
    grid = burn(fields)
    rows, cols = np.gradient(ndimage.gaussian_filter(ground.height, 1.5), CELL)
    steep = np.hypot(rows, cols) > 0.062
    creek = ground.creek_distance < 62.0 + 26.0 * smooth_noise(rng, 230.0)
    open_land = (grid > 0) & ~creek & ~steep & (ground.above > 1.7) & (ground.river_distance > 110.0)
    open_land = ndimage.binary_opening(open_land, iterations=2)
    cover[open_land] = grid[open_land]
    hedges = [piece.exterior for piece, code in fields if code in (PASTURE, CROPS) and rng.random() < 0.22]
    line = mask(hedges) & np.isin(cover, (PASTURE, CROPS, GRASS))
    cover[line] = DECIDUOUS


def make_cover(
    rng: Rng, ground: Ground, water: Water, roads: list[Road], lots: list[Polygon], town: Point
) -> NDArray[np.uint8]:
    """Land cover: wild growth, then fields, the hamlet, roads and water on top."""
    cover = wild_cover(rng, ground, water)
    add_fields(rng, cover, ground, make_fields(rng, lots, ground))
    x, y = cell_centres()
    reach = np.hypot(x - town.x, y - town.y) + 45.0 * smooth_noise(rng, 140.0)
    dry = ground.beyond > 30.0
    cover[(reach < 420.0) & dry] = LAWN
    cover[(reach < 290.0) & dry] = LOW_TOWN
    cover[(reach < 105.0) & dry] = TOWN
    paved = [road.line for road in roads if road.mtfcc in ("S1200", "S1400", "S1630", "S1780")]
    cover[mask(paved, touched=True) & ~np.isin(cover, (LOW_TOWN, TOWN))] = LAWN
    highway = [road.line for road in roads if road.mtfcc == "S1100"]
    cover[mask([line.buffer(38.0) for line in highway])] = LAWN
    cover[mask([line.buffer(16.0) for line in highway])] = LOW_TOWN
    cover[mask(water.surfaces())] = WATER
    bridges = [road.line.buffer(6.0) for road in roads if road.mtfcc in ("S1200", "S1400")]
    cover[mask(bridges) & mask(water.surfaces())] = LAWN
    return cover
