"""Choose sites that together serve the most: maximal covering with spacing and shares.

Church, R. and ReVelle, C. (1974), The maximal covering location problem, Papers of the Regional Science Association
32:101-118. Greedy choice and swaps first, then a Lagrangian bound; what it leaves open is solved exactly (HiGHS) where
small, and searched by ruin and recreate where large. Every answer carries a proven bound.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.sparse import csr_array

from allocator.sites.bounds import Proof, conflict_cliques, lagrangian_bound, settle, submodular_bound
from allocator.sites.covering import Covering, added_worth, make_covering, rank
from allocator.sites.exact import open_entries, solve_exactly
from allocator.sites.search import greedy, repair, ruin_and_recreate, swap


@dataclass(frozen=True)
class Stage:
    """How much work one stage may do; work is counted, not timed, so that every machine stops at the same point.

    Parameters
    ----------
    steps : int
        Most steps of the Lagrangian bound.
    generations, runs : int
        How often several searches are made and joined; most searches.
    rounds_per_site, rounds : int
        Rounds of ruin and recreate in each search for each site; most rounds of the stage.
    entries : int
        The exact solver is asked where at most so many pairs of candidate and cell are open.
    nodes : int
        Branches that it may open.
    """

    steps: int
    generations: int
    runs: int
    rounds_per_site: int
    rounds: int
    entries: int
    nodes: int


STAGES = (
    # a complex of a few traps: the bound or the solver closes it within milliseconds
    Stage(steps=150, generations=0, runs=0, rounds_per_site=0, rounds=0, entries=20_000, nodes=200),
    # a few dozen traps: a short search, and a bound that leaves little open
    Stage(steps=400, generations=1, runs=4, rounds_per_site=20, rounds=4_000, entries=60_000, nodes=500),
    # hundreds of traps: the solver rarely closes these
    Stage(steps=1_000, generations=3, runs=6, rounds_per_site=80, rounds=90_000, entries=60_000, nodes=500),
)
"""Each stage begins only where the one before left a gap; see ``tests/benchmarks/choice_county.py``."""
START_WORK, FEWEST_STARTS = 10_000_000, 4
"""Starts that are made better by swaps: so many over sites times candidates, and at least so many."""
JOIN_ENTRIES, JOIN_NODES, JOIN_SECONDS = 150_000, 200, 10.0
"""Candidates of several searches are joined by the exact solver up to this size; it seldom takes more than seconds."""
SMALL_GAP = 0.001
"""The last stage is for larger gaps than this share of what is served."""
CLOSED = 1e-9
"""A gap under this share of what is served counts as none."""
OPTIMAL = 1e-7
"""The same for the word optimal: the exact solver stops a little above 1e-9."""


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
        Most time, as a last resort: work is limited by counting it. 0: greedy choice and swaps only.
    seed : int
        Of the search by chance, and of the marks that find like cells.

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
    until = time.monotonic() + seconds
    problem = make_covering(reach, worth, count, conflicts, group, group_limit, keep, seed)
    search = _Search(problem, seed, until)
    if problem.count > 1 and seconds > 0:
        search.run()
    # served is counted anew, in the caller's own worth
    sites = (*problem.kept, *problem.number[rank(problem, search.chosen)].tolist())
    hit = np.asarray(abs(csr_array(reach, dtype=float)[list(sites)]).sum(axis=0)) > 0
    served = float(np.asarray(worth, float)[hit].sum())
    bound = search.bound + problem.kept_worth
    status: Literal["optimal", "feasible"] = "optimal" if served >= bound * (1 - OPTIMAL) else "feasible"
    return Choice(sites, served, max(bound + problem.rounding, served), status)


class _Search:
    """The best choice and the best bound so far."""

    def __init__(self, problem: Covering, seed: int, until: float) -> None:
        self.problem, self.seed, self.until = problem, seed, until
        if problem.count == 1 and problem.size:
            # one site: the best is seen at once
            self.chosen = greedy(problem)
            self.served = self.bound = added_worth(problem, self.chosen)
        else:
            self.chosen = swap(problem, greedy(problem))
            self.served = added_worth(problem, self.chosen)
            self.bound = submodular_bound(problem, self.chosen)

    def is_over(self, served: float) -> bool:
        return served >= self.bound * (1 - CLOSED) or time.monotonic() > self.until

    def run(self) -> None:
        if self.is_over(self.served):
            return
        cliques, proof, asked = conflict_cliques(self.problem.near), None, float("inf")
        for stage in STAGES:
            proof = self._prove(cliques, stage, proof)
            self._recreate(stage, proof, cliques)
            out, inside = settle(self.problem, cliques, proof, self.served)
            entries = open_entries(self.problem, out)
            if not self.is_over(self.served) and entries <= min(stage.entries, asked):
                asked = entries / 2  # nearly the same question is not asked again
                self._solve(cliques, out, inside, stage)
            if self.is_over(self.served) or (stage is STAGES[-2] and self.bound <= self.served * (1 + SMALL_GAP)):
                return

    def _prove(self, cliques: csr_array, stage: Stage, proof: Proof | None) -> Proof:
        better = lagrangian_bound(
            self.problem, cliques, self.served, stage.steps, proof, is_over=lambda: time.monotonic() > self.until
        )
        self.bound = min(self.bound, better.bound)
        return better

    def _recreate(self, stage: Stage, proof: Proof, cliques: csr_array) -> None:
        """Several searches from different starts; then the best choice among all candidates that they chose."""
        problem = self.problem
        if not stage.generations or self.is_over(self.served):
            return
        all_rounds = stage.rounds // stage.generations
        rounds = min(all_rounds, stage.rounds_per_site * problem.count)
        starts = self._starts(proof)
        for generation in range(stage.generations):
            found, before = [self.chosen], self.served
            for run in range(min(stage.runs, max(1, all_rounds // rounds))):
                if self.is_over(self.served):
                    return
                begin = starts.pop(0) if starts and (run or not generation) else self.chosen
                found.append(
                    ruin_and_recreate(
                        problem, begin, liking=proof.liking, rounds=rounds,
                        seed=self.seed + 1_000 * generation + run, is_over=self.is_over,
                    )
                )  # fmt: skip
                self._take(found[-1])
            self._join(cliques, found)
            if self.served <= before:
                return

    def _starts(self, proof: Proof) -> list[list[int]]:
        """Choices near what the bound last took, made better by swaps; best first."""
        problem = self.problem
        most = max(FEWEST_STARTS, START_WORK // max(1, problem.count * problem.size))
        starts = [self.chosen]
        for wanted in proof.seen[-most:]:
            if self.is_over(self.served):
                break
            starts.append(swap(problem, repair(problem, wanted)))
            self._take(starts[-1])
        distinct = {tuple(sorted(start)): start for start in starts}
        return sorted(distinct.values(), key=lambda start: -added_worth(problem, start))

    def _join(self, cliques: csr_array, found: list[list[int]]) -> None:
        out = np.ones(self.problem.size, bool)
        for chosen in found:
            out[chosen] = False
        if self.is_over(self.served) or open_entries(self.problem, out) > JOIN_ENTRIES:
            return
        left = min(JOIN_SECONDS, self.until - time.monotonic())
        sites, _ = solve_exactly(
            self.problem, cliques, out=out, inside=np.zeros_like(out), seconds=left, nodes=JOIN_NODES
        )
        if sites is not None:
            self._take(sites)

    def _solve(self, cliques: csr_array, out: Any, inside: Any, stage: Stage) -> None:
        sites, bound = solve_exactly(
            self.problem, cliques, out=out, inside=inside, seconds=self.until - time.monotonic(), nodes=stage.nodes
        )
        if sites is not None:
            self._take(sites)
        # choices that were ruled out do not serve more than is served already
        self.bound = min(self.bound, max(bound, self.served))

    def _take(self, chosen: list[int]) -> None:
        served = added_worth(self.problem, chosen)
        if served > self.served:
            self.chosen, self.served = chosen, served
