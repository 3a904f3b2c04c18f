"""Fewer traps on hand than needed: who gets them, so that the gain is largest.

A concave gain curve (each further trap adds no more than the one before) is served by sorting what each trap adds. Any
other curve goes through dynamic programming. A (max,+) convolution joins the two.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Floats, Ints

UNIT_BITS = 52
"""Gains are counted in whole units of 2^-52 of their sum, the sum rounded up to a power of 2."""
TIE_UNITS = 2**12
"""Gains that differ by no more than this count as equal: 2^-40 of that sum."""


@dataclass(frozen=True)
class Allocation:
    """Traps on hand, given where the gain is largest.

    Parameters
    ----------
    traps : array of int64, shape (complexes,)
        Traps of each complex, in the order given. A trap that would add nothing is not given to anyone.
    gain : float
        Total gain, in the unit of the gains; equals frontier at the traps on hand.
    frontier : array of float64, shape (most + 1,)
        Best total gain with 0, 1, 2 and so on up to `most` traps, which is the sum of all needs.
    marginal : float
        What one more trap than those on hand would add; NaN if every need is met. It is 0 where only two or more
        further traps together would add something.
    """

    traps: Ints
    gain: float
    frontier: Floats
    marginal: float


def allocate(gains: Sequence[Sequence[float] | Floats], available: int) -> Allocation:
    """The traps on hand, given to complexes so that the total gain is the largest there is.

    Parameters
    ----------
    gains : sequence of sequence of float
        For each complex its total gain with 1, 2 and so on up to as many traps as it needs: 0 or more, never falling.
        The gain with no trap is 0. An empty curve needs no trap.
    available : int
        Traps on hand, 0 or more.

    Returns
    -------
    Allocation
        Traps of each complex, total gain, best gain for every number of traps, and what one more trap would add.

    Raises
    ------
    ValueError
        The traps on hand are negative or not whole; a gain is negative, blank or infinite; a curve falls.

    Notes
    -----
    Gains are first rounded to whole units of 2^-52 of their sum, about what a float keeps of that sum. From there on
    the arithmetic is in whole numbers, so the total and the frontier are the same to the last bit for any order of the
    complexes.

    Ties: totals, and what single traps add, that differ by at most 2^-40 of the sum of all gains (about a millionth of
    a millionth; the sum is rounded up to a power of 2) count as equal, so that rounding in the gains decides nothing.
    The traps given reach the total to within such margins.
    Of equally good ways the one with the fewest traps is taken, then the one that gives most to the first complex,
    then to the second, and so on in the order given.

    Examples
    --------
    >>> few = allocate([[5.0, 9.0], [0.0, 12.0], [4.0]], available=3)
    >>> few.traps.tolist(), few.gain, few.marginal
    ([1, 2, 0], 17.0, 4.0)
    >>> few.frontier.tolist()
    [0.0, 5.0, 12.0, 17.0, 21.0, 25.0]
    """
    if not float(available).is_integer() or available < 0:
        raise ValueError(f"There are {available} traps on hand; it must be a whole number, 0 or more.")
    curves = [_checked(position, curve) for position, curve in enumerate(gains)]
    unit = _unit(curves)
    steps = [np.diff(np.rint(curve / unit).astype(np.int64), prepend=0) for curve in curves]
    concave = {c: step for c, step in enumerate(steps) if not (np.diff(step) > TIE_UNITS).any()}
    others = {c: step for c, step in enumerate(steps) if c not in concave}
    best_concave, turns = _sort_what_traps_add(concave)
    best_others, takes = _programme(others, int(available))
    best = _best_of_two(best_concave, best_others)
    on_hand = min(int(available), len(best) - 1)
    # As few as will do: a trap that adds nothing stays in the shed.
    used = int(np.searchsorted(best[: on_hand + 1], best[on_hand] - TIE_UNITS))
    # All equally good numbers of traps for the other curves; the concave ones get the rest.
    parts = np.arange(max(0, used - len(best_concave) + 1), min(used, len(best_others) - 1) + 1)
    parts = parts[best_concave[used - parts] + best_others[parts] >= best[used] - TIE_UNITS]
    frontier = best * unit
    return Allocation(
        traps=_traps_by_complex(len(curves), turns, takes, rest=used - parts, left=parts),
        gain=float(frontier[on_hand]),
        frontier=frontier,
        marginal=float(frontier[on_hand + 1] - frontier[on_hand]) if on_hand + 1 < len(best) else math.nan,
    )


def _checked(position: int, curve: Sequence[float] | Floats) -> Floats:
    array = np.asarray(curve, np.float64)
    if array.ndim != 1:
        raise ValueError(f"The gains of complex {position} must be one list of numbers.")
    if not np.isfinite(array).all() or (np.diff(array, prepend=0.0) < 0).any():
        raise ValueError(
            f"The gains of complex {position} are {array.tolist()}; they must be numbers, 0 or more, that never fall."
        )
    return array


def _unit(curves: Sequence[Floats]) -> float:
    """A power of 2 such that all gains together stay under 2^52 units, give or take the rounding of each."""
    try:
        total = math.fsum(curve[-1] for curve in curves if len(curve))
    except OverflowError:
        raise ValueError("The gains are too large to add up.") from None
    return math.ldexp(1.0, max(math.frexp(total)[1], -900) - UNIT_BITS)


def _sort_what_traps_add(steps: dict[int, Ints]) -> tuple[Ints, dict[int, Ints]]:
    """Best totals of concave curves, and the turns at which each complex gets its traps.

    What adds most has the first turn; of equals the earlier complex, and its first trap before its second.
    """
    adds = np.concatenate([np.zeros(0, np.int64), *steps.values()])
    by_value = np.argsort(-adds, kind="stable")
    falling = adds[by_value]
    level = np.zeros(len(adds), np.int64)
    level[by_value[1:]] = np.cumsum(falling[:-1] - falling[1:] > TIE_UNITS)
    turn = np.zeros(len(adds), np.int64)
    turn[np.argsort(level, kind="stable")] = np.arange(len(adds))
    ends = np.cumsum([len(step) for step in steps.values()], dtype=np.int64)
    best = np.concatenate([[0], np.cumsum(falling)])
    # Cut at every end: what lies behind the last one is empty.
    return best, dict(zip(steps, np.split(turn, ends)[:-1], strict=True))


def _programme(steps: dict[int, Ints], available: int) -> tuple[Ints, dict[int, Ints]]:
    """Best totals of curves of any shape, and how many traps each complex takes of those left for it and later ones."""
    best = np.zeros(1, np.int64)
    takes: dict[int, Ints] = {}
    for c, step in reversed(steps.items()):
        gains = np.concatenate([[0], np.cumsum(step)])
        later, best = best, _best_of_two(gains, best)
        # As few bytes as will do: complexes times traps is what fills memory.
        take = np.zeros(min(len(best), available + 1), np.min_scalar_type(-len(gains)))
        for k, gain in enumerate(gains[: len(take)]):
            stop = min(k + len(later), len(take))
            is_as_good = later[: stop - k] + gain >= best[k:stop] - TIE_UNITS
            take[k:stop][is_as_good] = k
        takes[c] = take
    return best, takes


def _best_of_two(one: Ints, other: Ints) -> Ints:
    """Best totals of two sets of complexes together, for every number of traps: the (max,+) convolution."""
    short, long = sorted((one, other), key=len)
    best = np.zeros(len(short) + len(long) - 1, np.int64)
    for k, gain in enumerate(short):
        part = best[k : k + len(long)]
        np.maximum(part, long + gain, out=part)
    return best


def _traps_by_complex(
    complexes: int, turns: Mapping[int, Ints], takes: Mapping[int, Ints], *, rest: Ints, left: Ints
) -> Ints:
    """Of equally good ways to part the traps (rest for concave curves, left for others), the one for earlier ones."""
    traps = np.zeros(complexes, np.int64)
    for c in range(complexes):
        is_concave = c in turns
        gets = np.searchsorted(turns[c], rest) if is_concave else takes[c][left].astype(np.int64)
        traps[c] = gets.max()
        favoured = gets == traps[c]
        rest, left = rest[favoured], (left if is_concave else left - gets)[favoured]
    return traps
