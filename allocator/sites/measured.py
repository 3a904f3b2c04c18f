"""Spots measured exactly: distance to roads, property lines, buildings and damage."""

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Shapes, Study
from allocator.grid.distance import distance_to_ground
from allocator.habitat.complexes import small_parts
from allocator.sites.access import WayFinder, Ways
from allocator.sites.quality import quality
from allocator.sites.roads import NearestRoad, TruckRoads
from allocator.sites.spots import Spots

MOST_LOOKED_CELLS = 20
"""Habitat is looked for cell by cell up to this far from a spot, beyond it among the outlines of patches."""
LOOK_BEYOND_M = 1e-6
"""So much further than asked, so that habitat just at the limit is found."""
DAMAGE = "damage"
"""Kind of sighting that a trap keeps away from."""


@dataclass(frozen=True)
class Measured:
    """Spots with every siting term.

    Parameters
    ----------
    spots : Spots
        Cell and its terms.
    x_m, y_m : array of float64
        Where, in the study's coordinate system.
    road : NearestRoad
        The nearest truck road of each.
    boundary_m : array of float64
        Distance to the property's own line; negative outside the property.
    habitat_m : array of float64
        Distance to the nearest habitat patch, 0 inside; infinite without habitat.
    building_m, damage_m : array of float64
        Distance to the nearest building and sighting of damage; NaN without any.
    is_excluded : array of bool
        Whether it lies where no trap may stand.
    access : Ways
        The way in from the road; NaN where not looked for yet.
    """

    spots: Spots
    x_m: Floats
    y_m: Floats
    road: NearestRoad
    boundary_m: Floats
    habitat_m: Floats
    building_m: Floats
    damage_m: Floats
    is_excluded: Bools
    access: Ways

    @property
    def points(self) -> Shapes:
        """The places as shapely points."""
        return np.asarray(shapely.points(self.x_m, self.y_m)).reshape(len(self.x_m))

    def __len__(self) -> int:
        return len(self.x_m)

    def take(self, positions: Ints) -> "Measured":
        """Only some of the spots.

        Parameters
        ----------
        positions : array of int
            Which, in order.

        Returns
        -------
        Measured
            Those.
        """
        return Measured(
            self.spots.take(positions), self.x_m[positions], self.y_m[positions], self.road.take(positions),
            self.boundary_m[positions], self.habitat_m[positions], self.building_m[positions],
            self.damage_m[positions], self.is_excluded[positions],
            Ways(self.access.length_m[positions], self.access.path[positions]),
        )  # fmt: skip

    def with_access(self, finder: WayFinder, at: Ints, *, furthest_m: float) -> "Measured":
        """The same with ways in to some of the spots.

        Parameters
        ----------
        finder : WayFinder
            Finds them.
        at : array of int
            To which.
        furthest_m : float
            How far from a road they may be.

        Returns
        -------
        Measured
            Those not asked for stay as they were.
        """
        points = np.asarray(shapely.points(self.x_m[at], self.y_m[at])).reshape(len(at))
        found = finder.ways(self.spots.take(at), points, furthest_m=furthest_m)
        length, path = self.access.length_m.copy(), self.access.path.copy()
        length[at], path[at] = found.length_m, found.path
        return replace(self, access=Ways(length, path))

    def quality(self, study: Study) -> Floats:
        """How well each spot suits a trap, 0 to 1.

        Parameters
        ----------
        study : Study
            Weights and limits.

        Returns
        -------
        array of float64
            0 to 1.
        """
        spots = self.spots
        return quality(
            study.settings.sites, water_m=spots.water_m, slope=spots.slope, shade=spots.shade, score=spots.score,
            road_m=self.road.distance_m,
        )  # fmt: skip


