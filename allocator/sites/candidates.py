"""Candidates: spots whose distances and ways in were measured and hold; and those that miss one limit."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.progress import silent
from allocator.core.study import Study
from allocator.grid.run import run_tiles
from allocator.sites.access import WayFinder
from allocator.sites.limits import HAIR, LIMITS, broken_limits
from allocator.sites.measured import Measured, Measurer, joined
from allocator.sites.spots import CELL_STEPS, Spots, TileSpots
from allocator.sites.squares import best_per_square, place_in_square, square_side, squares

EXACT_STEPS = {
    "near habitat": ("habitat",),
    "inside the property line": ("road", "road side", "weather", "boundary"),
    "clear of buildings": ("building",),
    "outside exclusions": ("exclusion",),
    "off the damage itself": ("damage",),
    "reached on foot": ("access",),
}
"""Steps of the screening after those of cells, with the limits that each adds; habitat is looked for before the
others are measured, ways in after them."""
LOT = 50_000
"""About so many spots are looked at in one go."""
LOTS = 8
"""So many lots are measured before their ways in are looked for, and done with before the next."""
FIRST_LOOK = 4
"""So many of the best spots of each square are measured first; the others only where all of those fail."""
STEPS = (*CELL_STEPS, *EXACT_STEPS)
"""All steps of the screening, in order."""


@dataclass(frozen=True)
class Candidates:
    """Places where a trap may stand.

    Parameters
    ----------
    places : Measured
        Where, and all siting terms; no limit is broken.
    quality : array of float64
        0 to 1.
    passed : array of int64, shape (len(STEPS), properties)
        What was left of each property after each step: cells, then spots.
    """

    places: Measured
    quality: Floats
    passed: Ints


def measure_candidates(found: TileSpots, measurer: Measurer, finder: WayFinder, *, workers: int = 1) -> Candidates:
    """Candidates from spots: exact distances, hard limits, ways in, then the best of each square.

    Parameters
    ----------
    found : TileSpots
        Spots of the whole study.
    measurer : Measurer
        Measures them.
    finder : WayFinder
        Finds the ways in.
    workers : int
        Threads that measure.

    Returns
    -------
    Candidates
        Sorted from north to south, then west to east; none where the study has no truck road.
    """
    study, spots = measurer.study, found.spots
    lots = _lots(spots, square_side(study.grid, study.settings.sites.candidate_spacing_m))
    some = [lots[at : at + LOTS] for at in range(0, len(lots), LOTS)]
    done = [_best(spots, its, measurer, finder, workers) for its in some]
    left = [_sum_of(its, len(study.properties.ids)) for its in zip(*(one.left for one in done), strict=True)]
    return Candidates(
        joined(*(one.places for one in done)), np.concatenate([one.quality for one in done]),
        np.concatenate([found.passed.toarray(), left]),
    )  # fmt: skip


def _lots(spots: Spots, side: int) -> list[tuple[int, int]]:
    """Where lots of spots begin and end: whole rows of squares, about ``LOT`` spots each; at least one lot."""
    row = spots.row // side
    ends = np.searchsorted(row, row[LOT - 1 :: LOT], side="right")
    return list(pairwise([0, *np.unique(ends[ends < len(row)]).tolist(), len(row)]))


Counts = tuple[Ints, Ints]
"""Properties, and how many spots of each."""


@dataclass(frozen=True)
class _Look:
    """Spots of a lot that keep every limit but the way in, and how many were left after each exact step before it."""

    holds: Measured
    left: list[Counts]


@dataclass(frozen=True)
class _Rest:
    """Spots of a lot that wait in case the best of their squares fail, with their distance to habitat."""

    spots: Spots
    habitat_m: Floats


@dataclass(frozen=True)
class _Best:
    """The best spot of each square of some lots, and how many spots were left after each exact step."""

    places: Measured
    quality: Floats
    left: list[Counts]


def _best(
    spots: Spots, lots: list[tuple[int, int]], measurer: Measurer, finder: WayFinder, workers: int
) -> _Best:  # fmt: skip
    """Measure some lots in threads; ways are found in one, since they hinder each other by the interpreter's lock."""
    study = measurer.study
    looks = run_tiles(lots, lambda lot: _first_look(spots, lot, measurer), workers=workers, progress=silent)
    first = _reached([look for look, _ in looks], study, finder)
    waiting = [(rest, one.spots) for (_, rest), one in zip(looks, first, strict=True)]
    more = run_tiles(waiting, lambda one: _second_look(*one, measurer), workers=workers, progress=silent)
    held = joined(*first, *_reached(more, study, finder))
    good = held.quality(study)
    best = best_per_square(held.spots, good, study.grid, side_m=study.settings.sites.candidate_spacing_m, most=1)
    left = zip(*(one.left for one in (*(look for look, _ in looks), *more)), strict=True)
    steps = [(np.concatenate([owner for owner, _ in its]), np.concatenate([n for _, n in its])) for its in left]
    return _Best(held.take(best), good[best], [*steps, _counted(held.spots.owner)])


