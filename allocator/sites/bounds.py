"""Proof of how much any choice of sites can serve."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from allocator.core.arrays import Bools, Floats, Ints
from allocator.sites.covering import Covering, rank, row

PREFIXES = 16
"""Prefixes of the choice after which the submodular bound is computed; the least counts."""
FIRST_STEP = 1.0
"""Length of a subgradient step, in the usual measure (gap over the square of the subgradient)."""
PATIENCE = 15
"""Steps without a better bound after which steps become shorter."""
SHORTEN = 0.7
"""What they are multiplied by."""
SHORTEST_STEP = 1e-4
"""Steps shorter than this change nothing worth the time."""
MEMORY = 0.6
"""Share of the direction before in the next one: damps the zigzag."""
RECALL = 0.99
"""Weight of the steps before in how often a candidate was taken: about the last hundred count."""
SEEN_EVERY, MOST_SEEN = 5, 24
"""Every so many steps what was taken is remembered, and so many of the latest: starts for the search."""
SLACK = 1e-12
"""Relative allowance for the rounding of sums."""


@dataclass(frozen=True)
class Proof:
    """A Lagrangian bound with what proves it.

    Parameters
    ----------
    bound : float
        No choice adds more to the kept sites.
    on_cells : array of float64, shape (cells,)
        What a site is paid for serving each cell, from 0 to its worth.
    on_cliques : array of float64, shape (cliques,)
        What a site pays for standing in each clique, 0 or more.
    liking : array of float64, shape (candidates,)
        From 0 to 1: how often the latest steps took each candidate, a rough solution of the relaxed problem.
    seen : tuple of array of int64
        Candidates taken at some of the latest steps: the count and the group limits hold, spacing may not.
    """

    bound: float
    on_cells: Floats
    on_cliques: Floats
    liking: Floats
    seen: tuple[Ints, ...] = ()


def submodular_bound(problem: Covering, chosen: Sequence[int]) -> float:
    """No choice serves more than what is served plus the most that so many candidates could each add.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Candidates that hold the rules.

    Returns
    -------
    float
        On top of what the kept sites serve.

    Notes
    -----
    ``max f <= f(S) + max over allowed T of sum of f(S + t) - f(S)``: what a candidate adds never grows as others are
    chosen. Nemhauser, Wolsey and Fisher (1978), Mathematical Programming 14:265-294 (from memory, unverified).
    Computed after prefixes of the ranked choice; the least counts. Group limits hold in the maximum, spacing does not.
    """
    order = rank(problem, chosen)
    left, served = problem.worth.copy(), 0.0
    own = problem.own.copy()
    least = float("inf")
    step = max(1, len(order) // PREFIXES)
    for place in range(len(order) + 1):
        if place % step == 0 or place == len(order):
            gains = problem.reach @ left + own
            least = min(least, served + float(gains[best_allowed(problem, gains)].sum()))
        if place < len(order):
            cells = row(problem.reach, order[place])
            served += float(left[cells].sum()) + float(own[order[place]])
            left[cells] = 0
            own[order[place]] = 0
    return least * (1 + SLACK)


def best_allowed(problem: Covering, value: Floats) -> Bools:
    """The candidates of most value that the count and the group limits allow; spacing is not looked at.

    Parameters
    ----------
    problem : Covering
        The problem.
    value : array of float64, shape (candidates,)
        What each is worth by itself.

    Returns
    -------
    array of bool, shape (candidates,)
        Only candidates of value above 0; the lower number first where equal.

    Notes
    -----
    Limits per group and one on the whole form a laminar matroid, so taking the best first is exact.
    """
    taken = np.zeros(len(value), bool)
    order = np.flatnonzero(value > 0)
    order = order[np.argsort(-value[order], kind="stable")]
    if _has_limits(problem) and len(order):
        # the best of each group: small whole numbers are sorted in one pass, and the order by value stays within each
        group = problem.group[order]
        by_group = np.argsort(group.astype(np.uint16) if len(problem.room) < 1 << 16 else group, kind="stable")
        sizes = np.bincount(group, minlength=len(problem.room))
        within = np.empty(len(order), np.int64)
        within[by_group] = np.arange(len(order)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        order = order[within < problem.room[group]]
    order = order[: problem.count]
    taken[order] = True
    return taken


def _has_limits(problem: Covering) -> bool:
    sizes = np.bincount(problem.group, minlength=len(problem.room))
    return bool((np.minimum(sizes, problem.count) > problem.room).any())


def conflict_cliques(near: csr_array) -> csr_array:
    """Sets of candidates that all conflict with each other, covering every conflict: tighter rows than pairs.

    Parameters
    ----------
    near : csr_array, shape (candidates, candidates)
        Conflicts in both directions.

    Returns
    -------
    csr_array, shape (cliques, candidates)
        1 where the candidate belongs to the clique.
    """
    candidates = near.shape[0]
    neighbours = [set(row(near, one).tolist()) for one in range(candidates)]
    covered: set[int] = set()
    members_of: list[list[int]] = []
    for first in range(candidates):
        for second in sorted(neighbours[first]):
            if second <= first or first * candidates + second in covered:
                continue
            members, common = [first, second], neighbours[first] & neighbours[second]
            while common:
                members.append(min(common))
                common = common & neighbours[members[-1]]
            members.sort()
            covered.update(a * candidates + b for place, a in enumerate(members) for b in members[place + 1 :])
            members_of.append(members)
    lengths = [len(members) for members in members_of]
    columns = np.array([one for members in members_of for one in members], np.int64)
    starts = np.concatenate([[0], np.cumsum(np.array(lengths, np.int64))])
    return csr_array((np.ones(len(columns)), columns, starts), shape=(len(lengths), candidates))


def lagrangian_bound(
    problem: Covering, cliques: csr_array, served: float, iterations: int, start: Proof | None = None,
    is_over: Callable[[], bool] = lambda: False,
) -> Proof:  # fmt: skip
    """A bound by paying for cells and charging for cliques, improved step by step.

    Parameters
    ----------
    problem : Covering
        The problem.
    cliques : csr_array, shape (cliques, candidates)
        From ``conflict_cliques``.
    served : float
        What a known choice adds: steps aim at it, and stop there.
    iterations : int
        Most steps.
    start : Proof, optional
        Where an earlier call stopped.
    is_over : callable
        Whether to stop early.

    Returns
    -------
    Proof
        The best of all steps.

    Notes
    -----
    For pay ``0 <= u <= w`` and charges ``v >= 0``, no choice serves more than

    ``L(u, v) = sum(w - u) + sum(v) + max over allowed x of sum_j x_j (own_j + sum_i a_ij u_i - sum_k q_kj v_k)``

    where ``allowed`` keeps the count and the group limits; the maximum is found exactly (``best_allowed``).
    Fisher (1981), Management Science 27:1-18 (from memory, unverified). Minimised by projected subgradient steps with a
    memory of the direction before, each cell's step in proportion to its worth.
    """
    worth, turned = problem.worth, csr_array(cliques.T)
    if start is None:
        pay, charge = worth * 0.5, np.zeros(cliques.shape[0])
        best = Proof(float("inf"), pay, charge, np.zeros(problem.size))
    else:
        pay, charge, best = start.on_cells, start.on_cliques, start
    scale = float(worth.mean()) if len(worth) else 1.0
    weight = worth / scale if scale > 0 else worth
    along_cells, along_cliques = np.zeros_like(pay), np.zeros_like(charge)
    liking = best.liking.copy()
    step, waited = FIRST_STEP, 0
    seen: list[Ints] = []
    for turn in range(iterations):
        value = candidate_value(problem, turned, pay, charge)
        taken = best_allowed(problem, value)
        liking = RECALL * liking + (1 - RECALL) * taken
        bound = float((worth - pay).sum() + charge.sum() + value[taken].sum())
        if bound < best.bound:
            waited = 0 if bound < best.bound - 1e-6 * abs(best.bound) else waited + 1
            best = Proof(bound, pay, charge, liking)
        else:
            waited += 1
        if best.bound <= served * (1 + 1e-9) or step < SHORTEST_STEP or is_over():
            break
        if waited >= PATIENCE:
            step, waited = step * SHORTEN, 0
            pay, charge = best.on_cells, best.on_cliques
            along_cells[:], along_cliques[:] = 0, 0
            continue
        chosen = np.flatnonzero(taken)
        if turn % SEEN_EVERY == 0:
            seen.append(chosen)
        slope_cells = _times(problem.reach, chosen) - 1.0
        slope_cliques = 1.0 - _times(turned, chosen)
        along_cells = MEMORY * along_cells + (1 - MEMORY) * slope_cells
        along_cliques = MEMORY * along_cliques + (1 - MEMORY) * slope_cliques
        # what the edges of the range stop does not count
        stopped = ((pay <= 0) & (along_cells > 0)) | ((pay >= worth) & (along_cells < 0))
        stopped_cliques = (charge <= 0) & (along_cliques > 0)
        length = float((weight * along_cells**2)[~stopped].sum() + (along_cliques**2)[~stopped_cliques].sum())
        if length <= 0:
            break
        stride = step * (bound - served) / length
        pay = np.clip(pay - stride * weight * along_cells, 0.0, worth)
        charge = np.maximum(charge - stride * along_cliques, 0.0)
    return Proof(best.bound * (1 + SLACK), best.on_cells, best.on_cliques, liking, tuple(seen[-MOST_SEEN:]))


def candidate_value(problem: Covering, turned: csr_array, pay: Floats, charge: Floats) -> Floats:
    """What each candidate is worth by itself under pay and charges.

    Parameters
    ----------
    problem : Covering
        The problem.
    turned : csr_array, shape (candidates, cliques)
        Cliques of each candidate.
    pay, charge : array of float64
        As in ``Proof``.

    Returns
    -------
    array of float64, shape (candidates,)
        May be below 0.
    """
    return np.asarray(problem.own + problem.reach @ pay - turned @ charge, float)


def _times(matrix: csr_array, rows: Ints) -> Floats:
    """How many of some rows hold each column."""
    if not len(rows):
        return np.zeros(matrix.shape[1])
    held = np.concatenate([row(matrix, one) for one in rows.tolist()])
    return np.bincount(held, minlength=matrix.shape[1]).astype(float)


def settle(problem: Covering, cliques: csr_array, proof: Proof, served: float) -> tuple[Bools, Bools]:
    """Candidates that no better choice can hold, and candidates that every better choice holds.

    Parameters
    ----------
    problem : Covering
        The problem.
    cliques : csr_array, shape (cliques, candidates)
        From ``conflict_cliques``.
    proof : Proof
        A bound.
    served : float
        What a known choice adds; better means more than this.

    Returns
    -------
    out, inside : array of bool, shape (candidates,)
        Where both are false the candidate is open.

    Notes
    -----
    Forcing a candidate into (out of) the maximum of ``L`` costs the difference to the one it displaces (that replaces
    it); where the bound less that cost is below ``served``, no better choice has it in (out).
    """
    value = candidate_value(problem, csr_array(cliques.T), proof.on_cells, proof.on_cliques)
    taken = best_allowed(problem, value)
    allowance = proof.bound - served * (1 + 1e-9)
    held = np.bincount(problem.group[taken], minlength=len(problem.room))
    full = held >= problem.room
    lowest = np.full(len(problem.room), np.inf)
    np.minimum.at(lowest, problem.group[taken], value[taken])
    highest = np.zeros(len(problem.room))
    np.maximum.at(highest, problem.group[~taken], value[~taken])
    is_full = int(taken.sum()) >= problem.count
    # in: the least of its own group if that is full, else the least of all if the count is, else nothing leaves
    leaves = np.where(full, lowest, lowest.min(initial=np.inf) if is_full else 0.0)
    # out: the best of its own group comes, or of any group with room
    comes = np.maximum(highest, highest[~full].max(initial=0.0))
    cost_in = leaves[problem.group] - value
    cost_out = value - comes[problem.group]
    return ~taken & (cost_in > allowance), taken & (cost_out > allowance)
