"""Sites for the traps needed; and where fewer are on hand, for those, given where they gain most."""

from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Floats, Ints
from allocator.core.errors import SitesInfeasibleError
from allocator.core.progress import Progress, part_of
from allocator.core.study import Study
from allocator.habitat.season import Habitat
from allocator.sites.decisions import Decided
from allocator.sites.held import Held, hold
from allocator.sites.place import Board, Placement, place_sites
from allocator.sites.reach import Demand
from allocator.traps.limited import allocate
from allocator.traps.need import Need, Pairs, give_traps, with_pair_traps

FEW_TRAPS = 4
"""Up to so many traps a complex is chosen anew for each number, to see what fewer traps would gain."""


@dataclass(frozen=True)
class Allotment:
    """Traps given, and where they stand.

    Parameters
    ----------
    given : Need
        Traps given to every complex and property, those in place among them: those needed, or fewer.
    placement : Placement
        Sites of the new ones.
    board : Board
        What they were chosen from.
    frontier_m2 : array of float64
        Habitat units (m2 times score) that 1, 2 and so on new traps serve, placed where they gain most.
    marginal_m2 : float
        What one more trap than given would gain, habitat near a sighting counted for more; NaN where none is needed.
    """

    given: Need
    placement: Placement
    board: Board
    frontier_m2: Floats
    marginal_m2: float

    @property
    def held(self) -> Held:
        """Traps in place and sites to keep."""
        return self.board.held

    @property
    def in_place(self) -> Ints:
        """Traps given to each property that stand already."""
        of = self.held.in_place_property[self.held.in_place_complex >= 0]
        return np.bincount(of, minlength=len(self.given.property_traps))

    @property
    def pair_short(self) -> Ints:
        """Traps given to each pair of a property and a complex that have no site."""
        owner = self.board.candidates.places.spots.owner[self.placement.candidate]
        pairs, held = self.given.pairs, self.held
        standing = count_pairs(pairs, held.in_place_property, held.in_place_complex)
        return self.given.pair_traps - standing - count_pairs(pairs, owner, self.placement.complex_of)


def allot_traps(
    study: Study, decided: Decided, demand: Demand, need: Need, habitat: Habitat, progress: Progress
) -> Allotment:
    """Give the traps on hand to complexes and choose their sites.

    Parameters
    ----------
    study : Study
        Settings, sightings, traps in place.
    decided : Decided
        Where traps may stand, and the sites to keep.
    demand : Demand
        Habitat by square.
    need : Need
        Traps needed.
    habitat : Habitat
        Complexes and outlines of the planned season.
    progress : Progress
        Told after each complex.

    Returns
    -------
    Allotment
        Where all traps needed are on hand, the sites for all of them. Else sites are chosen for all first, to see what
        each would gain; the traps on hand go to the complexes where they gain most, and sites are chosen anew for them.

    Raises
    ------
    SitesInfeasibleError
        The sites to keep cannot all hold at once.
    """
    complexes, patches = habitat.complexes, habitat.patches.shapes
    held = hold(study, decided, demand, need)
    standing = np.bincount(held.in_place_complex[held.in_place_complex >= 0], minlength=complexes.count)
    wanted = int((need.complex_traps - standing).sum())
    available = study.settings.traps.available
    is_short = available is not None and available < wanted
    placement, board = place_sites(
        study, decided.candidates, demand, held, complexes=complexes, patches=patches,
        progress=part_of(progress, 0.0, 0.5 if is_short else 1.0),
    )  # fmt: skip
    curves = [_curve(board, place) if is_short else np.empty(0) for place in range(complexes.count)]
    frontier = np.cumsum(placement.gain_m2[np.argsort(-placement.weighted_m2, kind="stable")])
    if not is_short:
        given = _follow_sites(held.need, placement, board)
        return Allotment(given, placement, board, frontier, float("nan"))
    assert available is not None
    kept = np.bincount(held.keep_complex, minlength=complexes.count)
    if kept.sum() > available:
        raise SitesInfeasibleError(
            f"traps.available is {available} but {kept.sum()} sites are to be kept. Raise it, or clear some decisions "
            "in site_decisions."
        )
    further = [curve[k:] - (curve[k - 1] if k else 0.0) for curve, k in zip(curves, kept.tolist(), strict=True)]
    allocation = allocate(further, available - int(kept.sum()))
    given = give_traps(need, standing + kept + allocation.traps, study.settings.traps)
    placement, board = place_sites(
        study, decided.candidates, demand, hold(study, decided, demand, given), complexes=complexes, patches=patches,
        progress=part_of(progress, 0.5, 1.0),
    )  # fmt: skip
    given = _follow_sites(board.held.need, placement, board)
    return Allotment(given, placement, board, frontier, allocation.marginal)


def _curve(board: Board, place: int) -> Floats:
    """What 1, 2 and so on sites of a complex gain at most, as far as is known, those near a sighting counted for more.

    The sites chosen for all its traps, the best first; and for few traps, chosen for just so many.
    """
    if place not in board.found:
        return np.empty(0)
    curve = np.cumsum(board.found[place].weighted_m2)
    for count in range(1, min(len(curve), FEW_TRAPS) + 1):
        curve[count - 1] = max(curve[count - 1], board.gain_of(place, count))
    return np.maximum.accumulate(curve)


def _follow_sites(need: Need, placement: Placement, board: Board) -> Need:
    """Shares moved to where the sites are, when properties may take traps beyond their share.

    In each complex a property with more sites than its share takes the difference from those that are short, the one
    that is shortest first.
    """
    owner = board.candidates.places.spots.owner[placement.candidate]
    pairs, traps = need.pairs, need.pair_traps.copy()
    sited = count_pairs(pairs, owner, placement.complex_of)
    sited += count_pairs(pairs, board.held.in_place_property, board.held.in_place_complex)
    for pair in np.flatnonzero(sited > traps):
        its = np.flatnonzero(pairs.complex == pairs.complex[pair])
        while traps[pair] < sited[pair]:
            shortest = its[np.argmax((traps - sited)[its])]
            traps[shortest] -= 1
            traps[pair] += 1
    return with_pair_traps(need, pairs, traps)


def count_pairs(pairs: Pairs, owner: Ints, complex_of: Ints) -> Ints:
    """How many things with an owner and a complex each pair has.

    Parameters
    ----------
    pairs : Pairs
        Properties and complexes, sorted by complex, then property.
    owner, complex_of : array of int64
        Of each thing; those of no complex (-1) are left out, the others belong to a pair.

    Returns
    -------
    array of int64, shape (pairs,)
        Counts.
    """
    counted = complex_of >= 0
    width = int(max(pairs.property.max(initial=0), owner.max(initial=0))) + 1
    at = np.searchsorted(pairs.complex * width + pairs.property, complex_of[counted] * width + owner[counted])
    return np.bincount(at, minlength=len(pairs.property))
