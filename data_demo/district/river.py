"""The river: it wanders across its floodplain and leaves cut-off bends behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage
from scipy.signal import lfilter
from scipy.spatial import cKDTree
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from district.drawing import curve, parts, ramp, resample
from district.place import EAST, FRAME, WEST, Floats, Rng, half_width, to_world

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