class Measurer:
    """Measures spots exactly.

    Parameters
    ----------
    study : Study
        Properties, buildings, exclusions, sightings.
    roads : TruckRoads
        Roads to measure to.
    patches : array of shapely multipolygons
        Habitat of the planned season.
    outlined : array of bool, shape (rows, columns), optional
        Cells of the grid inside their outlines; absent: every distance is measured to the outlines.
    """

    def __init__(
        self, study: Study, roads: TruckRoads, patches: Shapes, outlined: Bools | None = None
    ) -> None:  # fmt: skip
        self.study, self.roads, self._patches, self._outlined = study, roads, patches, outlined

    @cached_property
    def _habitat(self) -> shapely.STRtree:
        return shapely.STRtree(small_parts(self._patches)[0])

    def measure(
        self, spots: Spots, points: Shapes | None = None, *, habitat_m: Floats | None = None
    ) -> Measured:  # fmt: skip
        """Spots with exact distances; ways in are not looked for yet.

        Parameters
        ----------
        spots : Spots
            Cells; none where there is no truck road.
        points : array of shapely points, optional
            Where in their cells the spots are; absent: at the centres.
        habitat_m : array of float64, optional
            Their distances to habitat, where known already.

        Returns
        -------
        Measured
            In the same order.
        """
        study = self.study
        x_m, y_m = study.grid.centres(spots.row, spots.column)
        if points is not None:
            x_m, y_m = shapely.get_x(points), shapely.get_y(points)
        places = np.asarray(shapely.points(x_m, y_m)).reshape(len(x_m))
        if habitat_m is None:
            habitat_m = self.habitat_m(spots) if points is None else self._outlines_m(places)
        return Measured(
            spots, x_m, y_m, self.roads.nearest(places), _inside_by(places, spots.owner, study.properties.shapes),
            habitat_m, _nearest(places, study.buildings), self._damage_m(x_m, y_m), _is_in(places, study.exclusions),
            Ways(np.full(len(x_m), np.nan), np.full(len(x_m), None, object)),
        )  # fmt: skip

    def habitat_m(self, spots: Spots, *, within_m: float = np.inf) -> Floats:
        """Distance from the centres of cells to the nearest patch.

        Parameters
        ----------
        spots : Spots
            Cells.
        within_m : float
            Habitat further off than this need not be measured: its distance may be given as infinite.

        Returns
        -------
        array of float64
            0 inside; infinite without habitat.
        """
        cell_m, habitat_m = self.study.grid.cell_m, np.full(len(spots.row), np.inf)
        looked_m = 0.0
        if self._outlined is not None:
            looked_m = min(within_m + LOOK_BEYOND_M, MOST_LOOKED_CELLS * cell_m)
            habitat_m = distance_to_ground(self._outlined, spots.row, spots.column, looked_m / cell_m) * cell_m
        left = np.flatnonzero(np.isinf(habitat_m)) if looked_m < within_m else np.empty(0, np.int64)
        centres = self.study.grid.centres(spots.row[left], spots.column[left])
        habitat_m[left] = self._outlines_m(np.asarray(shapely.points(*centres)).reshape(len(left)))
        return habitat_m

    def _outlines_m(self, places: Shapes) -> Floats:
        """Distance to the nearest outline of a patch, 0 inside; infinite without habitat."""
        distance_m = np.full(len(places), np.inf)
        if len(places):
            (place, _), found = self._habitat.query_nearest(places, return_distance=True, all_matches=False)
            distance_m[place] = found
        return distance_m

    def _damage_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Distance to the nearest sighting of damage; NaN without any."""
        seen = self.study.sightings
        is_damage = [] if seen is None else [DAMAGE in text.casefold() for text in seen["kind"]]
        if seen is None or not any(is_damage):
            return np.full(len(x_m), np.nan)
        damage = seen[is_damage]
        tree = cKDTree(damage[["x_m", "y_m"]].to_numpy(float))
        return np.asarray(tree.query(np.stack([x_m, y_m], axis=1))[0])


def _inside_by(points: Shapes, owner: Ints, shapes: Shapes) -> Floats:
    """Distance to the property's own line; negative outside the property."""
    distinct, at = np.unique(owner, return_inverse=True)
    own = shapely.force_2d(shapes[distinct])  # copies: threads must not share what is prepared
    shapely.prepare(own)
    inside, distance = shapely.contains(own[at], points), shapely.distance(shapely.boundary(own)[at], points)
    return np.asarray(np.where(inside, distance, -distance))


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


def joined(*parts: Measured) -> Measured:
    """Several lots of spots as one.

    Parameters
    ----------
    *parts : Measured
        In order.

    Returns
    -------
    Measured
        One after another.
    """

    def join(values: list[Any]) -> Any:
        if isinstance(values[0], np.ndarray):
            return np.concatenate(values)
        kind = type(values[0])
        return kind(*(join([getattr(value, one.name) for value in values]) for one in fields(kind)))

    whole: Measured = join(list(parts))
    return whole
