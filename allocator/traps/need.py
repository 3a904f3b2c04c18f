"""How many traps a complex needs, and on whose land."""

import math
from dataclasses import dataclass, replace

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.settings import Rounding, TrapSettings
from allocator.habitat.area import Areas
from allocator.traps.sharing import share


@dataclass(frozen=True)
class Pairs:
    """Enrolled properties and the complexes they hold habitat of, sorted by complex, then property.

    Parameters
    ----------
    property, complex : array of int64
        Which meet.
    habitat_m2 : array of float64
        Habitat of the complex in the property, square metres.
    """

    property: Ints
    complex: Ints
    habitat_m2: Floats


@dataclass(frozen=True)
class Need:
    """Traps by complex and by property.

    Parameters
    ----------
    complex_exact : array of float64, shape (complexes,)
        Enrolled habitat over the habitat per trap.
    complex_traps : array of int64, shape (complexes,)
        Rounded.
    property_exact : array of float64, shape (properties,)
        Sum over complexes of the property's share before rounding.
    property_traps : array of int64, shape (properties,)
        Rounded; sums to the sum over complexes.
    pairs : Pairs
        Enrolled properties and their complexes.
    pair_traps : array of int64, shape (pairs,)
        Traps of each pair.
    """

    complex_exact: Floats
    complex_traps: Ints
    property_exact: Floats
    property_traps: Ints
    pairs: Pairs
    pair_traps: Ints


def traps_needed(exact: float, rounding: Rounding, *, is_large_enough: bool) -> int:
    """Whole traps of one complex.

    Parameters
    ----------
    exact : float
        Enrolled habitat over the habitat per trap.
    rounding : str
        nearest (a half goes up), up or down.
    is_large_enough : bool
        Whether the complex reaches the smallest habitat that gets a trap.

    Returns
    -------
    int
        At least 1 for a complex that is large enough.

    Examples
    --------
    >>> traps_needed(200 / 300, "nearest", is_large_enough=True)
    1
    >>> traps_needed(2000 / 300, "nearest", is_large_enough=True)
    7
    """
    # Acres that come out of sums of cells may miss a whole number by the last bit: a billionth settles it.
    nudge = 1e-9
    whole = {
        "nearest": math.floor(exact + 0.5 + nudge),
        "up": math.ceil(exact - nudge),
        "down": math.floor(exact + nudge),
    }[rounding]
    return max(whole, 1) if is_large_enough else whole


def enrolled_pairs(areas: Areas, enrolled: Bools) -> Pairs:
    """Pairs of an enrolled property and a complex that it holds habitat of.

    Parameters
    ----------
    areas : Areas
        Habitat by property and complex.
    enrolled : array of bool
        Per property.

    Returns
    -------
    Pairs
        Sorted by complex, then property.
    """
    signed = enrolled[areas.pair_property]
    return Pairs(areas.pair_property[signed], areas.pair_complex[signed], areas.pair_m2[signed])


def need_of_areas(areas: Areas, enrolled: Bools, traps: TrapSettings) -> Need:
    """Traps by the rule from habitat by property and complex.

    Parameters
    ----------
    areas : Areas
        Of one season.
    enrolled : array of bool, shape (properties,)
        Whose habitat asks for traps.
    traps : TrapSettings
        The rule.

    Returns
    -------
    Need
        By complex, property and pair.
    """
    pairs = enrolled_pairs(areas, enrolled)
    return work_out_need(pairs, areas.complex_enrolled_m2, properties=len(enrolled), traps=traps)


def work_out_need(pairs: Pairs, enrolled_habitat_m2: Floats, *, properties: int, traps: TrapSettings) -> Need:
    """Traps per complex, shared over its enrolled properties by their habitat.

    Parameters
    ----------
    pairs : Pairs
        Enrolled properties and their complexes.
    enrolled_habitat_m2 : array, shape (complexes,)
        Habitat of each complex on enrolled land, square metres, no ground counted twice.
    properties : int
        Number of properties.
    traps : TrapSettings
        Habitat per trap, rounding, smallest habitat, rule of sharing.

    Returns
    -------
    Need
        By complex, property and pair.
    """
    exact = enrolled_habitat_m2 / traps.m2_per_trap
    smallest = traps.smallest_habitat_m2 * (1 - 1e-9)
    complex_traps = np.array(
        [
            traps_needed(float(one), traps.rounding, is_large_enough=bool(m2 > 0 and m2 >= smallest))
            for one, m2 in zip(exact, enrolled_habitat_m2, strict=True)
        ],
        np.int64,
    )
    return _shared(complex_traps, pairs, exact=exact, properties=properties, traps=traps)


def give_traps(need: Need, complex_traps: Ints, traps: TrapSettings) -> Need:
    """A need with another number of traps per complex, shared anew over its properties.

    Parameters
    ----------
    need : Need
        What is needed.
    complex_traps : array of int64
        Traps that each complex is given.
    traps : TrapSettings
        Rule of sharing.

    Returns
    -------
    Need
        With the traps given; the exact figures stay.
    """
    number = len(need.property_exact)
    return _shared(complex_traps, need.pairs, exact=need.complex_exact, properties=number, traps=traps)


def _shared(complex_traps: Ints, pairs: Pairs, *, exact: Floats, properties: int, traps: TrapSettings) -> Need:
    """Traps of every complex shared over its enrolled properties."""
    pair_traps = np.zeros(len(pairs.property), np.int64)
    first = np.searchsorted(pairs.complex, np.arange(len(exact) + 1))
    for position in np.flatnonzero(complex_traps):
        its = np.s_[first[position] : first[position + 1]]
        pair_traps[its] = share(int(complex_traps[position]), pairs.habitat_m2[its].tolist(), traps.share_by)
    return Need(
        complex_exact=exact,
        complex_traps=complex_traps,
        property_exact=np.bincount(pairs.property, pairs.habitat_m2, properties) / traps.m2_per_trap,
        property_traps=np.bincount(pairs.property, pair_traps, properties).astype(np.int64),
        pairs=pairs,
        pair_traps=pair_traps,
    )


def with_pair_traps(need: Need, pairs: Pairs, pair_traps: Ints) -> Need:
    """A need whose complexes keep their traps but share them otherwise.

    Parameters
    ----------
    need : Need
        As worked out.
    pairs : Pairs
        Properties and complexes, sorted by complex, then property.
    pair_traps : array of int64, shape (pairs,)
        Traps of each pair.

    Returns
    -------
    Need
        With the sums by property that follow.
    """
    by_property = np.bincount(pairs.property, pair_traps, len(need.property_traps)).astype(np.int64)
    return replace(need, pairs=pairs, pair_traps=pair_traps, property_traps=by_property)


def traps_alone(need: Need, traps: TrapSettings) -> Ints:
    """What each property would get if its habitat were a complex of its own.

    Parameters
    ----------
    need : Need
        With the enrolled habitat of each property.
    traps : TrapSettings
        Rounding and smallest habitat.

    Returns
    -------
    array of int64, shape (properties,)
        Their sum says what rounding each property on its own would make of the total.
    """
    smallest = traps.smallest_habitat_m2 * (1 - 1e-9)
    return np.array(
        [
            traps_needed(
                float(one), traps.rounding, is_large_enough=bool(one > 0 and one * traps.m2_per_trap >= smallest)
            )
            for one in need.property_exact
        ],
        np.int64,
    )
