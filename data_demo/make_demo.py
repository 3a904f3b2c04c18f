"""Make the demonstration district: invented land, water, roads and properties.

Running ``python data_demo/make_demo.py`` writes six GeoPackages and two GeoTIFFs into
``inputs/`` beside this file. Nothing in them is real: names, owners and shapes are all
invented, and the coordinates lie in the open ocean so that nobody takes the district for
a place on the map.

The district is grown the way such land comes about. A river wanders across its
floodplain and leaves bars, ridges and cut-off bends behind; the ground is shaped around
it; roads follow the dry edge of the bottoms; properties and fields are cut along roads,
river and fence lines; land cover follows from all of that. The same seed gives the same
district.

Most shapes are drawn in valley coordinates ``(u, v)``: metres downstream along the
valley and metres across it (negative on the west side). ``to_world`` turns them into map
coordinates.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine
from scipy import ndimage
from scipy.interpolate import CubicSpline
from scipy.signal import lfilter
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, split, substring

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rng = np.random.Generator

SEED = 33
CRS = "+proj=laea +lat_0=28.4 +lon_0=-64.6 +datum=WGS84 +units=m"
ACRE = 4046.8564224  # square metres

# The rasters reach 600 m beyond the district on every side.
HALF_RASTER = 5600.0
CELL = 10.0
SIZE = int(2 * HALF_RASTER / CELL)
TRANSFORM = Affine(CELL, 0.0, -HALF_RASTER, 0.0, -CELL, HALF_RASTER)
FRAME = box(-HALF_RASTER, -HALF_RASTER, HALF_RASTER, HALF_RASTER)

# The edge of the district: about ten kilometres square, stepped like real land lines.
OUTLINE = Polygon(
    [
        (-5000, 4720), (-3310, 4780), (-3290, 5000), (420, 4960), (450, 4610), (2380, 4640),
        (2365, 5000), (5000, 4970), (4960, 2210), (4650, 2190), (4680, 310), (5000, 330),
        (4975, -3420), (4540, -3400), (4560, -5000), (1370, -4960), (1350, -4700),
        (-1620, -4730), (-1640, -5000), (-4690, -4970), (-4710, -2840), (-5000, -2860),
        (-4960, 900), (-4600, 880), (-4640, 2490), (-5000, 2510),
    ]
)  # fmt: skip

# Land cover codes (NLCD).
WATER, LAWN, LOW_TOWN, TOWN, BARREN = 11, 21, 22, 23, 31
DECIDUOUS, EVERGREEN, MIXED, SHRUB, GRASS = 41, 42, 43, 52, 71
PASTURE, CROPS, WOODY_WETLAND, MARSH = 81, 82, 90, 95

WEST, EAST = -1, 1


# ---------------------------------------------------------------- valley coordinates

AZIMUTH = np.radians(24.0)  # the valley runs south, turned this much to the east
ALONG = np.array([np.sin(AZIMUTH), -np.cos(AZIMUTH)])
ACROSS = np.array([np.cos(AZIMUTH), np.sin(AZIMUTH)])


def bend(u: Floats) -> Floats:
    """Offset of the valley's axis from a straight line."""
    return 520.0 * np.sin(u / 2100.0 + 0.5) + 120.0 * np.sin(u / 870.0)


def half_width(u: Floats, side: int) -> Floats:
    """Width of the floodplain on one side of the valley's axis."""
    return 1180.0 + 190.0 * np.sin(u / 1350.0 + 1.2 * side) + 80.0 * np.sin(u / 510.0 + side)


def to_world(uv: Floats) -> Floats:
    """Turn rows of valley coordinates into rows of map coordinates."""
    across = uv[:, 1] + bend(uv[:, 0])
    return uv[:, :1] * ALONG + across[:, None] * ACROSS


def to_valley(xy: Floats) -> Floats:
    """Turn rows of map coordinates into rows of valley coordinates."""
    u = xy @ ALONG
    return np.column_stack([u, xy @ ACROSS - bend(u)])


def valley_line(uv: Sequence[Sequence[float]] | Floats, step: float = 50.0) -> LineString:
    """Draw a line given by corners in valley coordinates on the map."""
    dense = LineString(np.asarray(uv, dtype=float)).segmentize(step)
    return LineString(to_world(shapely.get_coordinates(dense)))


def cell_centres() -> tuple[Floats, Floats]:
    """Map coordinates of all cell centres, as two grids."""
    ticks = -HALF_RASTER + CELL * (np.arange(SIZE) + 0.5)
    x, y = np.meshgrid(ticks, -ticks)
    return x, y


# ---------------------------------------------------------------- small tools


def smooth_noise(rng: Rng, scale: float) -> Floats:
    """Gentle random relief on the raster, unit variance, hills about ``scale`` m wide."""
    count = int(2 * HALF_RASTER / scale) + 4
    coarse = rng.normal(size=(count, count))
    places = np.linspace(1.0, count - 2.0, SIZE)
    rows, cols = np.meshgrid(places, places, indexing="ij")
    fine = ndimage.map_coordinates(coarse, [rows, cols], order=3, mode="nearest")
    return (fine - fine.mean()) / fine.std()


