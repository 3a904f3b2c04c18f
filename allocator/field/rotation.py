"""A season of trap sets: which set stands where and when, with the fewest sets, or the most sites for those there are.

Sets are alike, so the sets needed are the most sites in work on any one day. Sites are first put in one by one, with a
bound by counting; what that leaves open goes to an exact model (HiGHS).
"""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import optimize
from scipy.sparse import block_array, csr_array, eye_array

from allocator.core.arrays import Bools, Ints
from allocator.field.open_days import Stages as Stages
from allocator.field.open_days import stage_dates as stage_dates

TOO_SHORT = "window too short"
TOO_LATE = "ready too late"
NO_SET = "no set free"
ROUNDING = 1e-6
"""A bound of the solver is trusted to within this many sets or sites."""
LARGE, COARSE = 5_000, 3
"""A model of more starts than that is first tried with starts on every third day of a window alone: on 150 sites of 150
different kinds that found in 2 s better plans than all days together in 10 s."""


@dataclass(frozen=True)
class Rotation:
    """Every site with its set and its days.

    Parameters
    ----------
    set_of : tuple of int, shape (sites,)
        Set at each site, from 0; -1 for a site not served.
    start, end : tuple of int, shape (sites,)
        First and last day of each site, day indices as given; -1 for a site not served.
    sets : int
        Sets used.
    bound : int
        Proven: the sites served cannot be served with fewer sets than this.
    most : int
        Proven: no plan with the sets given serves more sites; with no number of sets given, the sites that can be
        served at all.
    status : str
        optimal: proven that nothing is better by what ``plan_rotation`` looks for; otherwise feasible.
    unserved : tuple of (int, str)
        Sites not served, by rank, each with its reason: window too short, ready too late, or no set free.
    """

    set_of: tuple[int, ...]
    start: tuple[int, ...]
    end: tuple[int, ...]
    sets: int
    bound: int
    most: int
    status: Literal["optimal", "feasible"]
    unserved: tuple[tuple[int, str], ...]


def plan_rotation(
    ready: Sequence[int],
    cycle_days: Sequence[int],
    windows: Sequence[tuple[int, int]],
    sets: int | None = None,
    seconds: float = 20.0,
) -> Rotation:
    """A set and its days for every site of a season.

    Parameters
    ----------
    ready : sequence of int, shape (sites,)
        First day on which each site may be built, a day index. Sites come in order of rank, the best first.
    cycle_days : sequence of int, shape (sites,)
        Whole days that a set stays at each site, 1 or more.
    windows : sequence of (int, int)
        First and last day index of each open window, both included, 0 or more, in order and apart.
    sets : int, optional
        Sets at hand. None: as many as are needed.
    seconds : float
        Most time for the exact model. 0: lists and the bound by counting only.

    Returns
    -------
    Rotation
        With ``sets`` None: every site that fits into a window after it is ready, with the fewest sets. With ``sets``:
        first the most sites; among such plans the largest sum of rank weights, which are n for the first of n sites
        that fit, n - 1 for the second, and so on to 1. In both cases, days are then moved as early as they go,
        better ranks first; sets are numbered in the order in which they are first needed.

    Raises
    ------
    ValueError
        Lists differ in length, a number is negative, a cycle has no day, or windows are out of order or overlap.

    Notes
    -----
    A site's whole cycle lies inside one window: pre-bait does not stop half way, and nothing is left armed in closed
    time. A set does one site at a time; the next begins the day after the last has ended, at the earliest.

    With equal cycles and all sites ready, sets = ceil(sites / sum over windows of floor(window days / cycle)) is
    optimal, and putting sites in one by one reaches it. Otherwise x[k, s] sites of kind k (equal cycle and first day)
    begin on day s, with min K, all sites begun, and at every s no more than K in work: intervals on a line need as many
    sets as overlap at most. Moving sites as early as they go changes neither sets nor sites, so s runs only over first
    days and those plus sums of cycles. The bound is of all these days; coarser days are used only to find plans. When
    time runs out, the best plan and bound so far are given, as feasible: these may differ from one machine to another.

    Examples
    --------
    Five sites of 10 days in windows of 25 and 12 days: a set does three.

    >>> plan = plan_rotation([0] * 5, [10] * 5, [(0, 24), (30, 41)])
    >>> plan.sets, plan.bound, plan.status, plan.start, plan.set_of
    (2, 2, 'optimal', (0, 0, 10, 10, 30), (0, 1, 0, 1, 0))
    >>> plan_rotation([0] * 5, [10] * 5, [(0, 24), (30, 41)], sets=1).unserved
    ((3, 'no set free'), (4, 'no set free'))
    """
    _check(ready, cycle_days, windows, sets, seconds)
    first_day, reasons = _first_days(ready, cycle_days, windows)
    fit = sorted(first_day)
    if not fit:
        none = (-1,) * len(ready)
        return Rotation(none, none, none, 0, 0, 0, "optimal", tuple(sorted(reasons.items())))
    season = _Season(
        np.array([first_day[site] for site in fit], int), np.array(cycle_days, int)[fit], np.array(windows, int)
    )
    until = time.monotonic() + seconds
    if sets is None:
        start, bound, is_proven = _fewest(season, until)
        most = len(fit)
    else:
        start, most, is_proven = _most(season, int(sets), until)
        bound = _fewest_by_counting(season.only(start >= 0))
    set_of = _number_sets(start, season.cycle)
    rows = np.full((3, len(ready)), -1)
    rows[:, fit] = set_of, start, np.where(start >= 0, start + season.cycle - 1, -1)
    reasons |= {fit[place]: NO_SET for place in np.flatnonzero(start < 0)}
    sets_of_sites, starts, ends = (tuple(row) for row in rows.tolist())
    return Rotation(
        sets_of_sites, starts, ends, int(set_of.max(initial=-1)) + 1, bound, most,
        "optimal" if is_proven else "feasible", tuple(sorted(reasons.items())),
    )  # fmt: skip


