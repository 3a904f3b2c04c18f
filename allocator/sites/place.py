"""Sites for every complex: candidates matched to habitat, chosen with spacing, shares and what is held already."""

import time
from dataclasses import dataclass, field

import numpy as np
import shapely
from scipy.spatial import cKDTree

from allocator.core.arrays import Floats, Ints
from allocator.core.progress import Progress
from allocator.core.study import Shapes, Study
from allocator.habitat.complexes import Complexes, small_parts
from allocator.sites.candidates import Candidates
from allocator.sites.held import Held
from allocator.sites.measured import Measured, joined
from allocator.sites.reach import Demand
from allocator.sites.task import Solved, Task, make_task, solve

CIRCLE_QUARTER = 32
"""Straight pieces per quarter of a service circle: the circle drawn is 0.04 % smaller than a true one."""
SWEEPS = 2
"""Complexes that stood in each other's way are chosen anew at most so often."""
CLOSED = 1e-7
"""A choice this near its bound counts as proven best."""


@dataclass(frozen=True)
class Placement:
    """Sites of the whole study, best first.

    Parameters
    ----------
    candidate, complex_of : array of int64
        Candidate and complex of each site.
    circles : array of shapely polygons
        Ground within the service radius of each site.
    gain_m2, weighted_m2 : array of float64
        Habitat units (m2 times score) that each site adds to those of its complex; and those near a sighting counted
        for more.
    served_m2 : array of float64
        Habitat of the complex inside the circle that no better site, and no trap in place, serves.
    complex_served : array of float64, shape (complexes,)
        Habitat units (m2 times score) that sites and traps in place serve.
    complex_worth, complex_bound : array of float64, shape (complexes,)
        What the choice is worth, sightings and quality counted; and the proven bound: no choice is worth more.
    """

    candidate: Ints
    complex_of: Ints
    circles: Shapes
    gain_m2: Floats
    weighted_m2: Floats
    served_m2: Floats
    complex_served: Floats
    complex_worth: Floats
    complex_bound: Floats


