"""Creeks, ditches, old channels of the river and farm ponds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from district.drawing import curve, first_piece, parts, resample
from district.place import EAST, FRAME, WEST, Floats, Rng, half_width, to_valley, to_world, valley_line
from district.river import STEPS, River


@dataclass(frozen=True)
class Water:
    """All water: lines with name and kind, surfaces with name and kind."""

    creeks: list[tuple[str, LineString]]  # drawn from head to mouth
    ditches: list[tuple[str, LineString]]
    bodies: list[tuple[str, str, BaseGeometry]]

    def surfaces(self) -> list[BaseGeometry]:
        """The shapes of all water surfaces."""
        return [shape for _, _, shape in self.bodies]


# Name, then corners (u, v) from the head down to the bottoms.
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
