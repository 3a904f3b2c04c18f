"""Choose sites that together serve the most: maximal covering with spacing and shares.

Church, R. and ReVelle, C. (1974), The maximal covering location problem, Papers of the Regional Science Association
32:101-118. Small problems are solved exactly (HiGHS); larger ones by greedy choice and swaps, with a proven bound.
"""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.sparse import coo_array, csr_array, hstack, vstack

from allocator.core.arrays import Floats, Ints
from allocator.core.errors import SitesInfeasibleError

EXACT_ENTRIES = 400_000
"""Problems with at most this many pairs of candidate and (merged) cell are solved exactly."""
EXACT_NODES = 500
"""Branches that the exact solver may open: a limit on work, not time, so that every machine stops at the same point."""
MOST_SWEEPS = 30


@dataclass(frozen=True)
class Choice:
    """Sites chosen, what they serve, and what no choice can exceed.

    Parameters
    ----------
    sites : tuple of int
        Candidates chosen: kept ones first, then in the order of what each adds.
    served : float
        Worth of the cells served.
    bound : float
        Proven: no choice serves more.
    status : str
        optimal or feasible.
    """

    sites: tuple[int, ...]
    served: float
    bound: float
    status: Literal["optimal", "feasible"]


@dataclass(frozen=True)
class _Problem:
    reach: csr_array
    by_cell: csr_array
    worth: Floats
    count: int
    near: csr_array
    group: Ints
    limit: Ints
    keep: tuple[int, ...]


def choose_sites(
    reach: Any, worth: Any, count: int, conflicts: Any = None, group: Any = None, group_limit: Any = None,
    keep: Sequence[int] = (), seconds: float = 60.0, seed: int = 0,
) -> Choice:  # fmt: skip
    """Sites that together serve the most worth.

    Parameters
    ----------
    reach : sparse array, shape (candidates, cells)
        Not 0 where the candidate serves the cell.
    worth : array, shape (cells,)
        Worth of serving each cell, 0 or more.
    count : int
        Most sites to choose.
    conflicts : array, shape (pairs, 2), optional
        Candidates too near each other to be chosen both.
    group : array of int, shape (candidates,), optional
        Group (property) of each candidate, from 0.
    group_limit : array of int, shape (groups,), optional
        Most sites per group.
    keep : sequence of int
        Candidates that must be chosen.
    seconds : float
        Most time for the exact solver.
    seed : int
        Seed of the hash that merges like cells; the result does not depend on it.

    Returns
    -------
    Choice
        Fewer than ``count`` sites only where no further candidate is allowed or adds anything.

    Raises
    ------
    ValueError
        Shapes do not fit, or a value is negative or not finite.
    SitesInfeasibleError
        The sites to keep break a rule.

    Examples
    --------
    >>> from scipy.sparse import csr_array
    >>> choice = choose_sites(csr_array([[1, 1, 0], [0, 1, 1], [0, 0, 1]]), [2, 1, 4], 2)
    >>> choice.sites, choice.served, choice.status
    ((1, 0), 7.0, 'optimal')
    """
    problem = _checked(reach, worth, count, conflicts, group, group_limit, keep, seed)
    chosen = _swap(problem, _greedy(problem))
    served, bound = _served(problem, chosen), _submodular_bound(problem, chosen)
    if served < bound * (1 - 1e-9) and problem.reach.nnz <= EXACT_ENTRIES:
        exact, exact_bound = _exact(problem, seconds)
        bound = max(min(bound, exact_bound), served)
        if exact is not None and _served(problem, exact) > served * (1 + 1e-12):
            chosen, served = exact, _served(problem, exact)
    bound = max(bound, served)
    status: Literal["optimal", "feasible"] = "optimal" if served >= bound * (1 - 1e-7) else "feasible"
    return Choice(_ranked(problem, chosen), served, bound, status)