@dataclass
class Board:
    """The state of the choice: which candidates each complex has taken.

    Parameters
    ----------
    study, candidates, demand, held
        What is chosen from.
    taken, found : dict
        Complex to the candidates that are its sites, and to how well they were chosen.
    """

    study: Study
    candidates: Candidates
    demand: Demand
    held: Held
    taken: dict[int, Ints] = field(default_factory=dict)
    found: dict[int, Solved] = field(default_factory=dict)

    def limits(self, place: int) -> tuple[Ints, int]:
        """Most new sites of a complex on each property, and in all: the shares, less what stands already."""
        pairs, need, sites = self.held.need.pairs, self.held.need, self.study.settings.sites
        its = pairs.complex == place
        limit = np.zeros(len(self.study.properties.ids), np.int64)
        limit[pairs.property[its]] = need.pair_traps[its]
        np.subtract.at(limit, self.held.in_place_property[self.held.in_place_complex == place], 1)
        count = int(limit.sum())
        limit[pairs.property[its]] += sites.beyond_share
        return limit, count

    def others(self, place: int, *, by_others: bool = True) -> Floats:
        """Where a complex must keep its distance: traps in place, kept sites and, if asked, other complexes' sites."""
        held, places = self.held, self.candidates.places
        near = [held.keep[held.keep_complex != place]]
        if by_others:
            near += [sites for other, sites in self.taken.items() if other != place]
        at = np.concatenate(near)
        return np.concatenate([held.in_place, np.stack([places.x_m[at], places.y_m[at]], axis=1)])

    def blocked(self, at: Ints, place: int, spacing_m: float, *, by_others: bool) -> Ints:
        """Of some candidates, those too near to where a complex must keep its distance."""
        points, places = self.others(place, by_others=by_others), self.candidates.places
        if not len(points) or not len(at):
            return at[:0]
        # Without spacing, a spot that is taken is taken all the same.
        distance = cKDTree(points).query(np.stack([places.x_m[at], places.y_m[at]], axis=1))[0]
        near: Ints = at[distance <= np.nextafter(spacing_m, 0)]
        return near

    def free(self, place: int, limit: Ints, *, by_others: bool, spacing_m: float | None = None) -> Ints:
        """Candidates that a complex may choose from: on properties with a share, not blocked, and its kept sites."""
        spacing_m = self.study.settings.sites.spacing_m if spacing_m is None else spacing_m
        is_kept = np.zeros(len(self.candidates.quality), bool)
        is_kept[self.held.keep] = True
        at = np.flatnonzero((limit[self.candidates.places.spots.owner] > 0) & ~is_kept)
        at = np.setdiff1d(at, self.blocked(at, place, spacing_m, by_others=by_others))
        return np.concatenate([at, self.held.keep[self.held.keep_complex == place]])

    def task(
        self, place: int, at: Ints, extra: Measured | None = None, *, spacing_m: float | None = None,
        radius_m: float | None = None,
    ) -> Task:  # fmt: skip
        """The problem of a complex with some candidates, and further spots, to choose from."""
        settings, spots = self.study.settings, self.candidates.places.take(at)
        quality = self.candidates.quality[at]
        if extra is not None:
            spots, quality = joined(spots, extra), np.concatenate([quality, extra.quality(self.study)])
        return make_task(
            self.study, self.demand, place, x_m=spots.x_m, y_m=spots.y_m, owner=spots.spots.owner, quality=quality,
            in_place=self.held.in_place,
            spacing_m=settings.sites.spacing_m if spacing_m is None else spacing_m,
            radius_m=settings.service_radius_m if radius_m is None else radius_m,
        )  # fmt: skip

    def solved(self, place: int, seconds: float, *, by_others: bool) -> tuple[Ints, Solved]:
        """Candidates chosen for a complex, and how well."""
        limit, count = self.limits(place)
        at = self.free(place, limit, by_others=by_others)
        keep = tuple(np.flatnonzero(np.isin(at, self.held.keep)).tolist())
        seed = self.study.settings.sites.seed
        found = solve(self.task(place, at), limit=limit, count=count, keep=keep, seconds=seconds, seed=seed)
        return at[found.spots], found

    def gain_of(self, place: int, count: int) -> float:
        """Habitat units that so many sites of a complex would serve, by a quick choice, sightings counted."""
        limit = self.limits(place)[0]
        at = self.free(place, limit, by_others=True)
        keep = tuple(np.flatnonzero(np.isin(at, self.held.keep)).tolist())
        if len(keep) > count:
            return 0.0
        found = solve(self.task(place, at), limit=limit, count=count, keep=keep, seconds=0.0, seed=0)
        return float(found.weighted_m2.sum())


def place_sites(
    study: Study, candidates: Candidates, demand: Demand, held: Held, *, complexes: Complexes, patches: Shapes,
    progress: Progress,
) -> tuple[Placement, Board]:  # fmt: skip
    """Choose the sites of all complexes, the one with most traps first.

    Parameters
    ----------
    study : Study
        Settings and properties.
    candidates : Candidates
        Where traps may stand.
    demand : Demand
        Habitat by square.
    held : Held
        Traps by complex and property; traps in place and sites to keep.
    complexes : Complexes
        Which complex each patch belongs to.
    patches : array of shapely multipolygons
        Outlines, to measure what is served.
    progress : Progress
        Told after each complex.

    Returns
    -------
    placement : Placement
        Sites keep the spacing also between complexes. The bound of a complex is proven as if the other complexes had
        no sites, so that the bounds add up to one for the whole study.
    board : Board
        What was chosen from and what was taken.
    """
    need, number = held.need, complexes.count
    order = np.argsort(-need.complex_traps, kind="stable")
    order = order[need.complex_traps[order] > 0]
    board = Board(study, candidates, demand, held)
    clock = _Clock(study.settings.sites.seconds, need.complex_traps[order])
    found, bound = board.found, np.zeros(number)
    for done, place in enumerate(order.tolist()):
        board.taken[place], found[place] = board.solved(place, clock.share(done), by_others=True)
        bound[place] = found[place].bound
        progress((done + 1) / len(order) * 0.8, f"choosing sites, complex {done + 1} of {len(order)}")
    for sweep in range(SWEEPS):
        changed = False
        for done, place in enumerate(order.tolist()):
            if not _is_crowded(board, place):
                continue
            if sweep == 0:
                alone = board.solved(place, clock.share(done), by_others=False)[1]
                bound[place] = max(alone.bound, found[place].objective)
            if found[place].objective < bound[place] * (1 - CLOSED):
                sites, again = board.solved(place, clock.share(done), by_others=True)
                if again.objective > found[place].objective * (1 + 1e-12):
                    board.taken[place], found[place], changed = sites, again, True
        progress(0.8 + 0.1 * (sweep + 1), "choosing sites anew where complexes meet")
        if not changed:
            break
    return _placement(board, bound, complexes, patches), board


