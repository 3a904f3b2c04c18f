"""Traps that stand already and sites that must stay: which complex they serve, and whose share they take."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from allocator.core.arrays import Floats, Ints
from allocator.core.errors import SitesInfeasibleError
from allocator.core.study import Study
from allocator.sites.decisions import Decided
from allocator.sites.reach import Demand
from allocator.traps.need import Need, Pairs, with_pair_traps


@dataclass(frozen=True)
class Held:
    """What is settled before sites are chosen.

    Parameters
    ----------
    in_place : array of float64, shape (traps, 2)
        Traps that stand already.
    in_place_complex : array of int64, shape (traps,)
        Complex whose share each takes; -1: it serves none, or its complex needs no more.
    in_place_property : array of int64, shape (traps,)
        Property whose share it takes.
    keep, keep_complex : array of int64, shape (sites,)
        Candidates to keep, and the complex that each serves.
    need : Need
        Traps by complex and property, shares moved so that what is held fits in.
    """

    in_place: Floats
    in_place_complex: Ints
    in_place_property: Ints
    keep: Ints
    keep_complex: Ints
    need: Need


def hold(study: Study, decided: Decided, demand: Demand, need: Need) -> Held:
    """What stands already and what is kept, matched to complexes and shares.

    Parameters
    ----------
    study : Study
        Traps in place.
    decided : Decided
        Candidates and sites to keep.
    demand : Demand
        Habitat by square.
    need : Need
        Traps by complex and property.

    Returns
    -------
    Held
        With nothing in place and nothing kept, the need as it was.

    Raises
    ------
    SitesInfeasibleError
        A site to keep serves no habitat, or a complex has more sites to keep than traps.
    """
    shapes = study.existing_traps
    in_place = np.empty((0, 2)) if shapes is None else shapely.get_coordinates(shapes)
    places, radius = decided.candidates.places, study.settings.service_radius_m
    keep = decided.keep
    keep_complex = _most_served(np.stack([places.x_m[keep], places.y_m[keep]], axis=1), demand, radius)
    problems = [
        f"site_decisions: site {one.site_id} is to be kept but no habitat lies within {radius:.0f} m of it. Move the "
        "point or clear its decision."
        for one, complex_ in zip(decided.kept, keep_complex, strict=True)
        if complex_ < 0
    ]
    if problems:
        raise SitesInfeasibleError(*problems)
    owners = np.concatenate([_owners(study, in_place), places.spots.owner[keep]])
    complexes = np.concatenate([_most_served(in_place, demand, radius), keep_complex])
    settled, owners, need = _settle(owners, complexes, need, len(in_place))
    _check_spacing(study, decided, np.stack([places.x_m[keep], places.y_m[keep]], axis=1), in_place)
    _check_kept(study, decided, keep_complex, need)
    return Held(in_place, settled[: len(in_place)], owners[: len(in_place)], keep, keep_complex, need)


def _most_served(places: Floats, demand: Demand, radius_m: float) -> Ints:
    """Complex of which each place serves most units; -1 where it serves none."""
    out = np.full(len(places), -1, np.int64)
    if not len(places) or not len(demand.x_m):
        return out
    tree = cKDTree(np.stack([demand.x_m, demand.y_m], axis=1))
    for place, near in enumerate(tree.query_ball_point(places, radius_m, return_sorted=True)):
        if near:
            of = np.searchsorted(demand.first, near, side="right") - 1
            out[place] = int(np.bincount(of, demand.units_m2[near]).argmax())
    return out


def _owners(study: Study, places: Floats) -> Ints:
    """Enrolled property that each place lies in; -1 where none."""
    out = np.full(len(places), -1, np.int64)
    point, owner = shapely.STRtree(study.properties.shapes).query(shapely.points(places), predicate="intersects")
    for at, its in zip(point[::-1], owner[::-1], strict=True):
        if study.properties.enrolled[its]:
            out[at] = its
    return out


def _settle(owners: Ints, complexes: Ints, need: Need, in_place: int) -> tuple[Ints, Ints, Need]:
    """Take each held trap from its owner's share; where the owner has none left, a share is moved to him.

    A trap in place outside enrolled land takes the largest share of its complex. Traps beyond what a complex needs
    take none.
    """
    settled, owners = complexes.copy(), owners.copy()
    if not len(owners):
        return settled, owners, need
    traps = {
        (int(c), int(p)): int(t)
        for c, p, t in zip(need.pairs.complex, need.pairs.property, need.pair_traps, strict=True)
    }  # fmt: skip
    habitat = {
        (int(c), int(p)): float(m2)
        for c, p, m2 in zip(need.pairs.complex, need.pairs.property, need.pairs.habitat_m2, strict=True)
    }  # fmt: skip
    free = dict(traps)
    # Sites to keep come first: a trap in place that finds no share left still serves.
    for at in [*range(in_place, len(owners)), *range(in_place)]:
        complex_, owner = int(complexes[at]), int(owners[at])
        open_ = [pair for pair, left in free.items() if pair[0] == complex_ and left > 0]
        if complex_ < 0 or not open_:
            settled[at] = -1
            continue
        pair = (complex_, owner)
        if free.get(pair, 0) <= 0:
            most = max(open_, key=lambda one: (free[one], habitat[one], -one[1]))
            if owner < 0:
                pair, owners[at] = most, most[1]
            else:
                traps[most] -= 1
                free[most] -= 1
                traps[pair] = traps.get(pair, 0) + 1
                free[pair] = free.get(pair, 0) + 1
                habitat.setdefault(pair, 0.0)
        free[pair] -= 1
    return settled, owners, _with_pairs(need, traps, habitat)


def _with_pairs(need: Need, traps: dict[tuple[int, int], int], habitat: dict[tuple[int, int], float]) -> Need:
    pairs = sorted(traps)
    complexes, properties = (np.array([one[part] for one in pairs], np.int64) for part in (0, 1))
    held = Pairs(properties, complexes, np.array([habitat[one] for one in pairs]))
    return with_pair_traps(need, held, np.array([traps[one] for one in pairs], np.int64))


def _check_spacing(study: Study, decided: Decided, kept: Floats, in_place: Floats) -> None:
    """Refuse sites to keep that stand too near each other or a trap in place."""
    spacing = study.settings.sites.spacing_m
    if not len(kept) or not spacing:
        return
    names = [one.site_id for one in decided.kept]
    mend = "Move one, clear its decision, or lower sites.spacing_m."
    pairs = cKDTree(kept).query_pairs(np.nextafter(spacing, 0), output_type="ndarray")
    problems = [
        f"site_decisions: sites {names[one]} and {names[other]} are both to be kept but stand "
        f"{np.hypot(*(kept[one] - kept[other])):.0f} m apart; sites.spacing_m is {spacing:g}. {mend}"
        for one, other in pairs[np.lexsort(pairs.T[::-1])].tolist()
    ]
    if len(in_place):
        distance = cKDTree(in_place).query(kept)[0]
        problems += [
            f"site_decisions: site {names[one]} is to be kept but a trap stands {distance[one]:.0f} m from it already; "
            f"sites.spacing_m is {spacing:g}. {mend}"
            for one in np.flatnonzero(distance < spacing).tolist()
        ]
    if problems:
        raise SitesInfeasibleError(*problems)


def _check_kept(study: Study, decided: Decided, keep_complex: Ints, need: Need) -> None:
    """Refuse more sites to keep in a complex than it has traps for."""
    problems = []
    kept = np.bincount(keep_complex, minlength=len(need.complex_traps))
    for complex_ in np.flatnonzero(kept > need.complex_traps):
        names = [one.site_id for one, its in zip(decided.kept, keep_complex, strict=True) if its == complex_]
        problems.append(
            f"site_decisions: {len(names)} sites are to be kept ({', '.join(names)}) in one complex of habitat that "
            f"needs {need.complex_traps[complex_]} traps at {study.settings.traps.acres_per_trap:g} acres per trap. "
            "Clear some of the decisions, or lower traps.acres_per_trap."
        )
    if problems:
        raise SitesInfeasibleError(*problems)