def _checked(
    reach: Any, worth: Any, count: int, conflicts: Any, group: Any, group_limit: Any, keep: Sequence[int], seed: int
) -> _Problem:
    matrix = csr_array(reach, dtype=float, copy=True)
    if not np.isfinite(matrix.data).all():
        raise ValueError("reach must hold finite numbers")
    matrix.eliminate_zeros()
    matrix.data[:] = 1.0
    value = np.asarray(worth, float)
    candidates, cells = matrix.shape
    if value.shape != (cells,) or not np.isfinite(value).all() or (value < 0).any():
        raise ValueError(f"worth must hold {cells} finite numbers, 0 or more")
    if count < 0 or count != int(count):
        raise ValueError(f"count is {count}; it must be a whole number, 0 or more")
    pairs = np.asarray([] if conflicts is None else conflicts, np.int64).reshape(-1, 2)
    if len(pairs) and (pairs.min() < 0 or pairs.max() >= candidates):
        raise ValueError("conflicts name candidates that do not exist")
    both = np.concatenate([pairs, pairs[:, ::-1]])
    near = csr_array(coo_array((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(candidates, candidates)))
    groups = np.zeros(candidates, np.int64) if group is None else np.asarray(group, np.int64)
    limit = np.asarray([count] if group is None or group_limit is None else group_limit, np.int64)
    if group is not None and group_limit is None:
        limit = np.full(int(groups.max(initial=0)) + 1, count)
    if groups.shape != (candidates,) or (candidates and (groups.min() < 0 or groups.max() >= len(limit))):
        raise ValueError("group must name a group with a limit for every candidate")
    kept = tuple(dict.fromkeys(int(one) for one in keep))
    if kept and (min(kept) < 0 or max(kept) >= candidates):
        raise ValueError("keep names candidates that do not exist")
    _check_kept(kept, int(count), near, groups, limit)
    matrix, value = _merged(matrix, value, seed)
    return _Problem(matrix, csr_array(matrix.T), value, int(count), near, groups, limit, kept)


def _check_kept(kept: tuple[int, ...], count: int, near: csr_array, group: Ints, limit: Ints) -> None:
    its = list(kept)
    if len(its) > count:
        raise SitesInfeasibleError(f"{len(its)} sites are to be kept but only {count} are allowed.")
    if its and near[its][:, its].nnz:
        raise SitesInfeasibleError("Two sites to be kept lie nearer to each other than the spacing allows.")
    if its and (np.bincount(group[its], minlength=len(limit)) > limit).any():
        raise SitesInfeasibleError("More sites are to be kept on one property than its share of traps.")


def _merged(reach: csr_array, worth: Floats, seed: int) -> tuple[csr_array, Floats]:
    """Cells served by the same candidates made into one; cells that nobody serves dropped."""
    marks = np.random.default_rng(seed).integers(1, 1 << 26, (reach.shape[0], 2)).astype(float)
    served = np.asarray(reach.T @ marks)  # whole numbers under 2**53: exact
    distinct, place = np.unique(served, axis=0, return_inverse=True)
    place = place.ravel()
    if not len(distinct):
        return reach, worth
    first = np.zeros(len(distinct), np.int64)
    first[place[::-1]] = np.arange(len(place))[::-1]
    merged = csr_array(csr_array(reach.T)[first].T)
    total = np.bincount(place, weights=worth, minlength=len(distinct)).astype(float)
    kept = np.flatnonzero((distinct > 0).any(axis=1) & (total > 0))
    return csr_array(csr_array(merged.T)[kept].T), np.asarray(total[kept], float)


def _row(matrix: csr_array, row: int) -> NDArray[np.int32]:
    return np.asarray(matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]])


def _greedy(problem: _Problem) -> list[int]:
    """Always the candidate that adds most; what it adds only falls, so old figures are upper limits."""
    left = problem.worth.copy()
    room = problem.limit.copy()
    blocked = np.zeros(problem.reach.shape[0], bool)
    chosen: list[int] = []

    def take(one: int) -> None:
        chosen.append(one)
        left[_row(problem.reach, one)] = 0
        room[problem.group[one]] -= 1
        blocked[one] = True
        blocked[_row(problem.near, one)] = True

    for one in problem.keep:
        take(one)
    gains = problem.reach @ left
    queue = [(-gain, one) for one, gain in enumerate(gains.tolist()) if gain > 0]
    heapq.heapify(queue)
    while queue and len(chosen) < problem.count:
        old, one = heapq.heappop(queue)
        if blocked[one] or room[problem.group[one]] <= 0:
            continue
        gain = float(left[_row(problem.reach, one)].sum())
        if gain < -old and queue and gain < -queue[0][0]:
            if gain > 0:
                heapq.heappush(queue, (-gain, one))
            continue
        if gain <= 0:
            break
        take(one)
    return chosen


def _swap(problem: _Problem, chosen: list[int]) -> list[int]:
    """Replace one site at a time by a better one until none is."""
    chosen = list(chosen)
    times = np.zeros(problem.reach.shape[1], np.int64)
    blocks = np.zeros(problem.reach.shape[0], np.int64)
    held = np.bincount(problem.group[chosen], minlength=len(problem.limit)) if chosen else np.zeros(len(problem.limit))

    def move(one: int, step: int) -> None:
        times[_row(problem.reach, one)] += step
        blocks[_row(problem.near, one)] += step
        blocks[one] += step

    for one in chosen:
        move(one, 1)
    base = problem.reach @ np.where(times == 0, problem.worth, 0.0)
    for _ in range(MOST_SWEEPS):
        improved = False
        for place, one in enumerate(chosen):
            if one in problem.keep:
                continue
            alone = _row(problem.reach, one)
            alone = alone[times[alone] == 1]
            freed = problem.worth[alone]
            gain = base.copy()
            np.add.at(gain, *_spread(problem.by_cell, alone, freed))
            move(one, -1)
            full = held >= problem.limit
            full[problem.group[one]] = held[problem.group[one]] > problem.limit[problem.group[one]]
            gain[(blocks > 0) | full[problem.group]] = -1
            best = int(gain.argmax())
            if gain[best] > freed.sum() * (1 + 1e-9) + 1e-12:
                held[problem.group[one]] -= 1
                held[problem.group[best]] += 1
                chosen[place], one, improved = best, best, True
                move(one, 1)
                base = problem.reach @ np.where(times == 0, problem.worth, 0.0)
            else:
                move(one, 1)
        if not improved:
            break
    return chosen


