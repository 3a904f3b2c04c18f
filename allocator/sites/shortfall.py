"""Why a trap has no site, and the smallest change of one limit that would place it, checked by choosing again."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Study
from allocator.sites.access import WayFinder
from allocator.sites.allot import Allotment
from allocator.sites.candidates import reason_without_candidates
from allocator.sites.limits import LIMITS, Limit, broken_limits
from allocator.sites.measured import Measured
from allocator.sites.misses import NearMisses
from allocator.sites.place import Board
from allocator.sites.reach import square_cells
from allocator.sites.spots import Spots
from allocator.sites.squares import squares
from allocator.sites.task import Task, solve

TRIES = 12
"""So many spots are tried for each limit, the one that breaks it least first."""
MOST_MOVING = 1_000
"""With more candidates than this the sites of a complex stay where they are while a further spot is tried."""
FEW = 100
"""With at most so many candidates sites are chosen again as well as can be, which takes no time; else quickly."""
SHARE_WORDS = "a neighbour in the same complex taking it"
NOISE = 1e-6
"""Tenths of a unit that are float noise when a limit is rounded."""
MOST_PROPERTIES = 25
"""Changes are looked for on so many properties, those short of most traps first; reasons are given for all."""


@dataclass(frozen=True)
class Change:
    """A change of one setting that would place traps.

    Parameters
    ----------
    setting : str
        Key.
    now, needed : str
        Its value, and the value that would place a trap.
    relative : float
        Size of the change as a part of the value now.
    placed : int
        How many more traps of the complex had a site when it was tried.
    words : str
        The change in plain words.
    """

    setting: str
    now: str
    needed: str
    relative: float
    placed: int
    words: str


@dataclass(frozen=True)
class Shortfall:
    """Traps of one property in one complex that have no site.

    Parameters
    ----------
    owner, complex : int
        Property and complex.
    traps : int
        How many.
    reason : str
        What stands in the way.
    changes : tuple of Change
        Changes that were tried and would place at least one, the smallest first.
    is_tried : bool
        Whether changes were looked for.
    """

    owner: int
    complex: int
    traps: int
    reason: str
    changes: tuple[Change, ...] = ()
    is_tried: bool = True

    @property
    def words(self) -> str:
        """Reason and smallest change in one sentence."""
        if not self.is_tried:
            return self.reason
        if not self.changes:
            return f"{self.reason}; no change of a single limit that was tried would place it"
        one = self.changes[0]
        return f"{self.reason}; it could be placed with {one.words} ({one.setting} = {one.needed}, now {one.now})"


def explain_shortfalls(
    study: Study, allotment: Allotment, misses: NearMisses, finder: WayFinder
) -> tuple[Shortfall, ...]:  # fmt: skip
    """Every trap without a site: why, and what would place it.

    Parameters
    ----------
    study : Study
        Settings that the words quote.
    allotment : Allotment
        Traps given and their sites.
    misses : NearMisses
        Finds spots that break one limit.
    finder : WayFinder
        Finds ways in to spots that break another limit.

    Returns
    -------
    tuple of Shortfall
        By property, then complex.
    """
    pairs, short = allotment.given.pairs, allotment.pair_short
    at = np.flatnonzero(short > 0)
    tried = set(at[np.argsort(-short[at], kind="stable")][:MOST_PROPERTIES].tolist())
    trial = _Trials(study, allotment.board, misses, finder)
    found = []
    for pair in at[np.lexsort((pairs.complex[at], pairs.property[at]))].tolist():
        owner, place, traps = int(pairs.property[pair]), int(pairs.complex[pair]), int(short[pair])
        reason = trial.reason(owner, place)
        changes = tuple(sorted(trial.changes(owner, place), key=lambda one: one.relative)) if pair in tried else ()
        found.append(Shortfall(owner, place, traps, reason, changes, pair in tried))
    return tuple(found)


class _Trials:
    """Tries changes on a plan; what holds for a whole complex is tried once."""

    def __init__(self, study: Study, board: Board, misses: NearMisses, finder: WayFinder) -> None:
        self.study, self.board, self.misses, self.finder = study, board, misses, finder
        self._solved: dict[tuple[int, float, int], Ints] = {}
        self._habitat: dict[int, cKDTree] = {}
        self._held: set[tuple[int, ...]] | None = None

    def reason(self, owner: int, place: int) -> str:
        """What stands in the way of a further trap of this property."""
        sites, radius = self.study.settings.sites, self.study.settings.service_radius_m
        its = self._points(owner)
        if not len(its):
            without = reason_without_candidates(self.board.candidates.passed[:, owner], self.study)
            near_rejected = f"nearer than {sites.reject_radius_m:g} m to a rejected site"
            return without or f"every spot that keeps the limits is {near_rejected}"
        if self._squares(place).query(its)[0].min() > radius:
            return f"no spot near a truck road lies within {radius:.0f} m of the habitat"
        return f"every further spot is nearer than {sites.spacing_m:g} m to another trap, or adds no habitat"

    def changes(self, owner: int, place: int) -> tuple[Change, ...]:
        """Changes of one setting that give a trap a site: on this property, or on another that takes its share."""
        parts = self._limits(owner, place), self._radius(owner, place), self._spacing(owner, place), self._share(place)
        return tuple(one for part in parts for one in part)

    def _points(self, owner: int) -> Floats:
        """Where the candidates of a property are."""
        places = self.board.candidates.places
        its = np.flatnonzero(places.spots.owner == owner)
        return np.stack([places.x_m[its], places.y_m[its]], axis=1)

    def _squares(self, place: int) -> cKDTree:
        """Habitat of a complex."""
        if place not in self._habitat:
            demand = self.board.demand
            its = np.s_[demand.first[place] : demand.first[place + 1]]
            self._habitat[place] = cKDTree(np.stack([demand.x_m[its], demand.y_m[its]], axis=1))
        return self._habitat[place]

    def _fits(self, point: Floats, place: int, radius_m: float) -> bool:
        """Whether a further site fits beside those chosen: spacing kept, habitat added."""
        places, own = self.board.candidates.places, self.board.taken.get(place, np.empty(0, np.int64))
        own_points = np.stack([places.x_m[own], places.y_m[own]], axis=1)
        others = np.concatenate([self.board.others(place), own_points])
        if len(others) and cKDTree(others).query(point)[0] < self.study.settings.sites.spacing_m:
            return False
        near = np.asarray(self._squares(place).query_ball_point(point, radius_m), np.int64)
        serving = np.concatenate([self.board.held.in_place, own_points])
        if not len(near) or not len(serving):
            return bool(len(near))
        return bool((cKDTree(serving).query(self._squares(place).data[near])[0] > radius_m).any())

    def _owners(self, task: Task, at: Ints, place: int, further: int = 0) -> Ints:
        """Owner of each site of a changed task; no clock decides, so it is the same on any machine."""
        limit, count = self.board.limits(place)
        keep = tuple(np.flatnonzero(np.isin(at, self.board.held.keep)).tolist())
        seconds = self.study.settings.sites.seconds if len(at) <= FEW else 0.0
        found = solve(task, limit=limit + further, count=count, keep=keep, seconds=seconds, seed=0)
        return task.owner[found.spots]

    def _again(self, place: int, spacing_m: float, further: int = 0) -> Ints:
        """Owner of each site of a complex with another spacing or larger shares; worked out once."""
        key = (place, spacing_m, further)
        if key not in self._solved:
            limit, pairs = self.board.limits(place)[0], self.board.held.need.pairs
            limit[pairs.property[pairs.complex == place]] += further
            free = self.board.free(place, limit, by_others=True, spacing_m=spacing_m)
            self._solved[key] = self._owners(self.board.task(place, free, spacing_m=spacing_m), free, place, further)
        return self._solved[key]

    def _now(self, place: int) -> Ints:
        """Owner of each site that the complex has."""
        sites = self.board.taken.get(place, np.empty(0, np.int64))
        return self.board.candidates.places.spots.owner[sites]

    def _more_on(self, owner: int, place: int, owners: Ints) -> int:
        """How many more sites the complex has, none where the property has no more of them."""
        now = self._now(place)
        mine = np.count_nonzero(owners == owner) - np.count_nonzero(now == owner)
        return max(len(owners) - len(now), 0) if mine > 0 else 0

    def _misses(self, owner: int) -> Measured:
        """Spots of a property that break one limit and can be reached on foot."""
        sites, its = self.study.settings.sites, self.misses.of(owner)
        # One candidate is kept per square: a spot in a square that has one would not become another.
        its = its.take(np.flatnonzero(~self._is_held(its.spots)))
        far = max(float(its.road.distance_m.max(initial=0.0)), sites.road_distance_m[1])
        its = its.with_access(self.finder, np.arange(len(its)), furthest_m=far)
        single = np.count_nonzero(broken_limits(its, sites), axis=0) == 1
        return its.take(np.flatnonzero(single & np.isfinite(its.access.length_m)))

    def _kept_of(self, within: Ints, misses: Measured) -> np.int64:
        """Of the spots that a limit lets in, the one kept in the square of the last."""
        key = squares(misses.spots.take(within), self.study.grid, self.study.settings.sites.candidate_spacing_m)
        same = within[(key == key[:, -1:]).all(axis=0)]
        return np.int64(same[int(np.argmax(misses.take(same).quality(self.study)))])

    def _is_held(self, spots: Spots) -> Bools:
        """Whether the square of each spot holds a candidate of its property already."""
        side, grid = self.study.settings.sites.candidate_spacing_m, self.study.grid
        if self._held is None:
            self._held = {tuple(one) for one in squares(self.board.candidates.places.spots, grid, side).T.tolist()}
        return np.array([tuple(one) in self._held for one in squares(spots, grid, side).T.tolist()], bool)

    def _limits(self, owner: int, place: int) -> Iterator[Change]:
        """For each limit, the spot of the property that breaks it least and would be a site."""
        sites, misses = self.study.settings.sites, self._misses(owner)
        for limit, its in zip(LIMITS, broken_limits(misses, sites), strict=True):
            if not limit.setting:
                continue
            now, values = limit.limit(sites), limit.value(misses)
            its = np.flatnonzero(its)
            its = its[np.argsort(np.abs(values[its] - now), kind="stable")]
            tried = [(spot, self._kept_of(its[: place_ + 1], misses)) for place_, spot in enumerate(its[:TRIES])]
            fitting = next((spot for spot, kept in tried if self._is_site(kept, misses, place)), None)
            if fitting is not None:
                needed, now = _rounded(limit, float(values[fitting])), now * limit.shown_times
                size = abs(needed - now) / max(abs(now), 1.0)
                yield Change(
                    limit.setting,
                    _show(limit, now, sites),
                    _show(limit, needed, sites),
                    size,
                    1,
                    limit.moved.format(value=limit.show(needed / limit.shown_times)),
                )

    def _is_site(self, spot: np.int64, misses: Measured, place: int) -> bool:
        """Whether a further spot gives its property a site: it fits beside those that stand, or they move for it."""
        point, radius = np.array([misses.x_m[spot], misses.y_m[spot]]), self.study.settings.service_radius_m
        if self._fits(point, place, radius):
            return True
        free = self.board.free(place, self.board.limits(place)[0], by_others=True)
        if len(free) > MOST_MOVING:
            return False
        others = self.board.others(place)
        if len(others) and cKDTree(others).query(point)[0] < self.study.settings.sites.spacing_m:
            return False
        if self._squares(place).query(point)[0] > radius:
            return False
        extra = misses.take(np.array([spot]))
        owners = self._owners(self.board.task(place, free, extra), free, place)
        return self._more_on(int(extra.spots.owner[0]), place, owners) > 0

    def _spacing(self, owner: int, place: int) -> Iterator[Change]:
        """The widest spacing, in tens of metres, that gives the property more."""
        now = self.study.settings.sites.spacing_m
        works, fails = 0, math.ceil(now / 10)
        placed = self._more_on(owner, place, self._again(place, 0.0)) if now > 0 else 0
        if not placed:
            return
        while fails - works > 1:
            middle = (works + fails) // 2
            more = self._more_on(owner, place, self._again(place, middle * 10.0))
            works, fails, placed = (middle, fails, more) if more else (works, middle, placed)
        yield Change(
            "sites.spacing_m",
            f"{now:g}",
            f"{works * 10}",
            (now - works * 10) / now,
            placed,
            f"traps {works * 10} m apart",
        )

    def _radius(self, owner: int, place: int) -> Iterator[Change]:
        """The service radius that brings habitat within reach of the property's spots."""
        now, its = self.study.settings.service_radius_m, self._points(owner)
        if not len(its) or not self._squares(place).n:
            return
        distance = self._squares(place).query(its)[0]
        # Habitat is summed over squares that grow with the radius: their middles may lie further off.
        square_m = square_cells(self.study.grid, float(distance.min())) * self.study.grid.cell_m
        needed = math.ceil((float(distance.min()) + square_m) / 10) * 10.0
        if distance.min() > now and self._fits(its[int(distance.argmin())], place, needed):
            yield Change(
                "sites.service_radius_m",
                f"{now:.0f}",
                f"{needed:g}",
                (needed - now) / now,
                1,
                f"a service radius of {needed:g} m",
            )

    def _share(self, place: int) -> Iterator[Change]:
        """Other properties of the complex take its traps."""
        sites = self.study.settings.sites
        placed = len(self._again(place, sites.spacing_m, further=1)) - len(self._now(place))
        if placed > 0:
            yield Change(
                "sites.beyond_share", f"{sites.beyond_share}", f"{sites.beyond_share + 1}", 1.0, placed, SHARE_WORDS
            )


def _rounded(limit: Limit, value: float) -> float:
    """A limit that the value keeps, in whole tenths."""
    if limit.names:
        return value
    tenths = value * limit.shown_times * 10
    return (math.ceil(tenths - NOISE) if limit.is_most else math.floor(tenths + NOISE)) / 10


def _show(limit: Limit, value: float, sites: object) -> str:
    """A value as it stands in the settings: both ends where the setting is a range."""
    ends = getattr(sites, limit.setting.removeprefix("sites."))
    if isinstance(ends, tuple):
        return f"[{ends[0]:g}, {value:g}]" if limit.is_most else f"[{value:g}, {ends[1]:g}]"
    return f'"{limit.names[int(value)]}"' if limit.names else f"{value:g}"
