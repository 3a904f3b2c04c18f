"""Sites for every complex: candidates matched to habitat, chosen with spacing, shortfalls explained."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import eye_array, hstack
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.progress import Progress
from allocator.core.study import Shapes, Study
from allocator.habitat.complexes import Complexes, small_parts
from allocator.sites.candidates import Candidates, reason_without_candidates
from allocator.sites.choose import Choice, choose_sites
from allocator.sites.reach import Demand, reach_matrix
from allocator.traps.need import Need

CIRCLE_QUARTER = 32
"""Straight pieces per quarter of a service circle: the circle drawn is 0.04 % smaller than a true one."""


@dataclass(frozen=True)
class Placement:
    """Sites of the whole study, best first.

    Parameters
    ----------
    candidate, complex_of : array of int64
        Candidate and complex of each site.
    circles : array of shapely polygons
        Ground within the service radius of each site.
    gain_m2 : array of float64
        Habitat units (m2 times score) that each site adds to those of its complex.
    served_m2 : array of float64
        Habitat of the complex inside the circle that no better site serves.
    complex_served, complex_bound : array of float64, shape (complexes,)
        Habitat units (m2 times score) served by the chosen sites, quality left out; and the proven bound of the
        choice, relative to what was served: 1 where no choice is better.
    reason : tuple of str
        Per property: why traps have no site; empty where none is short.
    """

    candidate: Ints
    complex_of: Ints
    circles: Shapes
    gain_m2: Floats
    served_m2: Floats
    complex_served: Floats
    complex_bound: Floats
    reason: tuple[str, ...]


def place_sites(
    study: Study, candidates: Candidates, demand: Demand, *, need: Need, complexes: Complexes, patches: Shapes,
    progress: Progress,
) -> Placement:  # fmt: skip
    """Choose the sites of all complexes, the one with most traps first.

    Parameters
    ----------
    study : Study
        Settings and properties.
    candidates : Candidates
        Where traps may stand.
    demand : Demand
        Habitat by square.
    need : Need
        Traps by complex and property.
    complexes : Complexes
        Which complex each patch belongs to.
    patches : array of shapely multipolygons
        Outlines, to measure what is served.
    progress : Progress
        Told after each complex.

    Returns
    -------
    Placement
        Sites keep the spacing also between complexes.
    """
    order = np.argsort(-need.complex_traps, kind="stable")
    order = order[need.complex_traps[order] > 0]
    taken: list[tuple[float, int, int]] = []
    served = np.zeros(complexes.count)
    bound = np.ones(complexes.count)
    shortfalls: list[tuple[int, int]] = []
    for done, place in enumerate(order):
        its = need.pairs.complex == place
        limit = np.zeros(len(study.properties.ids), np.int64)
        limit[need.pairs.property[its]] = need.pair_traps[its]
        free = _free_candidates(candidates, limit, [one for _, one, _ in taken], study)
        choice, gains, reached = _choose(study, candidates, demand, place=int(place), free=free, limit=limit)
        # A site that would only repeat what others serve is no site, however good the spot.
        chosen = free[[one for one, gain in zip(choice.sites, gains, strict=True) if gain > 0]]
        taken += [(-gain, int(one), int(place)) for one, gain in zip(chosen, filter(None, gains), strict=True)]
        served[place] = sum(gains)
        bound[place] = choice.bound / choice.served if choice.served else 1.0
        shortfalls += _shortfalls(candidates, limit, chosen=chosen, free=free, reached=reached)
        progress((done + 1) / len(order), f"choosing sites, complex {done + 1} of {len(order)}")
    taken.sort()
    candidate = np.array([one for _, one, _ in taken], np.int64)
    complex_of = np.array([place for _, _, place in taken], np.int64)
    circles, served_m2 = _served_ground(study, candidates, candidate, complex_of, complexes, patches)
    sited = np.bincount(candidates.spots.owner[candidate], minlength=len(study.properties.ids))
    return Placement(
        candidate,
        complex_of,
        circles,
        -np.array([gain for gain, _, _ in taken]),
        served_m2,
        served,
        bound,
        _reasons(study, candidates, need, sited, shortfalls),
    )


@dataclass(frozen=True)
class Gains:
    """What sites gain, the best first.

    Parameters
    ----------
    curves : list of array of float64
        For each complex the gain of 1, 2 and so on up to as many sites as it has: habitat units (m2 times score), those
        of sites near a sighting counted for more.
    served_m2 : array of float64, shape (sites,)
        Habitat units that the best 1, 2 and so on sites of all complexes serve, nothing counted for more.
    """

    curves: list[Floats]
    served_m2: Floats


def site_gains(study: Study, candidates: Candidates, placement: Placement, need: Need) -> Gains:
    """What so many traps gain.

    Parameters
    ----------
    study : Study
        Sightings, service radius, weight of sightings.
    candidates : Candidates
        Where the sites stand.
    placement : Placement
        Sites for as many traps as are needed.
    need : Need
        Traps of each complex.

    Returns
    -------
    Gains
        By complex and in all.
    """
    gain = placement.gain_m2.copy()
    seen, radius = study.sightings, study.settings.service_radius_m
    if seen is not None and len(seen) and len(gain):
        tree = cKDTree(seen[["x_m", "y_m"]].to_numpy(float))
        at = np.stack([candidates.x_m[placement.candidate], candidates.y_m[placement.candidate]], axis=1)
        gain[tree.query(at)[0] <= radius] *= 1 + study.settings.traps.sightings_weight
    order = np.argsort(-gain, kind="stable")
    its = placement.complex_of[order]
    curves = [np.cumsum(gain[order][its == place]) for place in range(len(need.complex_traps))]
    return Gains(curves, np.cumsum(placement.gain_m2[order]))


def _free_candidates(candidates: Candidates, limit: Ints, taken: list[int], study: Study) -> Ints:
    """Candidates on properties with traps to place, not too near a site that is taken."""
    mine = limit[candidates.spots.owner] > 0
    if taken:
        tree = cKDTree(np.stack([candidates.x_m[taken], candidates.y_m[taken]], axis=1))
        spacing = np.nextafter(study.settings.sites.spacing_m, 0)
        at = np.flatnonzero(mine)
        nearest, _ = tree.query(np.stack([candidates.x_m[at], candidates.y_m[at]], axis=1))
        mine[at[nearest <= spacing]] = False
    return np.flatnonzero(mine)


def _choose(
    study: Study, candidates: Candidates, demand: Demand, *, place: int, free: Ints, limit: Ints
) -> tuple[Choice, list[float], Bools]:
    """Choice among the free candidates of one complex, what each site adds, and which candidates reach habitat."""
    settings = study.settings
    its = np.s_[demand.first[place] : demand.first[place + 1]]
    x_m, y_m = candidates.x_m[free], candidates.y_m[free]
    reach = reach_matrix(x_m, y_m, demand.x_m[its], demand.y_m[its], settings.service_radius_m)
    reached = np.diff(reach.indptr) > 0
    worth = demand.units_m2[its]
    close = np.empty((0, 2), np.int64)
    if settings.sites.spacing_m > 0 and len(free):
        spacing = np.nextafter(settings.sites.spacing_m, 0)
        close = cKDTree(np.stack([x_m, y_m], axis=1)).query_pairs(spacing, output_type="ndarray")
    # Quality enters as one cell per candidate that only this candidate serves, worth little.
    extra = candidates.quality[free] * settings.sites.quality_share * settings.traps.m2_per_trap
    extra[~reached] = 0
    choice = choose_sites(
        hstack([reach, eye_array(len(free), format="csr")], format="csr"), np.concatenate([worth, extra]),
        int(limit.sum()), close, candidates.spots.owner[free], limit, seconds=settings.sites.seconds,
    )  # fmt: skip
    left, gains = worth.copy(), []
    for one in choice.sites:
        cells = reach.indices[reach.indptr[one] : reach.indptr[one + 1]]
        gains.append(float(left[cells].sum()))
        left[cells] = 0
    return choice, gains, reached


def _shortfalls(
    candidates: Candidates, limit: Ints, *, chosen: Ints, free: Ints, reached: Bools
) -> list[tuple[int, int]]:
    """Properties of a complex that are short, each with why: 0 no free spot, 1 none in reach of habitat, 2 spacing."""
    owner, number = candidates.spots.owner, len(limit)
    short = np.flatnonzero(limit > np.bincount(owner[chosen], minlength=number))
    has_free = np.bincount(owner[free], minlength=number) > 0
    has_reach = np.bincount(owner[free[reached]], minlength=number) > 0
    return [(int(one), 0 if not has_free[one] else 2 if has_reach[one] else 1) for one in short]


def _reasons(
    study: Study, candidates: Candidates, need: Need, sited: Ints, shortfalls: list[tuple[int, int]]
) -> tuple[str, ...]:
    """Per property, in words, why traps have no site."""
    spacing = f"every further spot is nearer than {study.settings.sites.spacing_m:g} m to another trap"
    beyond = f"no spot near a truck road lies within {study.settings.service_radius_m:.0f} m of the habitat"
    repeated = (
        f"every further spot is nearer than {study.settings.sites.spacing_m:g} m to another trap, or adds no habitat"
    )
    words = (spacing, beyond, repeated)
    reasons = [""] * len(study.properties.ids)
    for one in np.flatnonzero(need.property_traps > sited):
        without = reason_without_candidates(candidates.passed[:, one], study)
        kinds = [kind for owner, kind in shortfalls if owner == one]
        reasons[one] = without or "; ".join(dict.fromkeys(words[kind] for kind in kinds))
    return tuple(reasons)


def _served_ground(
    study: Study, candidates: Candidates, candidate: Ints, complex_of: Ints, complexes: Complexes, patches: Shapes
) -> tuple[Shapes, Floats]:
    """Circles, and the habitat of the complex in each that lies in no better circle of the same complex."""
    points = shapely.points(candidates.x_m[candidate], candidates.y_m[candidate])
    circles = np.asarray(shapely.buffer(points, study.settings.service_radius_m, quad_segs=CIRCLE_QUARTER))
    served = np.zeros(len(candidate))
    if not len(candidate):
        return circles.reshape(0), served
    parts, patch = small_parts(patches)
    tree = shapely.STRtree(parts)
    centres = cKDTree(np.stack([candidates.x_m[candidate], candidates.y_m[candidate]], axis=1))
    for place, circle in enumerate(circles):
        near = np.array(centres.query_ball_point(centres.data[place], 2 * study.settings.service_radius_m))
        better = near[(near < place) & (complex_of[near] == complex_of[place])]
        ground = circle
        if len(better):
            ground = shapely.difference(circle, shapely.union_all(circles[better]))
        its = tree.query(ground, predicate="intersects")
        its = its[complexes.complex_of[patch[its]] == complex_of[place]]
        served[place] = float(shapely.area(shapely.intersection(parts[its], ground)).sum())
    return circles, served
