"""Sites by mixed-integer programming (HiGHS), for what the bounds leave open."""

import numpy as np
from scipy import optimize
from scipy.sparse import csr_array, eye_array, hstack, vstack

from allocator.core.arrays import Bools, Floats, Ints
from allocator.sites.covering import Covering, merge_like_cells

EXACT_NODES = 500
"""Branches that the solver may open: a limit on work, not time, so that every machine stops at the same point."""
RELATIVE_GAP = 1e-9
"""Where the solver stops: far below any difference that matters."""


def open_entries(problem: Covering, out: Bools) -> int:
    """Size of what the solver would be given.

    Parameters
    ----------
    problem : Covering
        The problem.
    out : array of bool, shape (candidates,)
        Candidates ruled out.

    Returns
    -------
    int
        Pairs of open candidate and cell.
    """
    return int(np.diff(problem.reach.indptr)[~out].sum())


def solve_exactly(
    problem: Covering, cliques: csr_array, *, out: Bools, inside: Bools, seconds: float, nodes: int = EXACT_NODES
) -> tuple[list[int] | None, float]:
    """Sites by mixed-integer programming, and the bound that the solver proves.

    Parameters
    ----------
    problem : Covering
        The problem.
    cliques : csr_array, shape (cliques, candidates)
        From ``conflict_cliques``.
    out, inside : array of bool, shape (candidates,)
        Candidates ruled out and candidates that must be chosen.
    seconds : float
        Most time.
    nodes : int
        Most branches.

    Returns
    -------
    sites : list of int or None
        None where the solver found nothing in time.
    bound : float
        No choice within ``out`` and ``inside`` adds more; minus infinity where there is none at all.

    Notes
    -----
    ``max sum w_i z_i + sum own_j x_j`` with ``z_i <= sum_j a_ij x_j``, ``sum x <= count``, group limits, one site per
    clique; x whole. Church and ReVelle (1974), Papers of the Regional Science Association 32:101-118.
    """
    left = np.flatnonzero(~out)
    reach, worth = merge_like_cells(csr_array(problem.reach[left]), problem.worth)
    candidates, cells = reach.shape
    by_cell = csr_array(reach.T)
    scale = max(float(worth.max(initial=0.0)), float(problem.own.max(initial=0.0)), 1e-300)
    cost = -np.concatenate([problem.own[left], worth]) / scale
    rows = [hstack([-by_cell, eye_array(cells)])] if cells else []
    upper: list[Floats] = [np.zeros(cells)] if cells else []

    def limit(matrix: csr_array, most: Floats | Ints) -> None:
        rows.append(hstack([matrix, csr_array((matrix.shape[0], cells))]))
        upper.append(np.asarray(most, float))

    limit(csr_array(np.ones((1, candidates))), np.array([problem.count]))
    groups, place = np.unique(problem.group[left], return_inverse=True)
    limit(csr_array((np.ones(candidates), (place.ravel(), np.arange(candidates)))), problem.room[groups])
    those = csr_array(cliques[:, left]) if cliques.shape[0] else cliques
    those = csr_array(those[np.diff(those.indptr) > 1]) if cliques.shape[0] else those
    if those.shape[0]:
        limit(those, np.ones(those.shape[0]))
    low = np.concatenate([inside[left].astype(float), np.zeros(cells)])
    answer = optimize.milp(
        cost,
        integrality=np.concatenate([np.ones(candidates), np.zeros(cells)]),
        bounds=optimize.Bounds(low, np.ones(candidates + cells)),
        constraints=optimize.LinearConstraint(vstack(rows).tocsr(), ub=np.concatenate(upper)),
        options={"time_limit": max(seconds, 0.01), "node_limit": nodes, "mip_rel_gap": RELATIVE_GAP},
    )
    if answer.status == 2:
        return None, float("-inf")
    bound = float("inf") if answer.mip_dual_bound is None else -float(answer.mip_dual_bound) * scale
    if answer.x is None:
        return None, bound + abs(bound) * RELATIVE_GAP
    return left[answer.x[:candidates] > 0.5].tolist(), bound + abs(bound) * RELATIVE_GAP
