"""Candidates: spots whose distances and ways in were measured and hold; and those that miss one limit."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.study import Study
from allocator.sites.access import WayFinder
from allocator.sites.limits import LIMITS, broken_limits
from allocator.sites.measured import Measured, Measurer, joined
from allocator.sites.spots import CELL_STEPS, Spots, TileSpots
from allocator.sites.squares import best_per_square, place_in_square, squares

EXACT_STEPS = {
    "inside the property line": ("road", "road side", "weather", "boundary"),
    "near habitat": ("habitat",),
    "clear of buildings": ("building",),
    "outside exclusions": ("exclusion",),
    "off the damage itself": ("damage",),
    "reached on foot": ("access",),
}
"""Steps of the screening after those of cells, with the limits that each adds."""
FIRST_LOOK = 4
"""So many of the best spots of each square are measured first; the others only where all of those fail."""
STEPS = (*CELL_STEPS, *EXACT_STEPS)
"""All steps of the screening, in order."""


@dataclass(frozen=True)
class NearMisses:
    """Spots that break just one limit; those that their cells rule out are measured only when asked for.

    Parameters
    ----------
    measured : Measured
        Those that were measured on the way, habitat no further than its limit; ways in are looked for only where a
        trap has no site.
    spots : Spots
        Those that their cells rule out.
    measurer : Measurer
        Measures them.
    """

    measured: Measured
    spots: Spots
    measurer: Measurer

    def of(self, owner: int) -> Measured:
        """All of one property, measured.

        Parameters
        ----------
        owner : int
            The property.

        Returns
        -------
        Measured
            Spots that break one limit as far as measured.
        """
        further = self.measurer.measure(self.spots.take(np.flatnonzero(self.spots.owner == owner)))
        broken = broken_limits(further, self.measurer.study.settings.sites)
        near = further.take(np.flatnonzero(np.count_nonzero(broken, axis=0) == 1))
        its = self.measured.take(np.flatnonzero(self.measured.spots.owner == owner))
        return joined(self.measurer.with_habitat(its), near)

    def without(self, measured: Ints, spots: Ints) -> "NearMisses":
        """The same without some.

        Parameters
        ----------
        measured, spots : array of int64
            Positions to leave out of either lot.

        Returns
        -------
        NearMisses
            The rest, in order.
        """
        return NearMisses(
            self.measured.take(np.setdiff1d(np.arange(len(self.measured)), measured)),
            self.spots.take(np.setdiff1d(np.arange(len(self.spots.row)), spots)),
            self.measurer,
        )


@dataclass(frozen=True)
class Candidates:
    """Places where a trap may stand.

    Parameters
    ----------
    places : Measured
        Where, and all siting terms; no limit is broken.
    quality : array of float64
        0 to 1.
    misses : NearMisses
        Spots that break just one limit.
    passed : array of int64, shape (len(STEPS), properties)
        What was left of each property after each step: cells, then spots.
    """

    places: Measured
    quality: Floats
    misses: NearMisses
    passed: Ints


def measure_candidates(found: TileSpots, measurer: Measurer, finder: WayFinder) -> Candidates:
    """Candidates from spots: exact distances, hard limits, ways in, then the best of each square.

    Parameters
    ----------
    found : TileSpots
        Spots of the whole study.
    measurer : Measurer
        Measures them.
    finder : WayFinder
        Finds the ways in.

    Returns
    -------
    Candidates
        Sorted from north to south, then west to east; none where the study has no truck road.
    """
    study = measurer.study
    sites, number = study.settings.sites, len(study.properties.ids)
    place = place_in_square(found.spots, found.spots.rank, study.grid, side_m=sites.candidate_spacing_m)
    is_first = place < FIRST_LOOK
    measured, broken = _looked_at(found.spots.take(np.flatnonzero(is_first)), measurer, finder)
    held = squares(measured.spots.take(np.flatnonzero(~broken.any(axis=0))), study.grid, sites.candidate_spacing_m)
    rest = np.flatnonzero(~is_first)
    is_open = ~_is_among(squares(found.spots, study.grid, sites.candidate_spacing_m)[:, rest], held)
    more, more_broken = _looked_at(found.spots.take(rest[is_open]), measurer, finder)
    measured, broken = joined(measured, more), np.concatenate([broken, more_broken], axis=1)
    names, owner = [one.name for one in LIMITS], measured.spots.owner
    left, after = np.ones(len(owner), bool), []
    for limits in EXACT_STEPS.values():
        left = left & ~broken[[names.index(one) for one in limits]].any(axis=0)
        after.append(np.bincount(owner[left], minlength=number))
    good = measured.quality(study)
    at = np.flatnonzero(~broken.any(axis=0))
    at = at[best_per_square(measured.spots.take(at), good[at], study.grid, side_m=sites.candidate_spacing_m, most=1)]
    single = np.flatnonzero(np.count_nonzero(broken, axis=0) == 1)
    misses = NearMisses(measured.take(single), found.misses.spots, measurer)
    return Candidates(measured.take(at), good[at], misses, np.concatenate([found.passed.toarray(), after]))


def _looked_at(spots: Spots, measurer: Measurer, finder: WayFinder) -> tuple[Measured, Bools]:
    """Spots measured, with the ways in to those that keep all other limits, and the limits that each breaks."""
    sites = measurer.study.settings.sites
    measured = measurer.measure(spots, habitat_within_m=sites.habitat_distance_m)
    holds = np.flatnonzero(~broken_limits(measured, sites).any(axis=0))
    measured = measured.with_access(finder, holds, furthest_m=sites.road_distance_m[1])
    return measured, broken_limits(measured, sites)


def _is_among(these: Ints, those: Ints) -> Bools:
    """Which columns of one array stand in another as well."""
    sides = np.maximum(these.max(axis=1, initial=0), those.max(axis=1, initial=0)) + 1
    one, other = ((part[0] * sides[1] + part[1]) * sides[2] + part[2] for part in (these, those))
    return np.isin(one, other)


Reason = Callable[[Study], str]

ALL_WEATHER = {"yes": "", "no": " fit for all weather"}
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
        f"every spot is nearer than {s.settings.sites.building_setback_m:g} m to a building"
    ),
    "outside exclusions": lambda s: "every spot lies in an area where no trap may stand",
    "off the damage itself": lambda s: (
        f"every spot is nearer than {s.settings.sites.damage_setback_m:g} m to a damage spot"
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