def _first_look(spots: Spots, lot: tuple[int, int], measurer: Measurer) -> tuple[_Look, _Rest]:
    """The best spots of each square of a lot, measured, and the others near habitat."""
    study, limit_m = measurer.study, measurer.study.settings.sites.habitat_distance_m
    its = spots.take(np.arange(*lot))
    habitat_m = measurer.habitat_m(its, within_m=limit_m)
    near = np.flatnonzero(habitat_m <= limit_m + HAIR)
    its, habitat_m = its.take(near), habitat_m[near]
    place = place_in_square(its, its.rank, study.grid, side_m=study.settings.sites.candidate_spacing_m)
    first, rest = np.flatnonzero(place < FIRST_LOOK), np.flatnonzero(place >= FIRST_LOOK)
    look = _judged(measurer.measure(its.take(first), habitat_m=habitat_m[first]), study)
    return replace(look, left=[_counted(its.owner), *look.left]), _Rest(its.take(rest), habitat_m[rest])


def _second_look(rest: _Rest, held: Spots, measurer: Measurer) -> _Look:
    """The other spots of the squares of which no spot holds, measured."""
    grid, side_m = measurer.study.grid, measurer.study.settings.sites.candidate_spacing_m
    is_open = np.flatnonzero(~_is_among(squares(rest.spots, grid, side_m), squares(held, grid, side_m)))
    look = _judged(measurer.measure(rest.spots.take(is_open), habitat_m=rest.habitat_m[is_open]), measurer.study)
    return replace(look, left=[_counted(rest.spots.owner[:0]), *look.left])  # near habitat were counted before


def _judged(measured: Measured, study: Study) -> _Look:
    broken, names = broken_limits(measured, study.settings.sites), [one.name for one in LIMITS]
    is_left, left = np.ones(len(measured), bool), []
    for limits in list(EXACT_STEPS.values())[1:-1]:
        is_left = is_left & ~broken[[names.index(one) for one in limits]].any(axis=0)
        left.append(_counted(measured.spots.owner[is_left]))
    return _Look(measured.take(np.flatnonzero(~broken.any(axis=0))), left)


def _reached(looks: list[_Look], study: Study, finder: WayFinder) -> list[Measured]:
    """Of each lot the spots to which a way leads, with it."""
    sites, measured = study.settings.sites, joined(*(one.holds for one in looks))
    measured = measured.with_access(finder, np.arange(len(measured)), furthest_m=sites.road_distance_m[1])
    is_reached = np.asarray(~broken_limits(measured, sites).any(axis=0))
    ends = np.cumsum([0, *(len(one.holds) for one in looks)])
    return [measured.take(at + np.flatnonzero(is_reached[at:end])) for at, end in pairwise(ends)]


def _counted(owner: Ints) -> Counts:
    return np.unique(owner, return_counts=True)


def _sum_of(counts: Iterable[Counts], number: int) -> Ints:
    """Spots of each property in several lots."""
    owner, times = (np.concatenate(one) for one in zip(*counts, strict=True))
    return np.bincount(owner, times, number).astype(np.int64)


def _is_among(these: Ints, those: Ints) -> Bools:
    """Which columns of one array stand in another as well."""
    sides = np.maximum(these.max(axis=1, initial=0), those.max(axis=1, initial=0)) + 1
    one, other = ((part[0] * sides[1] + part[1]) * sides[2] + part[2] for part in (these, those))
    return np.isin(one, other)


Reason = Callable[[Study], str]

ALL_WEATHER = {"yes": "", "no": " fit for all weather"}
OTHERWISE = "every spot that keeps the limits of road, water, ground and habitat"
REASONS: dict[str, Reason] = {
    "near a truck road": lambda s: (
        "roads were not given" if s.roads is None
        else f"no truck road{ALL_WEATHER[s.settings.sites.dry_weather_roads]} within "
        f"{s.settings.sites.road_distance_m[1]:g} m of dry ground on this property"
    ),
    "near water": lambda s: (
        f"no ground near a truck road lies {s.settings.sites.water_distance_m[0]:g} to "
        f"{s.settings.sites.water_distance_m[1]:g} m from water"
    ),
    "level": lambda s: f"ground near a truck road is steeper than {s.settings.sites.slope_limit_percent:g} percent",
    "off flood-prone soil": lambda s: (
        f"level ground near a truck road floods more often than {s.settings.sites.flooding_limit.replace('_', ' ')}"
    ),
    "inside the property line": lambda s: (
        f"no spot is {s.settings.sites.road_distance_m[0]:g} to {s.settings.sites.road_distance_m[1]:g} m from a "
        f"truck road and {s.settings.sites.boundary_setback_m:g} m inside the property line"
    ),
    "near habitat": lambda s: f"no spot lies within {s.settings.sites.habitat_distance_m:g} m of habitat",
    "clear of buildings": lambda s: (
        f"{OTHERWISE} is nearer than {s.settings.sites.building_setback_m:g} m to a building"
    ),
    "outside exclusions": lambda s: f"{OTHERWISE} lies in an area where no trap may stand",
    "off the damage itself": lambda s: (
        f"{OTHERWISE} is nearer than {s.settings.sites.damage_setback_m:g} m to a damage spot"
    ),
    "reached on foot": lambda s: (
        f"no spot is reached from a truck road within {s.settings.sites.access_limit_m:g} m on foot without crossing "
        "water or land not enrolled"
    ),
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
