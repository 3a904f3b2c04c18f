"""Roads, the hamlet's streets, farm lanes, trails and the picnic ground by the bridge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import substring

from district.drawing import curve, first_piece, parts
from district.place import EAST, FRAME, OUTLINE, WEST, Floats, Rng, half_width, to_valley, valley_line
from district.river import River
from district.water import Water


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