def _check(
    ready: Sequence[int], cycles: Sequence[int], windows: Sequence[tuple[int, int]], sets: int | None, seconds: float
) -> None:
    if len(ready) != len(cycles):
        raise ValueError(f"{len(ready)} sites have a ready day, but {len(cycles)} a cycle.")
    for days in cycles:
        if days != int(days) or days < 1:
            raise ValueError(f"A cycle has {days} days; it must be a whole number, 1 or more.")
    before = -1
    for first, last in windows:
        if not before < first <= last:
            raise ValueError(f"Window {first} to {last} comes after day {before}: windows must be in order and apart.")
        before = last
    for name, value in {"sets": sets or 0, "seconds": seconds}.items():
        if not value >= 0 or (name == "sets" and value != int(value)):
            raise ValueError(f"{name} is {value}; it must be 0 or more, and sets whole.")


def _first_days(
    ready: Sequence[int], cycle_days: Sequence[int], windows: Sequence[tuple[int, int]]
) -> tuple[dict[int, int], dict[int, str]]:
    """First day on which each site can begin and end inside one window; the reason for those that cannot."""
    first_day, reasons = {}, {}
    for site, (day, cycle) in enumerate(zip(ready, cycle_days, strict=True)):
        days = [max(day, first) for first, last in windows if max(day, first) + cycle - 1 <= last]
        if days:
            first_day[site] = days[0]
        else:
            longest = max((last - first + 1 for first, last in windows), default=0)
            reasons[site] = TOO_SHORT if longest < cycle else TOO_LATE
    return first_day, reasons


@dataclass(frozen=True)
class _Season:
    """Sites that fit, by rank: first day and cycle of each; windows (first, last)."""

    ready: Ints
    cycle: Ints
    windows: Ints

    def only(self, sites: Bools | Ints) -> "_Season":
        return replace(self, ready=self.ready[sites], cycle=self.cycle[sites])

    def kinds(self) -> tuple[Ints, Ints, Ints]:
        """First day and cycle of each kind, the first site of each, and the kind of every site."""
        pairs = np.stack([self.ready, self.cycle], axis=1)
        kinds, head, kind_of = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
        return kinds, head, kind_of.ravel()

    def weight(self, start: Ints) -> tuple[int, int]:
        """Sites served, and the sum of their rank weights."""
        served = np.flatnonzero(start >= 0)
        return len(served), int((len(start) - served).sum())


def _fewest(season: _Season, until: float) -> tuple[Ints, int, bool]:
    """Starts with the fewest sets, the bound on sets, and whether they agree."""
    bound, every = _fewest_by_counting(season), len(season.ready)
    start, sets = season.ready, every
    for fewer in range(bound, every):
        tried = _put_in(season, fewer)
        if (tried >= 0).all():
            start, sets = tried, fewer
            break
    if bound < sets and time.monotonic() < until:
        relaxed = _solve(season, (bound, every), (every, every), None, 1, until, is_whole=False)[1]
        bound = math.ceil(max(bound, min(sets, relaxed - ROUNDING)))
    for step, stop in _steps(season, until):
        if bound < sets and time.monotonic() < stop:
            found, proven = _solve(season, (bound, sets - 1), (every, every), None, step, stop)
            if step == 1:
                bound = math.ceil(max(bound, min(sets, proven - ROUNDING)))
            if found is not None:
                start, sets = found, int(_number_sets(found, season.cycle).max()) + 1
    return _move_early(season, start, sets), bound, bound >= sets


