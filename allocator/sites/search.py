"""Good choices of sites: greedy, swaps, and ruin and recreate.

Ruin and recreate: Schrimpf, G. et al. (2000), Journal of Computational Physics 159:139-171 (from memory, unverified).
"""

import heapq
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Floats, Ints
from allocator.sites.covering import Covering, row, spread

MOST_SWEEPS = 30
"""Rounds of swaps; three to eight were seen to be enough."""
FEWEST_OUT, MOST_OUT = 2, 4
"""Sites taken out in one round of ruin and recreate: fewer cannot change shape, more seldom come back better."""
NOISE = 0.1
"""How much less a candidate may look worth in a round, so that rounds differ."""
LIKING = 0.15
"""How much more a candidate looks worth that every step of the Lagrangian bound took."""
WARMTH = 0.04
"""Share of the served worth, over the count, that a round may lose at first; it falls to nothing."""
CELLS_LOOKED_AT, MOST_LOOKS = 8, 4
"""How the neighbours of a site are found: among those who serve some of its cells, a few times further out."""
REFRESH = 50
"""Rounds after which the best candidates anywhere are looked up again."""
ANYWHERE = 20
"""How many of them every round may take from: a site moves across the land in one step."""


class Standing:
    """Chosen sites, and what each candidate would add to them, kept up to date.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Sites to begin with; they must hold the rules.
    """

    def __init__(self, problem: Covering, chosen: Sequence[int] = ()) -> None:
        self.problem = problem
        self.times = np.zeros(len(problem.worth), np.int32)
        """How many chosen sites serve each cell."""
        self.gains: Floats = problem.reach @ problem.worth + problem.own
        """What each candidate adds (for a chosen one: only what nobody else can serve)."""
        self.blocks = np.zeros(problem.size, np.int32)
        """Chosen sites too near each candidate; 1 more for a chosen one."""
        self.room = problem.room.copy()
        """Sites that each group may still take."""
        self.served = 0.0
        self.is_chosen = np.zeros(problem.size, bool)
        for one in chosen:
            self.add(one)

    def add(self, one: int) -> None:
        """Choose a candidate.

        Parameters
        ----------
        one : int
            A candidate that is free.
        """
        problem = self.problem
        cells = row(problem.reach, one)
        fresh = cells[self.times[cells] == 0]
        self.times[cells] += 1
        worth = problem.worth[fresh]
        np.subtract.at(self.gains, *spread(problem.by_cell, fresh, worth))
        self.served += float(worth.sum()) + float(problem.own[one])
        self._mark(one, 1)

    def drop(self, one: int) -> NDArray[np.int32]:
        """Take a chosen site out again.

        Parameters
        ----------
        one : int
            A chosen candidate.

        Returns
        -------
        array of int32
            Candidates that add more since then, with repeats.
        """
        problem = self.problem
        cells = row(problem.reach, one)
        self.times[cells] -= 1
        freed = cells[self.times[cells] == 0]
        worth = problem.worth[freed]
        touched, more = spread(problem.by_cell, freed, worth)
        np.add.at(self.gains, touched, more)
        self.served -= float(worth.sum()) + float(problem.own[one])
        self._mark(one, -1)
        return touched

    def _mark(self, one: int, step: int) -> None:
        self.blocks[row(self.problem.near, one)] += step
        self.blocks[one] += step
        self.room[self.problem.group[one]] -= step
        self.is_chosen[one] = step > 0

    def free(self, among: Ints | slice = slice(None)) -> Bools:
        """Which candidates no rule forbids.

        Parameters
        ----------
        among : array of int or slice
            Candidates to look at.

        Returns
        -------
        array of bool
            The count is not looked at.
        """
        return np.asarray((self.blocks[among] == 0) & (self.room[self.problem.group[among]] > 0))

    def copy_from(self, other: "Standing") -> None:
        """Become equal to another standing of the same problem.

        Parameters
        ----------
        other : Standing
            It stays as it is.
        """
        for name in ("times", "gains", "blocks", "room", "is_chosen"):
            np.copyto(getattr(self, name), getattr(other, name))
        self.served = other.served


def greedy(problem: Covering) -> list[int]:
    """Always the candidate that adds most; what it adds only falls, so old figures are upper limits.

    Parameters
    ----------
    problem : Covering
        The problem.

    Returns
    -------
    list of int
        Candidates in the order taken.
    """
    standing = Standing(problem)
    chosen: list[int] = []
    queue = [(-gain, one) for one, gain in enumerate(standing.gains.tolist())]
    heapq.heapify(queue)
    while queue and len(chosen) < problem.count:
        old, one = heapq.heappop(queue)
        gain = float(standing.gains[one])
        if gain <= 0 or standing.blocks[one] or standing.room[problem.group[one]] <= 0:
            continue
        if gain < -old and queue and (-gain, one) > queue[0]:
            heapq.heappush(queue, (-gain, one))
            continue
        standing.add(one)
        chosen.append(one)
    return chosen