class _Clock:
    """Seconds left, shared over complexes by their traps."""

    def __init__(self, seconds: float, traps: Ints) -> None:
        self._end, self._left = time.monotonic() + seconds, np.cumsum(traps[::-1])[::-1]
        self._traps = traps

    def share(self, place: int) -> float:
        return max(self._end - time.monotonic(), 0.0) * float(self._traps[place] / self._left[place])


def _is_crowded(board: Board, place: int) -> bool:
    """Whether sites of other complexes keep a complex from some of its candidates."""
    at = board.free(place, board.limits(place)[0], by_others=False)
    return bool(len(board.blocked(at, place, board.study.settings.sites.spacing_m, by_others=True)))


def _placement(board: Board, bound: Floats, complexes: Complexes, patches: Shapes) -> Placement:
    """Sites of all complexes, the one that adds most first, with the ground that each serves."""
    number = complexes.count
    taken = sorted(
        (-float(gain), int(one), place, float(weighted))
        for place, solved in board.found.items()
        for one, gain, weighted in zip(board.taken[place], solved.gain_m2, solved.weighted_m2, strict=True)
    )
    candidate = np.array([one[1] for one in taken], np.int64)
    complex_of = np.array([one[2] for one in taken], np.int64)
    circles, served_m2 = _served_ground(board, candidate, complex_of, complexes, patches)
    gain, weighted = (-np.array([one[0] for one in taken]), np.array([one[3] for one in taken]))
    served, worth = _in_place_m2(board, number), np.zeros(number)
    np.add.at(served, complex_of, gain)
    for place, solved in board.found.items():
        worth[place] = solved.objective
    return Placement(candidate, complex_of, circles, gain, weighted, served_m2, served, worth, np.maximum(bound, worth))


def _in_place_m2(board: Board, number: int) -> Floats:
    """Habitat units of each complex that traps in place serve."""
    demand, held = board.demand, board.held
    served = np.zeros(number)
    if len(held.in_place) and len(demand.x_m):
        squares = np.stack([demand.x_m, demand.y_m], axis=1)
        near = cKDTree(held.in_place).query(squares)[0] <= board.study.settings.service_radius_m
        of = np.repeat(np.arange(number), np.diff(demand.first))
        served += np.bincount(of[near], demand.units_m2[near], number)
    return served


def _served_ground(
    board: Board, candidate: Ints, complex_of: Ints, complexes: Complexes, patches: Shapes
) -> tuple[Shapes, Floats]:
    """Circles, and the habitat of the complex in each that no trap in place nor better circle of the complex serves."""
    places, radius = board.candidates.places, board.study.settings.service_radius_m
    points = shapely.points(places.x_m[candidate], places.y_m[candidate])
    circles = np.asarray(shapely.buffer(points, radius, quad_segs=CIRCLE_QUARTER))
    served = np.zeros(len(candidate))
    if not len(candidate):
        return circles.reshape(0), served
    standing = shapely.buffer(shapely.points(board.held.in_place), radius, quad_segs=CIRCLE_QUARTER)
    standing_tree = shapely.STRtree(standing)
    parts, patch = small_parts(patches)
    tree = shapely.STRtree(parts)
    centres = cKDTree(np.stack([places.x_m[candidate], places.y_m[candidate]], axis=1))
    for place, circle in enumerate(circles):
        near = np.array(centres.query_ball_point(centres.data[place], 2 * radius))
        better = near[(near < place) & (complex_of[near] == complex_of[place])]
        other = np.concatenate([circles[better], standing[standing_tree.query(circle, predicate="intersects")]])
        ground = shapely.difference(circle, shapely.union_all(other)) if len(other) else circle
        its = tree.query(ground, predicate="intersects")
        its = its[complexes.complex_of[patch[its]] == complex_of[place]]
        served[place] = float(shapely.area(shapely.intersection(parts[its], ground)).sum())
    return circles, served
