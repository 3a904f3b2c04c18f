"""The exact solver: against every possible choice, with candidates ruled out or in."""

from itertools import combinations

import numpy as np
import pytest

from allocator.sites.bounds import conflict_cliques
from allocator.sites.covering import added_worth, make_covering
from allocator.sites.exact import open_entries, solve_exactly


def make_problem(seed):
    random = np.random.default_rng(seed)
    reach = (random.random((8, 15)) < 0.35).astype(float)
    conflicts = [pair for pair in combinations(range(8), 2) if random.random() < 0.2]
    group = random.integers(0, 2, 8)
    return make_covering(reach, random.integers(1, 20, 15), 3, conflicts, group, [2, 2], (), 0)


def best_of_all(problem, out, inside):
    near, best = problem.near.toarray() > 0, -np.inf
    for size in range(problem.count + 1):
        for chosen in combinations(np.flatnonzero(~out).tolist(), size):
            its = list(chosen)
            held = np.bincount(problem.group[its].astype(int), minlength=2)
            if near[np.ix_(its, its)].any() or (held > problem.room).any():
                continue
            if set(np.flatnonzero(inside).tolist()) <= set(its):
                best = max(best, added_worth(problem, its))
    return best


@pytest.mark.parametrize("seed", range(25))
def test_equals_the_best_of_every_choice(seed):
    problem, random = make_problem(seed), np.random.default_rng(seed)
    cliques = conflict_cliques(problem.near)
    out = random.random(problem.size) < 0.2
    inside = np.zeros(problem.size, bool)
    inside[np.flatnonzero(~out)[:1]] = seed % 2 == 0
    chosen, bound = solve_exactly(problem, cliques, out=out, inside=inside, seconds=10)
    best = best_of_all(problem, out, inside)
    assert added_worth(problem, chosen) == pytest.approx(best)
    assert bound == pytest.approx(best, rel=1e-6)
    assert bound >= best * (1 - 1e-12)
    assert not out[chosen].any() and set(np.flatnonzero(inside)) <= set(chosen)


def test_where_no_choice_is_left_the_bound_says_so():
    """Both must be in, but they are in conflict."""
    problem = make_covering(np.eye(2), [1, 1], 2, [[0, 1]], None, None, (), 0)
    cliques, none = conflict_cliques(problem.near), np.zeros(2, bool)
    assert solve_exactly(problem, cliques, out=none, inside=~none, seconds=5) == (None, -np.inf)


def test_entries_count_open_candidates_only():
    problem = make_covering([[1, 1, 0], [1, 1, 1], [0, 1, 1]], [1, 2, 4], 2, None, None, None, (), 0)
    assert open_entries(problem, np.zeros(3, bool)) == problem.reach.nnz == 7
    assert open_entries(problem, np.array([False, True, False])) == 4