def repair(problem: Covering, wanted: Ints) -> list[int]:
    """Those of some candidates that can stand together, always the one next that adds most.

    Parameters
    ----------
    problem : Covering
        The problem.
    wanted : array of int
        Candidates that may break rules among them.

    Returns
    -------
    list of int
        Candidates that hold the rules.
    """
    standing = Standing(problem)
    chosen: list[int] = []
    while len(wanted) and len(chosen) < problem.count:
        gains = np.where(standing.free(wanted), standing.gains[wanted], 0.0)
        best = int(gains.argmax())
        if gains[best] <= 0:
            break
        chosen.append(int(wanted[best]))
        standing.add(chosen[-1])
    return chosen


def swap(problem: Covering, chosen: Sequence[int]) -> list[int]:
    """Replace one site at a time by a better one until none is; fill up where there is room.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Candidates that hold the rules.

    Returns
    -------
    list of int
        Candidates that serve as much or more.
    """
    standing, chosen = Standing(problem, chosen), list(chosen)
    for _ in range(MOST_SWEEPS):
        before = standing.served
        for place, one in enumerate(chosen):
            held = standing.served
            standing.drop(one)
            gains = np.where(standing.free(), standing.gains, -1.0)
            best = int(gains.argmax())
            chosen[place] = best if standing.served + gains[best] > held else one
            standing.add(chosen[place])
        chosen += _fill(standing, problem.count - len(chosen))
        if standing.served <= before:
            break
    return chosen


def _fill(standing: Standing, count: int) -> list[int]:
    added: list[int] = []
    while len(added) < count:
        gains = np.where(standing.free(), standing.gains, 0.0)
        best = int(gains.argmax()) if len(gains) else 0
        if not len(gains) or gains[best] <= 0:
            break
        standing.add(best)
        added.append(best)
    return added


def ruin_and_recreate(
    problem: Covering, chosen: Sequence[int], *, liking: Floats, rounds: int, seed: int,
    is_over: Callable[[float], bool],
) -> list[int]:  # fmt: skip
    """Take out some neighbouring sites, put others in, keep what is not much worse; many times.

    Parameters
    ----------
    problem : Covering
        The problem.
    chosen : sequence of int
        Candidates that hold the rules.
    liking : array of float64, shape (candidates,)
        From 0 to 1: how often the steps of a Lagrangian bound took each candidate. They look that much better.
    rounds : int
        Most rounds: the limit on work that makes two machines agree.
    seed : int
        Of the choices by chance.
    is_over : callable
        Given the most served so far, whether to stop early; asked every ``REFRESH`` rounds.

    Returns
    -------
    list of int
        The best choice seen.
    """
    random = np.random.default_rng(seed)
    now = Standing(problem, chosen)
    trial = Standing(problem, chosen)
    best, best_served = list(chosen), now.served
    if not len(chosen):
        return best
    warmth = WARMTH * now.served / len(chosen)
    anywhere = np.empty(0, np.int64)
    for turn in range(rounds):
        if turn % REFRESH == 0:
            if is_over(best_served):
                break
            gains = np.where(now.free(), now.gains, 0.0)
            anywhere = np.argpartition(-gains, min(ANYWHERE, len(gains) - 1))[:ANYWHERE]
        _ruin(trial, random, anywhere, liking)
        limit = now.served + warmth * (1 - turn / rounds) * np.log(max(random.random(), 1e-12))
        if trial.served >= limit:
            now.copy_from(trial)
            if now.served > best_served:
                best, best_served = np.flatnonzero(now.is_chosen).tolist(), now.served
        else:
            trial.copy_from(now)
    return best


def _ruin(standing: Standing, random: np.random.Generator, anywhere: Ints, liking: Floats) -> None:
    problem = standing.problem
    out = _neighbours(standing, random)
    touched = [standing.drop(one) for one in out]
    local = np.zeros(problem.size, bool)
    local[np.concatenate(touched)] = True
    local[out] = True
    local[anywhere] = True
    pool = np.flatnonzero(local)
    looks = (1 - NOISE * random.random(len(pool))) * (1 + LIKING * liking[pool])
    left = problem.count - int(standing.is_chosen.sum())
    while left > 0:
        gains = np.where(standing.free(pool), standing.gains[pool] * looks, 0.0)
        best = int(gains.argmax())
        if gains[best] <= 0:
            break
        standing.add(int(pool[best]))
        left -= 1


def _neighbours(standing: Standing, random: np.random.Generator) -> list[int]:
    """A chosen site and some of the chosen ones around it."""
    chosen = np.flatnonzero(standing.is_chosen)
    at = int(chosen[random.integers(len(chosen))])
    wanted = int(random.integers(FEWEST_OUT, MOST_OUT + 1))
    out = [at]
    for _ in range(MOST_LOOKS):
        near = _touching(standing.problem, at, random)
        around = sorted(set(near[standing.is_chosen[near]].tolist()) - set(out))
        out += random.permutation(around)[: wanted - len(out)].astype(int).tolist()
        if len(out) >= wanted or not len(near):
            break
        at = int(near[random.integers(len(near))])
    return out


def _touching(problem: Covering, one: int, random: np.random.Generator) -> NDArray[np.int32]:
    """Candidates that share some of its cells."""
    cells = row(problem.reach, one)
    if len(cells) > CELLS_LOOKED_AT:
        cells = cells[random.integers(0, len(cells), CELLS_LOOKED_AT)]
    return np.concatenate([row(problem.by_cell, cell) for cell in cells.tolist()]) if len(cells) else cells
