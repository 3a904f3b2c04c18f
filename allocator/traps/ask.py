"""What signing up each owner who has not signed would add: whom to ask next."""

from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.settings import TrapSettings
from allocator.habitat.area import Areas
from allocator.traps.need import Need, traps_needed


@dataclass(frozen=True)
class AskNext:
    """Owners who have not signed and hold habitat, the largest gain first.

    Parameters
    ----------
    property : array of int64
        Which property.
    habitat_m2, units_m2 : array of float64
        Habitat that would become enrolled, and the same times score.
    traps : array of int64
        Traps that the rule would add, this owner alone signing.
    complexes, with_traps : array of int64
        Complexes that its habitat lies in, and how many of them get traps already.
    """

    property: Ints
    habitat_m2: Floats
    units_m2: Floats
    traps: Ints
    complexes: Ints
    with_traps: Ints


def ask_next(areas: Areas, enrolled: Bools, need: Need, traps: TrapSettings) -> AskNext:
    """Owners who have not signed, ranked by what they would add.

    Parameters
    ----------
    areas : Areas
        Habitat by property and complex.
    enrolled : array of bool
        Per property.
    need : Need
        Traps needed as things stand.
    traps : TrapSettings
        Habitat per trap, rounding, smallest habitat.

    Returns
    -------
    AskNext
        By traps added, then habitat, then id. Ground that an enrolled property claims too is counted again here.
    """
    out = ~enrolled[areas.pair_property]
    owner, place = areas.pair_property[out], areas.pair_complex[out]
    habitat, units = areas.pair_m2[out], areas.pair_units_m2[out]
    smallest = traps.smallest_habitat_m2 * (1 - 1e-9)
    added = np.zeros(len(owner), np.int64)
    for row, (at, more) in enumerate(zip(place, habitat, strict=True)):
        total = float(areas.complex_enrolled_m2[at] + more)
        whole = traps_needed(total / traps.m2_per_trap, traps.rounding, is_large_enough=total >= smallest)
        added[row] = whole - need.complex_traps[at]
    number = len(enrolled)
    sums = [np.bincount(owner, values, number).astype(float) for values in (habitat, units, added)]
    held = np.bincount(owner, minlength=number)
    served = np.bincount(owner, need.complex_traps[place] > 0, number)
    those = np.flatnonzero(held)
    order = those[np.lexsort((those, -sums[0][those], -sums[2][those]))]
    return AskNext(
        order, sums[0][order], sums[1][order], sums[2][order].astype(np.int64), held[order].astype(np.int64),
        served[order].astype(np.int64),
    )  # fmt: skip