def _spread(by_cell: csr_array, cells: NDArray[np.int32], worth: Floats) -> tuple[NDArray[np.int32], Floats]:
    """Candidates that serve some cells, with the worth of each cell repeated for each."""
    lengths = by_cell.indptr[cells + 1] - by_cell.indptr[cells]
    ends = np.cumsum(lengths)
    starts = by_cell.indptr[cells]
    at = np.arange(ends[-1] if len(ends) else 0) + np.repeat(starts - (ends - lengths), lengths)
    return by_cell.indices[at], np.repeat(worth, lengths)


def _served(problem: _Problem, chosen: Sequence[int]) -> float:
    hit = np.zeros(problem.reach.shape[1], bool)
    for one in chosen:
        hit[_row(problem.reach, one)] = True
    return float(problem.worth[hit].sum())


def _ranked(problem: _Problem, chosen: Sequence[int]) -> tuple[int, ...]:
    """Kept sites first, then always the one that adds most."""
    order = list(problem.keep)
    left = problem.worth.copy()
    for one in order:
        left[_row(problem.reach, one)] = 0
    waiting = sorted(set(chosen) - set(order))
    while waiting:
        gains = [float(left[_row(problem.reach, one)].sum()) for one in waiting]
        order.append(waiting.pop(int(np.argmax(gains))))
        left[_row(problem.reach, order[-1])] = 0
    return tuple(order)


def _submodular_bound(problem: _Problem, chosen: Sequence[int]) -> float:
    """No choice serves more than what is served plus the most that so many candidates could each add.

    Nemhauser, Wolsey and Fisher (1978), Mathematical Programming 14:265-294 (from memory, unverified); what a candidate
    adds never grows as others are chosen. Computed after every prefix of the ranked choice; the least counts.
    """
    least = float(problem.worth.sum())
    left, served = problem.worth.copy(), 0.0
    order = _ranked(problem, chosen)
    step = max(1, len(order) // 16)
    for place in range(len(order) + 1):
        if place % step == 0 or place == len(order):
            gains = np.sort(problem.reach @ left)[::-1]
            least = min(least, served + float(gains[: problem.count].sum()))
        if place < len(order):
            cells = _row(problem.reach, order[place])
            served += float(left[cells].sum())
            left[cells] = 0
    return least * (1 + 1e-12)


def _exact(problem: _Problem, seconds: float) -> tuple[list[int] | None, float]:
    """Sites by mixed-integer programming, and the bound that the solver proves."""
    candidates, cells = problem.reach.shape
    scale = float(problem.worth.max())
    cost = np.concatenate([np.zeros(candidates), -problem.worth / scale])
    identity = csr_array((np.ones(cells), (np.arange(cells), np.arange(cells))), shape=(cells, cells))
    rows = [hstack([-problem.by_cell, identity])]
    upper = [np.zeros(cells)]

    def limit(matrix: csr_array, most: Floats | Ints) -> None:
        rows.append(hstack([matrix, csr_array((matrix.shape[0], cells))]))
        upper.append(np.asarray(most, float))

    limit(csr_array(np.ones((1, candidates))), np.array([problem.count]))
    groups = coo_array((np.ones(candidates), (problem.group, np.arange(candidates))))
    limit(csr_array(groups), problem.limit[: groups.shape[0]])
    cliques = _cliques(problem.near)
    if cliques.shape[0]:
        limit(cliques, np.ones(cliques.shape[0]))
    low = np.zeros(candidates + cells)
    low[list(problem.keep)] = 1
    answer = optimize.milp(
        cost,
        integrality=np.concatenate([np.ones(candidates), np.zeros(cells)]),
        bounds=optimize.Bounds(low, np.ones(candidates + cells)),
        constraints=optimize.LinearConstraint(vstack(rows).tocsr(), ub=np.concatenate(upper)),
        options={"time_limit": seconds, "node_limit": EXACT_NODES, "mip_rel_gap": 1e-9},
    )
    bound = float("inf") if answer.mip_dual_bound is None else -float(answer.mip_dual_bound) * scale * (1 + 1e-9)
    if answer.x is None:
        return None, bound
    return np.flatnonzero(answer.x[:candidates] > 0.5).tolist(), bound


def _cliques(near: csr_array) -> csr_array:
    """Sets of candidates that all conflict with each other, covering every conflict: tighter rows than pairs."""
    candidates = near.shape[0]
    neighbours = [set(_row(near, one).tolist()) for one in range(candidates)]
    uncovered = {(a, b) for a in range(candidates) for b in neighbours[a] if a < b}
    rows, columns, number = [], [], 0
    for pair in sorted(uncovered):
        if pair not in uncovered:
            continue
        members, common = list(pair), neighbours[pair[0]] & neighbours[pair[1]]
        while common:
            members.append(min(common))
            common = common & neighbours[members[-1]]
        uncovered -= {(a, b) for a in members for b in members if a < b}
        rows += [number] * len(members)
        columns += members
        number += 1
    return csr_array(coo_array((np.ones(len(rows)), (rows, columns)), shape=(number, candidates)))
