"""The covering problem behind a choice of sites: checked, freed of what is settled, like cells merged."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from allocator.core.arrays import Floats, Ints
from allocator.core.errors import SitesInfeasibleError

EXACT_BITS = 50
"""Worth is counted in whole steps of the total over 2**50, so that sums in any order are the same to the last bit."""


@dataclass(frozen=True)
class Covering:
    """What is left to decide once the sites to keep stand.

    Parameters
    ----------
    reach : csr_array, shape (candidates, cells)
        1 where the candidate serves the cell; every cell is served by two candidates or more.
    by_cell : csr_array, shape (cells, candidates)
        The same, turned.
    worth : array of float64, shape (cells,)
        Worth of each merged cell, in whole steps.
    own : array of float64, shape (candidates,)
        Worth of the cells that only this candidate serves.
    count : int
        Most sites to add to those kept.
    near : csr_array, shape (candidates, candidates)
        Pairs too near each other, in both directions.
    group, room : array of int64
        Group of each candidate; most sites that may be added in each group.
    number : array of int64, shape (candidates,)
        The caller's number of each candidate.
    kept : tuple of int
        The caller's numbers of the sites to keep.
    kept_worth : float
        What those serve.
    rounding : float
        Most that counting in whole steps can have changed a sum.
    """

    reach: csr_array
    by_cell: csr_array
    worth: Floats
    own: Floats
    count: int
    near: csr_array
    group: Ints
    room: Ints
    number: Ints
    kept: tuple[int, ...]
    kept_worth: float
    rounding: float

    @property
    def size(self) -> int:
        """Candidates among which to choose."""
        return len(self.own)


def make_covering(
    reach: Any, worth: Any, count: int, conflicts: Any, group: Any, group_limit: Any, keep: Sequence[int], seed: int
) -> Covering:
    """The checked problem; the parameters are those of ``choose_sites``.

    Parameters
    ----------
    reach, worth, count, conflicts, group, group_limit, keep, seed
        As for ``choose_sites``.

    Returns
    -------
    Covering
        Without candidates that a kept site rules out, that have no room in their group, or that serve nothing more.

    Raises
    ------
    ValueError
        Shapes do not fit, or a value is negative or not finite.
    SitesInfeasibleError
        The sites to keep break a rule.
    """
    matrix = csr_array(reach, dtype=float, copy=True)
    if not np.isfinite(matrix.data).all():
        raise ValueError("reach must hold finite numbers")
    matrix.sum_duplicates()
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
    return _settled(matrix, value, int(count), near, groups, limit, kept, seed)


def row(matrix: csr_array, one: int) -> NDArray[np.int32]:
    """Columns that a row holds.

    Parameters
    ----------
    matrix : csr_array
        Any.
    one : int
        The row.

    Returns
    -------
    array of int32
        A view, not a copy.
    """
    return np.asarray(matrix.indices[matrix.indptr[one] : matrix.indptr[one + 1]])


def added_worth(problem: Covering, chosen: Sequence[int]) -> float:
    """What some candidates add to the sites kept.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Candidates of the problem.

    Returns
    -------
    float
        Worth of the cells served, in whole steps.
    """
    hit = np.zeros(len(problem.worth), bool)
    for one in chosen:
        hit[row(problem.reach, one)] = True
    return float(problem.worth[hit].sum() + problem.own[list(chosen)].sum())


def rank(problem: Covering, chosen: Sequence[int]) -> list[int]:
    """The same candidates in the order of what each adds.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Candidates of the problem.

    Returns
    -------
    list of int
        Always the one next that adds most, the lower number first where equal; those that add nothing are left out.
    """
    order: list[int] = []
    waiting = np.array(sorted(set(chosen)), np.int64)
    part = csr_array(problem.reach[waiting]) if len(waiting) else problem.reach
    left = problem.worth.copy()
    gains = part @ left + problem.own[waiting] if len(waiting) else np.empty(0)
    turned = csr_array(part.T)
    while len(order) < len(waiting) and gains.max() > 0:
        best = int(gains.argmax())
        order.append(int(waiting[best]))
        cells = row(part, best)
        cells = cells[left[cells] > 0]
        np.subtract.at(gains, *spread(turned, cells, left[cells]))
        left[cells] = 0
        gains[best] = -1
    return order


def spread(by_cell: csr_array, cells: NDArray[np.int32], worth: Floats) -> tuple[NDArray[np.int32], Floats]:
    """Candidates that serve some cells, each cell's worth repeated for each.

    Parameters
    ----------
    by_cell : csr_array, shape (cells, candidates)
        Who serves which cell.
    cells : array of int
        Cells.
    worth : array of float64
        As long as ``cells``.

    Returns
    -------
    tuple of array
        Candidates (with repeats) and the worth beside each.
    """
    starts = by_cell.indptr[cells]
    lengths = by_cell.indptr[cells + 1] - starts
    ends = np.cumsum(lengths)
    at = np.arange(ends[-1] if len(ends) else 0) + np.repeat(starts - (ends - lengths), lengths)
    return by_cell.indices[at], np.repeat(worth, lengths)


def _check_kept(kept: tuple[int, ...], count: int, near: csr_array, group: Ints, limit: Ints) -> None:
    its = list(kept)
    if len(its) > count:
        raise SitesInfeasibleError(f"{len(its)} sites are to be kept but only {count} are allowed.")
    if its and near[its][:, its].nnz:
        raise SitesInfeasibleError("Two sites to be kept lie nearer to each other than the spacing allows.")
    if its and (np.bincount(group[its], minlength=len(limit)) > limit).any():
        raise SitesInfeasibleError("More sites are to be kept on one property than its share of traps.")


def _settled(
    reach: csr_array, worth: Floats, count: int, near: csr_array, group: Ints, limit: Ints, kept: tuple[int, ...],
    seed: int,
) -> Covering:  # fmt: skip
    its = list(kept)
    reached = np.diff(csr_array(reach.T).indptr) > 0
    total = float(worth[reached].sum())
    step = 2.0 ** (np.ceil(np.log2(total)) - EXACT_BITS) if total > 0 else 1.0
    value = np.round(worth / step) * step
    served = np.zeros(len(value), bool)
    served[reach[its].indices] = True
    room = limit - np.bincount(group[its], minlength=len(limit))
    free = (room[group] > 0) & (reach @ np.where(served, 0.0, value) > 0)
    free[near[its].indices] = False
    free[its] = False
    number = np.flatnonzero(free if count > len(its) else np.zeros_like(free))
    inner, value_left = merge_like_cells(csr_array(reach[number][:, ~served]), value[~served], seed)
    degree = np.diff(csr_array(inner.T).indptr)
    own = inner @ np.where(degree == 1, value_left, 0.0)
    shared = degree > 1
    inner = csr_array(inner[:, shared])
    inner.sort_indices()
    by_cell = csr_array(inner.T)
    by_cell.sort_indices()
    return Covering(
        inner, by_cell, value_left[shared], np.asarray(own, float), count - len(its),
        csr_array(near[number][:, number]), group[number], room, number, kept,
        float(value[served].sum()), step * len(value),
    )  # fmt: skip


def merge_like_cells(reach: csr_array, worth: Floats, seed: int = 0) -> tuple[csr_array, Floats]:
    """Cells served by the same candidates made into one; cells of no worth, or that nobody serves, dropped.

    Parameters
    ----------
    reach : csr_array, shape (candidates, cells)
        1 where the candidate serves the cell.
    worth : array of float64, shape (cells,)
        Worth of each cell.
    seed : int
        Seed of the marks by which like cells are found.

    Returns
    -------
    tuple
        Reach and worth of fewer cells, in the order in which the first of each kind stood.
    """
    marks = np.random.default_rng(seed).integers(1, 1 << 26, (reach.shape[0], 3)).astype(float)
    served = np.asarray(reach.T @ marks)  # whole numbers under 2**53: exact
    useful = np.flatnonzero((served[:, 0] > 0) & (worth > 0))
    order = useful[np.lexsort(served[useful].T)]
    if not len(order):
        return csr_array((reach.shape[0], 0)), np.empty(0)
    starts = np.flatnonzero(np.r_[True, (served[order[1:]] != served[order[:-1]]).any(axis=1)])
    total, stands = np.add.reduceat(worth[order], starts), np.minimum.reduceat(order, starts)
    turn = np.argsort(stands)
    return csr_array(reach[:, stands[turn]]), np.asarray(total[turn], float)
