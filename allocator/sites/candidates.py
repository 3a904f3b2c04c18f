"""Candidates: spots whose distances to roads, property lines and buildings were measured and hold."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Shapes, Study
from allocator.sites.roads import NearestRoad, nearest_truck_road
from allocator.sites.spots import CELL_STEPS, Spots, TileSpots, best_per_square, quality

STEPS = (*CELL_STEPS, "inside the property line", "clear of buildings", "outside exclusions")
"""All steps of the screening, in order."""


@dataclass(frozen=True)
class Candidates:
    """Places where a trap may stand.

    Parameters
    ----------
    spots : Spots
        Cell and terms of each.
    x_m, y_m : array of float64
        Where, in the study's coordinate system.
    road : NearestRoad
        The nearest truck road of each.
    boundary_m, building_m : array of float64
        Distance to the property's own line and to the nearest building; NaN without buildings.
    quality : array of float64
        0 to 1.
    passed : array of int64, shape (len(STEPS), properties)
        What was left of each property after each step: cells, then spots.
    """

    spots: Spots
    x_m: Floats
    y_m: Floats
    road: NearestRoad
    boundary_m: Floats
    building_m: Floats
    quality: Floats
    passed: Ints


def measure_candidates(found: TileSpots, study: Study) -> Candidates:
    """Candidates from spots: exact distances, hard limits, then the best of each square.

    Parameters
    ----------
    found : TileSpots
        Spots of the whole study.
    study : Study
        Roads, properties, buildings, exclusions, settings.

    Returns
    -------
    Candidates
        Sorted from north to south, then west to east; none where the study has no truck road.
    """
    sites, spots, number = study.settings.sites, found.spots, len(study.properties.ids)
    points = _points(spots, study)
    boundary_m: Floats = np.empty(0)
    building_m: Floats = np.empty(0)
    if len(points):
        assert study.roads is not None
        road = nearest_truck_road(points, study.roads)
        boundary_m = _inside_by(points, spots.owner, study.properties.shapes)
        building_m = _nearest(points, study.buildings)
        by_road = (road.distance_m >= sites.road_distance_m[0]) & (road.distance_m <= sites.road_distance_m[1])
        by_line = by_road & (boundary_m >= sites.boundary_setback_m)
        by_building = by_line & ~(building_m < sites.building_setback_m)
        allowed = by_building & ~_is_in(points, study.exclusions)
        after = [np.bincount(spots.owner[step], minlength=number) for step in (by_line, by_building, allowed)]
        at = np.flatnonzero(allowed)
    else:
        road = NearestRoad(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0))
        after, at = [np.zeros(number, np.int64)] * 3, np.empty(0, np.int64)
    good = quality(
        sites, water_m=spots.water_m, slope=spots.slope, shade=spots.shade, score=spots.score, road_m=road.distance_m
    )
    at = at[best_per_square(spots.take(at), good[at], study.grid, side_m=sites.candidate_spacing_m, most=1)]
    kept = spots.take(at)
    x_m, y_m = study.grid.centres(kept.row, kept.column)
    near = NearestRoad(road.road[at], road.distance_m[at], road.x_m[at], road.y_m[at])
    passed = np.concatenate([found.passed, after])
    return Candidates(kept, x_m, y_m, near, boundary_m[at], building_m[at], good[at], passed)


def _points(spots: Spots, study: Study) -> Shapes:
    return np.asarray(shapely.points(*study.grid.centres(spots.row, spots.column)))


def _inside_by(points: Shapes, owner: Ints, shapes: Shapes) -> Floats:
    """Distance to the property's own line; negative outside the property."""
    out = np.empty(len(points))
    order = np.argsort(owner, kind="stable")
    edges = np.flatnonzero(np.r_[True, owner[order][1:] != owner[order][:-1], True])
    for first, last in pairwise(edges):
        its = order[first:last]
        shape = shapes[owner[its[0]]]
        shapely.prepare(shape)
        inside = shapely.contains(shape, points[its])
        distance = shapely.distance(shapely.boundary(shape), points[its])
        out[its] = np.where(inside, distance, -distance)
    return out


def _nearest(points: Shapes, others: Shapes | None) -> Floats:
    """Distance to the nearest of some shapes; NaN where there are none."""
    out = np.full(len(points), np.nan)
    if others is not None and len(others):
        (point, _), distance = shapely.STRtree(others).query_nearest(points, return_distance=True, all_matches=False)
        out[point] = distance
    return out


def _is_in(points: Shapes, areas: Shapes | None) -> Bools:
    out = np.zeros(len(points), bool)
    if areas is not None and len(areas):
        out[shapely.STRtree(areas).query(points, predicate="intersects")[0]] = True
    return out


Reason = Callable[[Study], str]

REASONS: dict[str, Reason] = {
    "near a truck road": lambda s: (
        "roads were not given" if s.roads is None
        else f"no truck road within {s.settings.sites.road_distance_m[1]:g} m of dry ground on this property"
    ),
    "near water": lambda s: (
        f"no ground near a truck road lies {s.settings.sites.water_distance_m[0]:g} to "
        f"{s.settings.sites.water_distance_m[1]:g} m from water"
    ),
    "level": lambda s: f"ground near a truck road is steeper than {s.settings.sites.slope_limit_percent:g} percent",
    "inside the property line": lambda s: (
        f"no spot is {s.settings.sites.road_distance_m[0]:g} to {s.settings.sites.road_distance_m[1]:g} m from a "
        f"truck road and {s.settings.sites.boundary_setback_m:g} m inside the property line"
    ),
    "clear of buildings": lambda s: (
        f"every spot is nearer than {s.settings.sites.building_setback_m:g} m to a building"
    ),
    "outside exclusions": lambda s: "every spot lies in an area where no trap may stand",
}  # fmt: skip


def reason_without_candidates(passed: Ints, study: Study) -> str:
    """Why a property has no candidate: the first step that left none.

    Parameters
    ----------
    passed : array of int64, shape (len(STEPS),)
        What was left of the property after each step.
    study : Study
        Settings that the words quote.

    Returns
    -------
    str
        Empty where there are candidates.
    """
    for step, left in zip(STEPS, passed, strict=True):
        if not left:
            return REASONS[step](study)
    return ""