def _most(season: _Season, sets: int, until: float) -> tuple[Ints, int, bool]:
    """Starts of the most sites, the bound on sites, and whether number and ranks are proven best."""
    start, every = _put_in(season, sets), len(season.ready)
    most = _most_by_counting(season, sets)
    if season.weight(start) == (most, sum(range(every, every - most, -1))):
        return start, most, True
    number, half = season.weight(start)[0], (time.monotonic() + until) / 2
    for step, stop in _steps(season, half):
        if number < most and time.monotonic() < stop:
            found, proven = _solve(season, (sets, sets), (number + 1, most), np.ones(every, int), step, stop)
            if step == 1:
                most = math.floor(max(number, min(most, -proven + ROUNDING)))
            if found is not None:
                start, number = found, season.weight(found)[0]
    is_proven = number == every
    for step, stop in _steps(season, until):
        if not is_proven and time.monotonic() < stop:
            found, proven = _solve(season, (sets, sets), (number, most), np.arange(every, 0, -1), step, stop)
            if found is not None:
                start = max((start, found), key=season.weight)
            number, worth = season.weight(start)
            is_proven = step == 1 and number == most and worth >= -proven - 0.5
    return _move_early(season, start, sets), max(most, number), is_proven


def _steps(season: _Season, until: float) -> list[tuple[int, float]]:
    """Days from one start to the next, and when to stop."""
    is_large = len(_days_to_begin(season.only(season.kinds()[1]), 1)[0]) > LARGE
    return [(COARSE, (2 * time.monotonic() + until) / 3)] * is_large + [(1, until)]