def ramp(value: Floats, start: float, end: float) -> Floats:
    """Rise smoothly from 0 at ``start`` to 1 at ``end``."""
    t = np.clip((value - start) / (end - start), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def burn(shapes: Iterable[tuple[BaseGeometry, int]], touched: bool = False) -> NDArray[np.int16]:
    """Draw shapes into a grid; later shapes cover earlier ones; 0 elsewhere."""
    kept = [(shape, value) for shape, value in shapes if not shape.is_empty]
    return rasterize(kept, out_shape=(SIZE, SIZE), transform=TRANSFORM, all_touched=touched, dtype="int16")


def mask(shapes: Iterable[BaseGeometry], touched: bool = False) -> Bools:
    """Cells under any of the shapes."""
    return burn([(shape, 1) for shape in shapes], touched) == 1


def sample(grid: Floats, xy: Floats) -> Floats:
    """Values of a grid at map coordinates; the nearest cell inside its edge."""
    cols = np.clip((xy[:, 0] + HALF_RASTER) / CELL, 0, SIZE - 1).astype(int)
    rows = np.clip((HALF_RASTER - xy[:, 1]) / CELL, 0, SIZE - 1).astype(int)
    return grid[rows, cols]


def resample(line: Floats, spacing: float) -> Floats:
    """Put vertices at even spacing along a line."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    ticks = np.linspace(0.0, along[-1], int(along[-1] / spacing) + 1)
    return np.column_stack([np.interp(ticks, along, line[:, k]) for k in (0, 1)])


def curve(points: Sequence[Sequence[float]] | Floats, spacing: float = 20.0) -> Floats:
    """Lay a smooth curve through points."""
    knots = np.asarray(points, dtype=float)
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(knots, axis=0).T))]
    ticks = np.linspace(0.0, along[-1], max(2, int(along[-1] / spacing)))
    return np.asarray(CubicSpline(along, knots)(ticks))


def parts(shape: BaseGeometry) -> list[BaseGeometry]:
    """The single pieces of a shape."""
    return [piece for piece in shapely.get_parts(shape).tolist() if not piece.is_empty]


def first_piece(line: LineString, barrier: BaseGeometry) -> LineString | None:
    """The stretch of a line from its start to the first barrier, if it is worth keeping."""
    start = Point(line.coords[0])
    for piece in parts(line.difference(barrier)):
        if piece.distance(start) < 1.0 and piece.length > 60.0:
            return piece
    return None


# ---------------------------------------------------------------- the river

RIVER_WIDTH = 50.0
NODE = 30.0  # metres between vertices of the moving river
MIGRATION = 240.0  # square metres per step: how fast bends move
MEMORY = 0.0088  # per metre: how quickly the pull of a bend fades downstream
STEPS = 1100
KEEP_EVERY = 4


@dataclass(frozen=True)
class River:
    """The river today and what it left behind, in map coordinates."""

    centre: LineString
    surface: BaseGeometry
    history: list[LineString]  # earlier courses, oldest first
    oxbows: list[tuple[int, LineString]]  # cut-off bends with the step they were cut


def softness(uv: Floats, waves: Floats) -> Floats:
    """How easily the bank gives way at each place: old clay holds, sand does not."""
    phase = uv @ waves[:, :2].T + waves[:, 2]
    return np.exp(0.3 * np.sin(phase).sum(axis=1))


def migrate(line: Floats, waves: Floats) -> Floats:
    """Move every bend outward and downstream by one step."""
    slope = np.gradient(line, axis=0)
    turn = np.gradient(slope, axis=0)
    speed = np.hypot(slope[:, 0], slope[:, 1])
    curvature = (slope[:, 0] * turn[:, 1] - slope[:, 1] * turn[:, 0]) / speed**3
    local = MIGRATION * np.clip(curvature, -1 / 60.0, 1 / 60.0)
    fade = np.exp(-MEMORY * NODE)
    upstream = lfilter([1.0 - fade], [1.0, -fade], local)
    rate = 2.5 * upstream - local
    rate *= ramp(np.abs(line[:, 0]), 8400.0, 7700.0) * softness(line, waves)
    side = np.where(line[:, 1] < 0, WEST, EAST)
    room = np.where(side == WEST, half_width(line[:, 0], WEST), half_width(line[:, 0], EAST))
    step = np.column_stack([slope[:, 1], -slope[:, 0]]) * (rate / speed)[:, None]
    outward = step[:, 1] * side > 0
    step[:, 1] *= np.where(outward, ramp(np.abs(line[:, 1]) - room, -120.0, -420.0), 1.0)
    return line + step


def cut_neck(line: Floats) -> tuple[Floats, Floats | None]:
    """Cut the longest bend whose neck has closed; give the new line and the bend."""
    pairs = cKDTree(line).query_pairs(1.15 * RIVER_WIDTH, output_type="ndarray")
    gaps = pairs[:, 1] - pairs[:, 0]
    if gaps.max() < 10:
        return line, None
    start, end = pairs[int(np.lexsort((pairs[:, 0], -gaps))[0])]
    return np.vstack([line[: start + 1], line[end:]]), line[start : end + 1]


def river_surface(centre: Floats) -> BaseGeometry:
    """The water surface: 40 to 60 m wide, widest in bends and never quite the same."""
    pieces = []
    direction = np.unwrap(np.arctan2(*np.diff(centre, axis=0).T[::-1]))
    turning = np.abs(np.gradient(ndimage.gaussian_filter1d(direction, 3.0)))
    for k in range(len(centre) - 1):
        half = 21.0 + min(6.0, 26.0 * turning[k]) + 2.5 * np.sin(k / 9.0) * np.sin(k / 23.0)
        pieces.append(LineString(centre[k : k + 2]).buffer(half, quad_segs=6))
    return shapely.union_all(pieces).simplify(1.0).intersection(FRAME)


def make_river(rng: Rng) -> River:
    """Let the river wander and remember where it has been."""
    u = np.arange(-8400.0, 8401.0, NODE)
    wiggle = ndimage.gaussian_filter1d(rng.normal(size=u.size), 6.0)
    line = np.column_stack([u, 35.0 * wiggle / wiggle.std()])
    waves = np.column_stack([rng.normal(0.0, 1 / 420.0, (5, 2)), rng.uniform(0.0, 2 * np.pi, 5)])
    history: list[LineString] = []
    oxbows: list[tuple[int, LineString]] = []
    for step in range(STEPS):
        line = resample(migrate(line, waves), NODE)
        if step % 4 == 0:
            line, bend_line = cut_neck(line)
            if bend_line is not None:
                oxbows.append((step, LineString(to_world(bend_line))))
        if step % KEEP_EVERY == 0:
            history.append(LineString(to_world(line)))
    centre = to_world(curve(line[::2], 15.0))
    surface = river_surface(centre)
    clipped = LineString(centre).intersection(FRAME)
    longest = max(parts(clipped), key=lambda piece: piece.length)
    return River(longest, surface, history, oxbows)


# ---------------------------------------------------------------- creeks and standing water


@dataclass(frozen=True)
class Water:
    """All water: lines with name and kind, surfaces with name and kind."""

    creeks: list[tuple[str, LineString]]  # drawn from head to mouth
    ditches: list[tuple[str, LineString]]
    bodies: list[tuple[str, str, BaseGeometry]]

    def surfaces(self) -> list[BaseGeometry]:
        """The shapes of all water surfaces."""
        return [shape for _, _, shape in self.bodies]


# Name, side, then corners (u, v) from the head down to the bottoms.
CREEKS: list[tuple[str, list[tuple[float, float]]]] = [
    ("Tamber Creek", [(-4700, -5600), (-4100, -4300), (-3900, -3000), (-3300, -1900), (-2800, -900)]),
    ("Osk Branch", [(-2300, -5200), (-3000, -4300), (-3700, -3400), (-3850, -2850)]),
    ("Brindle Creek", [(-700, -6200), (-100, -4600), (700, -3200), (900, -2000), (1500, -950)]),
    ("Lornet Branch", [(1900, -4900), (1300, -4000), (800, -3400), (640, -3050)]),
    ("Cressel Creek", [(3300, -5300), (3500, -4000), (3900, -2800), (3900, -1700), (4500, -800)]),
    ("Hollin Creek", [(-5300, 3600), (-4600, 2700), (-4200, 1900), (-3600, 900)]),
    ("Morrowin Creek", [(-3000, 6000), (-2200, 4700), (-1700, 3300), (-1300, 2000), (-500, 850)]),
    ("Nettle Branch", [(-300, 5000), (-700, 4200), (-1400, 3500), (-1620, 2950)]),
    ("Eskel Creek", [(1500, 6100), (2000, 4700), (1900, 3200), (2500, 1900), (3200, 800)]),
    ("Fallow Branch", [(3900, 4500), (3200, 3900), (2300, 3300), (1980, 2900)]),
    ("Dunnel Creek", [(4900, 3800), (5300, 2700), (5400, 1700), (6000, 800)]),
]  # fmt: skip


def make_creeks(rng: Rng, river: River) -> list[tuple[str, LineString]]:
    """Creeks from the uplands to the river; branches end in the creek before them."""
    creeks: list[tuple[str, LineString]] = []
    for name, corners in CREEKS:
        path = curve(corners, 30.0)
        sway = ndimage.gaussian_filter1d(rng.normal(size=(len(path), 2)), 2.6, axis=0)
        ends = np.minimum(np.arange(len(path)), np.arange(len(path))[::-1])
        taper = np.minimum(1.0, ends / 8.0)[:, None]
        line = to_world(path + 52.0 * sway / sway.std() * taper)
        target = creeks[-1][1] if name.endswith("Branch") else river.centre
        end = Point(line[-1])
        mouth = target.interpolate(target.project(end))
        gap = end.distance(mouth)
        if gap > 60.0:
            bridge = resample(np.array([line[-1], mouth.coords[0]]), 40.0)[1:-1]
            bulge = 0.16 * gap * np.sin(np.linspace(0, 2 * np.pi, len(bridge) + 2)[1:-1])
            normal = (bridge[-1] - bridge[0])[::-1] * [1, -1] / max(gap, 1.0) if len(bridge) else 0
            line = np.vstack([line, bridge + bulge[:, None] * normal])
        line = curve(np.vstack([line, mouth.coords[0]]), 15.0)
        crossed = LineString(line)
        if not name.endswith("Branch"):  # stop where the creek first meets the river
            crossed = first_piece(crossed, river.surface.buffer(-8.0)) or crossed
        creeks.append((name, crossed.simplify(1.0)))
    return creeks


def make_ditches(rng: Rng, river: River) -> list[tuple[str, LineString]]:
    """Straight ditches from the terrace fields down to the edge of the bottoms."""
    ditches = []
    spots = [(-5200, WEST), (-1500, WEST), (-650, WEST), (2550, WEST), (3050, WEST), (5600, WEST),
             (-5600, EAST), (-2750, EAST), (450, EAST), (1150, EAST), (4150, EAST)]  # fmt: skip
    for number, (u, side) in enumerate(spots, start=1):
        edge = float(half_width(np.array([float(u)]), side)[0])
        far = edge + rng.uniform(900.0, 1500.0)
        knee = u + rng.uniform(-260.0, 260.0)
        corners = [(knee, side * far), (u, side * far), (u, side * (edge - 260.0))]
        line = first_piece(valley_line(corners), river.surface.buffer(20.0))
        if line is not None:
            ditches.append((f"Ditch {number}", line))
    return ditches


def blob(rng: Rng, centre: Floats, radius: float) -> Polygon:
    """A rounded shape like a dug pond."""
    angle = np.linspace(0.0, 2 * np.pi, 28, endpoint=False)
    shift = rng.uniform(0, 6.28, 2)
    reach = radius * (1 + 0.22 * np.sin(angle + shift[0]) + 0.14 * np.sin(2 * angle + shift[1]))
    ring = np.column_stack([reach * np.cos(angle), 0.75 * reach * np.sin(angle)])
    return Polygon(ring + centre)


def old_channels(river: River) -> list[tuple[str, str, BaseGeometry]]:
    """Oxbow lakes from late cut-offs, narrow sloughs from earlier courses."""
    bodies: list[tuple[str, str, BaseGeometry]] = []
    taken = river.surface.buffer(45.0)
    late = [line for step, line in river.oxbows if step > STEPS - 330]
    for line in reversed(late):
        wet = shapely.line_locate_point(line, Point(line.coords[0]))
        trimmed = substring(line, wet + 25.0, line.length - 40.0)
        shape = trimmed.buffer(19.0).difference(taken)
        for piece in parts(shape):
            if piece.area > 14000.0:
                bodies.append(("", "oxbow lake", piece))
                taken = taken.union(piece.buffer(90.0))
    for back in (48, 85, 125, 165):
        course = river.history[-back].simplify(4.0)
        pieces = parts(course.intersection(FRAME).difference(taken))
        for piece in sorted(pieces, key=lambda line: -line.length)[:4]:
            if piece.length > 420.0 and not taken.contains(piece):
                middle = substring(piece, 60.0, min(0.8 * piece.length, 1100.0))
                shape = middle.buffer(8.0)
                bodies.append(("", "slough", shape))
                taken = taken.union(shape.buffer(150.0))
    return bodies


LAKE_NAMES = ["Crescent Lake", "Heron Lake", "Sickle Lake", "Long Lake", "Mussel Lake",
              "Horseshoe Slough", "Button Lake", "Teal Lake", "Moss Lake", "Gar Lake"]  # fmt: skip
SLOUGH_NAMES = ["Black Slough", "Otter Slough", "Willow Slough", "Snag Slough", "Cane Slough",
                "Turtle Slough", "Frog Slough", "Tupelo Slough", "Bent Slough"]  # fmt: skip


def make_water(rng: Rng, river: River, roads: BaseGeometry, town: Point) -> Water:
    """Put all water together; farm ponds are scattered over the uplands."""
    bodies: list[tuple[str, str, BaseGeometry]] = [("Tamber River", "river", river.surface)]
    names = {"oxbow lake": iter(LAKE_NAMES), "slough": iter(SLOUGH_NAMES)}
    for _, kind, shape in old_channels(river):
        bodies.append((next(names[kind], ""), kind, shape.intersection(FRAME).simplify(1.5)))
    creeks = make_creeks(rng, river)
    lines = shapely.union_all([roads, *[line for _, line in creeks]])
    spots: list[Point] = []
    while len(spots) < 22:
        xy = rng.uniform(-4900.0, 4900.0, 2)
        u, v = to_valley(xy[None])[0]
        dry = abs(v) > float(half_width(np.array([u]), WEST if v < 0 else EAST)[0]) + 450.0
        spot = Point(xy)
        if (
            dry
            and spot.distance(town) > 900.0
            and lines.distance(spot) > 110.0
            and all(spot.distance(o) > 600 for o in spots)
        ):
            spots.append(spot)
            bodies.append(("", "pond", blob(rng, xy, rng.uniform(24.0, 58.0))))
    return Water(creeks, make_ditches(rng, river), bodies)


# ---------------------------------------------------------------- the ground


@dataclass(frozen=True)
class Ground:
    """Grids that describe the ground, one value per cell."""

    height: Floats  # metres above sea level
    above: Floats  # metres above the river at the same place in the valley
    beyond: Floats  # metres outside the floodplain's edge, negative inside it
    age: NDArray[np.int16]  # which earlier course of the river last crossed the cell; 0 none
    river_distance: Floats
    creek_distance: Floats
    creek_above: Floats  # metres above the nearest creek


def creek_levels(line: LineString, ground: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Points along a creek and its water level there, always falling."""
    points = shapely.get_coordinates(line.segmentize(8.0))
    points = points[np.all(np.abs(points) < HALF_RASTER, axis=1)]
    bed = sample(ground, points)
    river = sample(level, points)
    cut = 1.2 + 0.22 * np.clip(bed - river - 3.0, 0.0, 20.0)
    return points, np.minimum.accumulate(np.maximum(bed - cut, river + 0.3))


def carve_creeks(water: Water, ground: Floats, level: Floats) -> tuple[Floats, Floats, Floats]:
    """Cut the creeks' valleys; give the ground, distance to and height above a creek."""
    creek_z = np.full(ground.shape, np.inf)
    for _, line in water.creeks:
        points, z = creek_levels(line, ground, level)
        cols = ((points[:, 0] + HALF_RASTER) / CELL).astype(int)
        rows = ((HALF_RASTER - points[:, 1]) / CELL).astype(int)
        np.minimum.at(creek_z, (rows, cols), z)
    distance, nearest = ndimage.distance_transform_edt(np.isinf(creek_z), return_indices=True)
    distance = distance * CELL
    creek = ndimage.gaussian_filter(creek_z[tuple(nearest)], 2.0)
    side = creek + 0.5 + 0.045 * np.maximum(0.0, distance - 45.0) ** 1.03
    carved = np.minimum(ground, side)
    return carved, distance, carved - creek


def river_age(river: River) -> NDArray[np.int16]:
    """Number each cell by the last earlier course that crossed it."""
    courses = enumerate(river.history, start=1)
    return burn((line.buffer(RIVER_WIDTH / 2 + 6.0, quad_segs=3), k) for k, line in courses)


def make_ground(rng: Rng, river: River, water: Water) -> Ground:
    """Shape the ground: river, bottoms, terraces and uplands."""
    x, y = cell_centres()
    uv = to_valley(np.column_stack([x.ravel(), y.ravel()]))
    u, v = uv[:, 0].reshape(x.shape), uv[:, 1].reshape(x.shape)
    width = np.where(v < 0, half_width(u, WEST), half_width(u, EAST))
    beyond = np.abs(v) - width + 45.0 * smooth_noise(rng, 420.0) + 16.0 * smooth_noise(rng, 130.0)
    level = 21.0 - 0.00042 * u
    age = river_age(river)
    wet = mask([river.surface])
    river_distance = ndimage.distance_transform_edt(~wet) * CELL

    ridges = np.where(age > 0, 0.55 * np.sin(age * 2 * np.pi / 17.0), 0.25 * smooth_noise(rng, 240.0))
    bottoms = 2.3 + ndimage.gaussian_filter(ridges, 1.0) + 0.35 * smooth_noise(rng, 900.0)
    bottoms += 1.0 * np.exp(-river_distance / 70.0)
    terrace = 5.6 * ramp(beyond, 0.0, 130.0) + 0.0011 * np.maximum(beyond, 0.0)
    rise = ramp(beyond + 220.0 * smooth_noise(rng, 1500.0), 950.0, 2500.0)
    hills = 16.5 + 9.0 * np.tanh(0.6 * smooth_noise(rng, 1700.0)) + 2.5 * smooth_noise(rng, 620.0)
    streams = mask([line for _, line in water.creeks], touched=True)
    near = ndimage.distance_transform_edt(~streams) * CELL
    hills = np.maximum(hills, 5.0) * (0.3 + 0.7 * ramp(near + 60.0 * smooth_noise(rng, 500.0), 0.0, 900.0))
    roll = 0.3 * smooth_noise(rng, 330.0) * ramp(beyond, 60.0, 400.0)
    base = level + bottoms + terrace + rise * hills + roll

    carved, creek_distance, creek_above = carve_creeks(water, base, level)
    for _, kind, shape in water.bodies:
        inside = mask([shape])
        if kind == "river":
            carved[inside] = level[inside]
        elif inside.any():
            carved[inside] = carved[inside].min() - 0.3
    age[wet] = 0
    return Ground(carved, carved - level, beyond, age, river_distance, creek_distance, creek_above)


# ---------------------------------------------------------------- roads


@dataclass(frozen=True)
class Road:
    """One road."""

    name: str
    mtfcc: str
    line: LineString


def edge_road(side: int, gap: float) -> Floats:
    """Corners of the road that follows the dry edge of the bottoms."""
    u = np.arange(-8000.0, 8001.0, 640.0)
    return np.column_stack([u, side * (half_width(u, side) + gap + 50.0 * np.sin(u / 610.0))])


def on_road(corners: Floats, u: float) -> float:
    """Across-valley position of a lengthwise road at one place along the valley."""
    return float(np.interp(u, corners[:, 0], corners[:, 1]))


def best_bridge(river: River, target: float) -> float:
    """Place near ``target`` where a straight road crosses the river once and squarely."""
    best, best_cost = target, np.inf
    for u in np.arange(target - 700.0, target + 701.0, 25.0):
        line = valley_line([(u, -1500.0), (u, 1500.0)])
        wet = line.intersection(river.surface).length
        cost = wet + 0.02 * abs(u - target)
        if wet > 0 and cost < best_cost:
            best, best_cost = float(u), cost
    return best


def cross_road(rng: Rng, start: tuple[float, float], side: int, length: float) -> LineString:
    """A nearly straight road across the valley with a kink every mile or so."""
    corners = [start]
    steps = max(1, round(length / 1300.0))
    for k in range(1, steps + 1):
        corners.append((start[0] + rng.normal(0.0, 55.0), start[1] + side * length * k / steps))
    return valley_line(corners)


def main_roads(rng: Rng, river: River) -> list[Road]:
    """The highway, the secondary roads and the county roads."""
    west, east = edge_road(WEST, 330.0), edge_road(EAST, 300.0)
    highway = LineString(curve([(900, 5900), (2350, 4250), (3700, 3150), (5900, 2250)], 60.0))
    north, south = best_bridge(river, -1500.0), best_bridge(river, 3300.0)
    roads = [
        Road("Highway 7", "S1100", highway),
        Road("State Road 18", "S1200", valley_line(west)),
        Road("County Road 4", "S1400", valley_line(east)),
        Road("State Road 52", "S1200", cross_road(rng, (north, on_road(west, north)), WEST, 5600.0)),
        Road("State Road 52", "S1200", valley_line([(north, on_road(west, north)), (north, on_road(east, north))])),
        Road("State Road 52", "S1200", cross_road(rng, (north, on_road(east, north)), EAST, 5600.0)),
        Road("County Road 9", "S1400", valley_line([(south, on_road(west, south)), (south, on_road(east, south))])),
    ]  # fmt: skip
    spots = [
        ("County Road 11", -4600.0, WEST),
        ("County Road 12", 1050.0, WEST),
        ("County Road 9", south, WEST),
        ("County Road 15", -4300.0, EAST),
        ("County Road 16", 950.0, EAST),
        ("County Road 9", south, EAST),
    ]
    for name, u, side in spots:
        v = on_road(west if side == WEST else east, u)
        roads.append(Road(name, "S1400", cross_road(rng, (u, v), side, 5200.0)))
    for name, side, v, u0, u1 in [
        ("Cedar Ridge Road", WEST, 3350.0, -4600.0, 1050.0), ("Old Mill Road", WEST, 3000.0, 1050.0, south),
        ("Plum Hill Road", EAST, 3250.0, -4300.0, 950.0), ("Sandrock Road", EAST, 3500.0, 950.0, south)]:  # fmt: skip
        ticks = np.linspace(u0, u1, 7)
        sway = np.r_[0.0, rng.normal(0.0, 90.0, 5), 0.0]
        roads.append(Road(name, "S1400", valley_line(np.column_stack([ticks, side * (v + sway)]))))
    return roads


def ramps(roads: Sequence[Road]) -> list[Road]:
    """Four ramps where the highway meets State Road 52 or the nearest county road."""
    highway = roads[0].line
    for road in roads[1:]:
        meeting = highway.intersection(road.line)
        if meeting.is_empty:
            continue
        place = parts(meeting)[0]
        found = []
        at, on = highway.project(place), road.line.project(place)
        for a in (-430.0, 430.0):
            for b in (-230.0, 230.0):
                start = highway.interpolate(at + a)
                end = road.line.interpolate(on + b)
                if end.distance(place) < 150.0 or start.distance(place) < 300.0:
                    continue
                middle = np.array(place.coords[0]) * 0.45 + 0.275 * (
                    np.array(start.coords[0]) + np.array(end.coords[0])
                )
                path = curve([start.coords[0], middle, end.coords[0]], 25.0)
                found.append(Road("Ramp", "S1630", LineString(path)))
        return found
    return []


def bridge_road(roads: Sequence[Road]) -> LineString:
    """The stretch of State Road 52 that crosses the bottoms, from west to east."""
    return [road.line for road in roads if road.name == "State Road 52"][1]


def hamlet_place(roads: Sequence[Road]) -> Point:
    """The hamlet stands where the first bridge road meets State Road 18."""
    return Point(bridge_road(roads).coords[0])


def hamlet_streets(roads: Sequence[Road]) -> list[Road]:
    """A few short streets around the crossing."""
    u, v = to_valley(np.array(hamlet_place(roads).coords))[0]
    streets = [("Church Street", [(u + 130, v - 300), (u + 130, v + 150)]),
               ("Store Street", [(u - 130, v - 300), (u - 130, v + 120)]),
               ("School Street", [(u - 230, v - 150), (u + 260, v - 150)]),
               ("Back Street", [(u - 130, v - 300), (u + 130, v - 300)])]  # fmt: skip
    return [Road(name, "S1400", valley_line(corners)) for name, corners in streets]


LANES = ["Heron", "Cane", "Willow", "Gar", "Levee", "Pump", "Gin", "Barn", "Quail", "Pecan", "Deer",
         "Mule", "Hickory", "Persimmon", "Turkey", "Sweetgum", "Crawdad", "Sawmill", "Cypress",
         "Bee Tree", "Owl", "Dogwood", "Fox", "Briar", "Locust", "Sumac", "Post Oak", "Hay"]  # fmt: skip


def farm_lanes(rng: Rng, water: Water) -> list[Road]:
    """Dead-end private lanes from the edge roads towards the bottoms, stopped by water."""
    barrier = shapely.union_all(water.surfaces() + [line for _, line in water.creeks]).buffer(25.0)
    names = iter(LANES)
    lanes = []
    spots = [(u, WEST) for u in np.linspace(-5600.0, 5900.0, 14)]
    spots += [(u, EAST) for u in np.linspace(-6000.0, 5600.0, 14)]
    for u, side in spots:
        u = float(u) + rng.uniform(-230.0, 230.0)
        corners = edge_road(side, 330.0 if side == WEST else 300.0)
        v = on_road(corners, u)
        depth = rng.choice([450.0, 700.0, 1000.0, 1350.0], p=[0.25, 0.3, 0.3, 0.15])
        knee = depth * rng.uniform(0.45, 0.7)
        jog = rng.choice([-1.0, 1.0]) * rng.uniform(60.0, 320.0)
        path = [(u, v), (u, v - side * knee), (u + jog, v - side * (knee + 40.0)),
                (u + jog * 1.1, v - side * depth)]  # fmt: skip
        line = first_piece(valley_line(path), barrier)
        if line is not None and line.intersects(FRAME):
            lanes.append(Road(f"{next(names)} Lane", "S1740", line))
    return lanes


def upland_lanes(rng: Rng, roads: Sequence[Road], water: Water) -> list[Road]:
    """Logging roads and drives that leave the upland roads and end in the woods."""
    barrier = shapely.union_all(water.surfaces()).buffer(15.0)
    taken = shapely.union_all([road.line for road in roads])
    lanes: list[Road] = []
    hosts = [r for r in roads if r.mtfcc in ("S1200", "S1400") and r.line.length > 2500.0]
    for number in range(60):
        host = hosts[number % len(hosts)].line
        start = host.interpolate(rng.uniform(0.05, 0.95), normalized=True)
        v = to_valley(np.array(start.coords))[0, 1]
        if abs(v) < 1900.0 or not OUTLINE.buffer(-150.0).contains(start) or len(lanes) == 20:
            continue
        angle = rng.uniform(0, 2 * np.pi)
        heading = np.array([np.cos(angle), np.sin(angle)])
        length = rng.uniform(350.0, 950.0)
        bow = heading[::-1] * [1, -1] * rng.normal(0.0, 0.14) * length
        steps = np.array([[0.0], [0.5], [1.0]]) * heading * length + np.array([[0.0], [1.0], [0.2]]) * bow
        line = first_piece(LineString(curve(np.array(start.coords) + steps, 30.0)), barrier)
        clear = line is not None and taken.distance(Point(line.coords[-1])) > 180.0
        if line is not None and clear and not taken.intersects(substring(line, 15.0, 2000.0)):
            lanes.append(Road(f"Timber Road {len(lanes) + 1}", "S1740", line))
            taken = taken.union(line)
    return lanes


def trails(rng: Rng, lanes: Sequence[Road], water: Water) -> list[Road]:
    """Winding four-wheel-drive trails that go on from the ends of some lanes."""
    barrier = shapely.union_all(water.surfaces()).buffer(12.0)
    found: list[Road] = []
    for lane in lanes[::2]:
        tip = np.array(lane.line.coords[-1])
        heading = tip - np.array(lane.line.coords[-2])
        angle = float(np.arctan2(heading[1], heading[0])) + rng.normal(0.0, 0.5)
        walk = [tip]
        for _ in range(int(rng.integers(8, 16))):
            angle += rng.normal(0.0, 0.45)
            walk.append(walk[-1] + 70.0 * np.array([np.cos(angle), np.sin(angle)]))
        line = first_piece(LineString(curve(np.array(walk), 20.0)), barrier)
        if line is not None and line.length > 150.0:
            found.append(Road("", "S1500", line))
    return found


def landing(roads: Sequence[Road], river: River) -> tuple[Road, Polygon]:
    """The parking at the picnic ground by the first bridge, and the ground itself."""
    bridge = bridge_road(roads)
    water = parts(bridge.intersection(river.surface))[0]
    at = bridge.project(Point(water.coords[0])) - 150.0
    start = bridge.interpolate(at)
    u, v = to_valley(np.array(start.coords))[0]
    corners = [(u + 35, v - 60), (u + 35, v + 70), (u + 175, v + 60), (u + 160, v - 50), (u + 35, v - 60)]
    ground = Polygon(valley_line(corners).coords)
    ground = ground.difference(river.surface.buffer(12.0))
    ground = max(parts(ground), key=lambda piece: piece.area)
    return Road("Picnic Ground Parking", "S1780", valley_line([(u, v), (u + 80, v)])), ground


def make_roads(rng: Rng, river: River, water: Water, roads: list[Road]) -> list[Road]:
    """Add the small roads to the main ones and cut all to the raster's frame."""
    lanes = farm_lanes(rng, water)
    every = [*roads, *ramps(roads), *hamlet_streets(roads), *lanes, *upland_lanes(rng, roads, water)]
    every += trails(rng, lanes, water)
    every.append(landing(roads, river)[0])
    inside = []
    for road in every:
        for piece in parts(road.line.simplify(0.8).intersection(FRAME)):
            inside.append(Road(road.name, road.mtfcc, piece))
    return inside


# ---------------------------------------------------------------- properties and fields


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


# ---------------------------------------------------------------- land cover

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


# ---------------------------------------------------------------- houses, no-trap places, sightings


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


# ---------------------------------------------------------------- writing


def write_layer(frame: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Write one layer, coordinates rounded to a decimetre, always the same bytes."""
    rounded = frame.set_geometry(shapely.set_precision(frame.geometry.array, 0.1), crs=CRS)
    pyogrio.write_dataframe(rounded, path, layer=layer, driver="GPKG", VERSION="1.3")


def write_raster(path: Path, grid: NDArray[np.generic], cell: float, nodata: float, predictor: int) -> None:
    """Write one grid as a tiled, deflated GeoTIFF."""
    profile = {
        "driver": "GTiff", "width": grid.shape[1], "height": grid.shape[0], "count": 1,
        "dtype": grid.dtype.name, "crs": CRS, "nodata": nodata, "tiled": True,
        "blockxsize": 256, "blockysize": 256, "compress": "deflate", "zlevel": 9,
        "predictor": predictor, "transform": Affine(cell, 0.0, -HALF_RASTER, 0.0, -cell, HALF_RASTER),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as target:
        target.write(grid, 1)


def write_water(folder: Path, river: River, water: Water) -> None:
    """Write the two water layers."""
    lines = [("Tamber River", "river", river.centre.simplify(1.0))]
    lines += [(name, "creek", line.intersection(FRAME)) for name, line in water.creeks]
    lines += [(name, "ditch", line.intersection(FRAME)) for name, line in water.ditches]
    lines = [row for row in lines if not row[2].is_empty]
    for layer, rows in (("streams", lines), ("water_bodies", water.bodies)):
        rows = [row for row in rows if not row[2].is_empty]
        names, kinds, shapes = zip(*rows, strict=True)
        frame = gpd.GeoDataFrame({"name": names, "kind": kinds}, geometry=list(shapes), crs=CRS)
        write_layer(frame, folder / "water.gpkg", layer)


def write_elevation(folder: Path, height: Floats) -> None:
    """Write the elevation in 20 m cells, each the mean of four."""
    half = SIZE // 2
    coarse = height.reshape(half, 2, half, 2).mean(axis=(1, 3))
    rounded = np.round(coarse, 1).astype(np.float32)
    write_raster(folder / "elevation.tif", rounded, 2 * CELL, -9999.0, 3)


def main() -> None:
    """Make the district and write all files."""
    folder = Path(__file__).resolve().parent / "inputs"
    folder.mkdir(exist_ok=True)
    for old in [*folder.glob("*.gpkg"), *folder.glob("*.tif")]:
        old.unlink()
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"})
    rng = np.random.default_rng(SEED)

    river = make_river(rng)
    main_lines = main_roads(rng, river)
    town, picnic = hamlet_place(main_lines), landing(main_lines, river)[1]
    water = make_water(rng, river, shapely.union_all([r.line for r in main_lines]), town)
    ground = make_ground(rng, river, water)
    roads = make_roads(rng, river, water, main_lines)
    lots = make_lots(rng, river, water, roads)
    cover = make_cover(rng, ground, water, roads, lots, town)
    no_traps = make_no_traps(picnic, town)

    write_raster(folder / "cover.tif", cover, CELL, 255, 1)
    write_elevation(folder, ground.height)
    write_water(folder, river, water)
    columns = {"name": [r.name for r in roads], "mtfcc": [r.mtfcc for r in roads]}
    road_frame = gpd.GeoDataFrame(columns, geometry=[r.line for r in roads], crs=CRS)
    write_layer(road_frame, folder / "roads.gpkg", "roads")
    write_layer(make_tracts(rng, lots, roads), folder / "tracts.gpkg", "tracts")
    busy = no_traps.geometry.union_all()
    write_layer(make_houses(rng, roads, ground, town, busy), folder / "houses.gpkg", "houses")
    write_layer(no_traps, folder / "no_traps.gpkg", "no_traps")
    write_layer(make_sightings(rng, cover), folder / "sightings.gpkg", "sightings")


if __name__ == "__main__":
    main()
