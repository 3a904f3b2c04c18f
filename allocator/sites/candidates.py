"""Candidates: spots whose distances and ways in were measured and hold; and those that miss one limit."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.progress import silent
from allocator.core.settings import SiteSettings
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
"""Steps of the screening after those of cells, with the limits that each adds."""
LOT = 50_000
"""About so many spots are looked at in one go."""
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
    study = measurer.study
    sites, number, spots = study.settings.sites, len(study.properties.ids), found.spots
    lots = _lots(spots, square_side(study.grid, sites.candidate_spacing_m))
    looks = run_tiles(lots, lambda lot: _first_look(spots, lot, measurer), workers=workers, progress=silent)
    first, rests = [one for one, _ in looks], [rest for _, rest in looks]
    del looks
    ends = np.cumsum([0, *(len(one.holds) for one in first)])
    measured, is_reached = _with_ways(first, measurer, finder)
    held = [measured.spots.take(at + np.flatnonzero(is_reached[at:end])) for at, end in pairwise(ends)]
    measured = measured.take(np.flatnonzero(is_reached))
    second = run_tiles(
        list(zip(rests, held, strict=True)), lambda one: _second_look(spots, *one, measurer), workers=workers,
        progress=silent,
    )  # fmt: skip
    more, is_reached = _with_ways(second, measurer, finder)
    measured = joined(measured, more.take(np.flatnonzero(is_reached)))
    after = [_sum_of([rest.near_habitat for rest in rests], number)]
    after += [_sum_of(its, number) for its in zip(*(one.left for one in (*first, *second)), strict=True)]
    after.append(np.bincount(measured.spots.owner, minlength=number))
    good = measured.quality(study)
    at = best_per_square(measured.spots, good, study.grid, side_m=sites.candidate_spacing_m, most=1)
    return Candidates(measured.take(at), good[at], np.concatenate([found.passed.toarray(), after]))


def _lots(spots: Spots, side: int) -> list[tuple[int, int]]:
    """Where lots of spots begin and end: whole rows of squares, about ``LOT`` spots each; at least one lot."""
    row = spots.row // side
    ends = np.searchsorted(row, row[LOT - 1 :: LOT], side="right")
    return list(pairwise([0, *np.unique(ends[ends < len(row)]).tolist(), len(row)]))


Counts = tuple[Ints, Ints]
"""Properties, and how many spots of each."""


@dataclass(frozen=True)
class _Rest:
    """Spots of a lot that wait in case the best of their squares fail; and its spots near habitat by property."""

    positions: Ints
    habitat_m: Floats
    near_habitat: Counts


@dataclass
class _Look:
    """Spots of a lot that keep every limit but the way in, and how many were left after each exact step before it."""

    holds: Measured
    left: list[Counts]


def _first_look(spots: Spots, lot: tuple[int, int], measurer: Measurer) -> tuple[_Look, _Rest]:
    """The best spots of each square of a lot, measured, and the others."""
    sites, study, at = measurer.study.settings.sites, measurer.study, np.arange(*lot)
    its = spots.take(at)
    habitat_m = measurer.habitat_m(its, within_m=sites.habitat_distance_m)
    near = np.flatnonzero(habitat_m <= sites.habitat_distance_m + HAIR)
    its, habitat_m = its.take(near), habitat_m[near]
    is_first = place_in_square(its, its.rank, study.grid, side_m=sites.candidate_spacing_m) < FIRST_LOOK
    first, rest = np.flatnonzero(is_first), np.flatnonzero(~is_first)
    look = _judged(measurer.measure(its.take(first), habitat_m=habitat_m[first]), sites)
    return look, _Rest(at[near[rest]], habitat_m[rest], np.unique(its.owner, return_counts=True))


def _second_look(spots: Spots, waiting: _Rest, held: Spots, measurer: Measurer) -> _Look:
    """The other spots of the squares of which no spot holds, measured."""
    study = measurer.study
    grid, side_m = study.grid, study.settings.sites.candidate_spacing_m
    rest = spots.take(waiting.positions)
    is_open = np.flatnonzero(~_is_among(squares(rest, grid, side_m), squares(held, grid, side_m)))
    measured = measurer.measure(rest.take(is_open), habitat_m=waiting.habitat_m[is_open])
    return _judged(measured, study.settings.sites)


def _judged(measured: Measured, sites: SiteSettings) -> _Look:
    broken, names = broken_limits(measured, sites), [one.name for one in LIMITS]
    is_left, left = np.ones(len(measured), bool), []
    for limits in list(EXACT_STEPS.values())[1:-1]:
        is_left = is_left & ~broken[[names.index(one) for one in limits]].any(axis=0)
        left.append(np.unique(measured.spots.owner[is_left], return_counts=True))
    return _Look(measured.take(np.flatnonzero(~broken.any(axis=0))), left)


def _with_ways(looks: list[_Look], measurer: Measurer, finder: WayFinder) -> tuple[Measured, Bools]:
    """Spots of all lots that keep all other limits with their ways in, and which of them are reached."""
    sites, measured = measurer.study.settings.sites, joined(*(one.holds for one in looks))
    measured = measured.with_access(finder, np.arange(len(measured)), furthest_m=sites.road_distance_m[1])
    return measured, np.asarray(~broken_limits(measured, sites).any(axis=0))


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