def _fewest_by_counting(season: _Season) -> int:
    """Sets without which the sites ready from a day on, or those of long cycles among them, cannot be served.

    One set does at most floor(days / shortest cycle) of them in each window, and works at most the days of the windows
    that are long enough.
    """
    bound = 0
    for day in np.unique(season.ready):
        length = np.maximum(season.windows[:, 1] - np.maximum(season.windows[:, 0], day) + 1, 0)
        later = season.cycle[season.ready >= day]
        for shortest in np.unique(later):
            those = later[later >= shortest]
            days = int(length[length >= shortest].sum())
            bound = max(bound, -(-len(those) // int((length // shortest).sum())), -(-int(those.sum()) // days))
    return bound


def _most_by_counting(season: _Season, sets: int) -> int:
    """Sites that so many sets could serve if the shortest cycles could be cut to fit."""
    if not len(season.cycle):
        return 0
    length = season.windows[:, 1] - season.windows[:, 0] + 1
    shortest = int(season.cycle.min())
    days = sets * int(length[length >= shortest].sum())
    return min(sets * int((length // shortest).sum()), int((np.cumsum(np.sort(season.cycle)) <= days).sum()))


def _put_in(season: _Season, sets: int) -> Ints:
    """Starts when sites are put in one by one, by the best of three orders: rank, longest or shortest cycle first."""
    none = np.full(len(season.cycle), -1)
    orders = none, -season.cycle, season.cycle
    return max((_move_early(season, none, sets, np.argsort(by, stable=True)) for by in orders), key=season.weight)


def _move_early(season: _Season, start: Ints, sets: int, order: Ints | None = None) -> Ints:
    """Starts as early as they go, better ranks first, with no more sets; sites left over are put in where they fit."""
    if not sets or not len(start):
        return start
    never = int(season.windows[-1, 1]) + 1
    start, before = np.where(start < 0, never, start), None
    while before is None or (start != before).any():
        before = start.copy()
        for site in np.arange(len(start)) if order is None else order:
            ready, cycle = int(season.ready[site]), int(season.cycle[site])
            # two sites of one cycle change places where the better one gains
            worse = np.flatnonzero((season.cycle == cycle) & (start >= ready) & (start < start[site]))
            worse = worse[worse > site]
            if len(worse):
                other = worse[np.argmin(start[worse])]
                start[[site, other]] = start[[other, site]]
            load = _in_work(season, np.delete(np.arange(len(start)), site), start, never)
            full = np.concatenate([[0], np.cumsum(load >= sets)])
            for first, last in season.windows.tolist():
                begin = np.arange(max(ready, first), min(last - cycle + 2, int(start[site])))
                begin = begin[full[begin + cycle] == full[begin]]
                if len(begin):
                    start[site] = begin[0]
                    break
    return np.where(start == never, -1, start)


def _in_work(season: _Season, sites: Ints, start: Ints, days: int) -> Ints:
    """Sites in work on each day; a start on the day after the last counts for nothing."""
    change = np.bincount(start[sites], minlength=days + 1)[: days + 1]
    change = change - np.bincount(np.minimum(start[sites] + season.cycle[sites], days), minlength=days + 1)
    return np.cumsum(change)[:days]


def _number_sets(start: Ints, cycle: Ints) -> Ints:
    """Set of each site: the one of lowest number that is free; as many sets as sites overlap at most."""
    set_of, free = np.full(len(start), -1), list[int]()
    for site in np.lexsort((np.arange(len(start)), start)):
        if start[site] >= 0:
            number = next((n for n, day in enumerate(free) if day <= start[site]), len(free))
            free[number : number + 1] = [int(start[site] + cycle[site])]
            set_of[site] = number
    return set_of


def _days_to_begin(season: _Season, step: int) -> tuple[Ints, Ints]:
    """Site and day of every start that matters: first days, and those plus cycles of sites that may come before."""
    sites, days = [], []
    for first, last in season.windows.tolist():
        fits = np.maximum(season.ready, first) + season.cycle - 1 <= last
        reached = np.zeros(last - first + 2, bool)
        reached[np.maximum(season.ready[fits], first) - first] = True
        for day in np.arange(last - first + 1):
            after = day + season.cycle[season.ready <= first + day]
            reached[after[after < len(reached)]] |= reached[day]
        begin = np.flatnonzero(reached)
        begin = begin[begin % step == 0] + first
        site, place = np.nonzero((begin >= season.ready[:, None]) & (begin + season.cycle[:, None] - 1 <= last))
        sites.append(site)
        days.append(begin[place])
    return np.concatenate(sites), np.concatenate(days)


def _solve(
    season: _Season, sets: tuple[int, int], served: tuple[int, int], worth: Ints | None, step: int, until: float,
    is_whole: bool = True,
) -> tuple[Ints | None, float]:  # fmt: skip
    """Starts by mixed-integer programming (None: none found), and the bound on the cost that the solver proves.

    Served sites and sets lie between the numbers given. The cost is the sets, or where worth is given, minus the worth
    of the sites served. Not whole: the linear relaxation, for its bound alone. The variables are sites of each kind
    that begin on each day, sites in work from each such day on, sites served, and sets.
    """
    kinds, head, kind_of = season.kinds()
    kind, start = _days_to_begin(season.only(head), step)
    days, begins = np.unique(start, return_inverse=True)
    ends = np.searchsorted(days, start + kinds[kind, 1])
    size = count, events, sites, _ = len(kind), len(days), len(kind_of), 1

    def ones(row: Ints, rows: int) -> csr_array:
        return csr_array((np.ones(len(row)), (row, np.arange(len(row)))), shape=(rows, len(row)))

    begun_less_ended = (ones(begins, events + 1) - ones(ends, events + 1))[:events]
    change = eye_array(events) - eye_array(events, k=-1)
    rows = [
        [-begun_less_ended, change, None, None],
        [ones(kind, len(kinds)), None, -ones(kind_of, len(kinds)), None],
        [None, eye_array(events), None, csr_array(-np.ones((events, 1)))],
        [None, None, csr_array(np.ones((1, sites))), csr_array((1, 1))],
    ]
    row_size, low, high = [events, len(kinds), events, 1], [0, 0, -np.inf, served[0]], [0, 0, 0, served[1]]
    cost = [np.zeros(count + events), np.zeros(sites) if worth is None else -worth, [float(worth is None)]]
    answer = optimize.milp(
        np.concatenate(cost),
        integrality=np.repeat([1, 0, 0, 1], size) * is_whole,
        bounds=optimize.Bounds(np.repeat([0, 0, 0, sets[0]], size), np.repeat([sites, sets[1], 1, sets[1]], size)),
        constraints=optimize.LinearConstraint(
            block_array(rows, format="csr"), np.repeat(low, row_size), np.repeat(high, row_size)
        ),
        options={"time_limit": max(until - time.monotonic(), 0.01), "mip_rel_gap": 0.0},
    )
    proven = answer.mip_dual_bound if is_whole else answer.fun if answer.status == 0 else None
    bound = math.inf if answer.status == 2 else -math.inf if proven is None else float(proven)
    if answer.x is None or not is_whole:
        return None, bound
    begun, found = np.rint(answer.x[:count]).astype(int), np.full(sites, -1)
    for number in range(len(kinds)):
        starts = np.sort(np.repeat(start[kind == number], begun[kind == number]))
        found[np.flatnonzero(kind_of == number)[: len(starts)]] = starts  # the best ranks of a kind are served first
    return found, bound
