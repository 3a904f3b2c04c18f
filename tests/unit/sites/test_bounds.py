"""Bounds on what any choice can serve: by hand, against every possible choice, and what they settle."""

from itertools import combinations

import numpy as np
import pytest
from scipy.sparse import csr_array

from allocator.sites.bounds import (
    Proof,
    best_allowed,
    conflict_cliques,
    lagrangian_bound,
    settle,
    submodular_bound,
)
from allocator.sites.covering import added_worth, make_covering
from allocator.sites.search import greedy


def make_problem(seed, count=3):
    """Nine candidates, random cells, some conflicts, three groups."""
    random = np.random.default_rng(seed)
    reach = (random.random((9, 20)) < 0.3).astype(float)
    conflicts = [pair for pair in combinations(range(9), 2) if random.random() < 0.2]
    group, limit = random.integers(0, 3, 9), random.integers(1, 3, 3)
    return make_covering(reach, random.integers(1, 20, 20), count, conflicts, group, limit, (), 0)


def allowed_choices(problem):
    near = problem.near.toarray() > 0
    for size in range(problem.count + 1):
        for chosen in combinations(range(problem.size), size):
            its = list(chosen)
            held = np.bincount(problem.group[its], minlength=len(problem.room)) if its else 0
            if not near[np.ix_(its, its)].any() and np.all(held <= problem.room):
                yield its


def test_the_submodular_bound_by_hand():
    """Sites serve {a, b}, {b, c}, {c, d}, worth 2, 3, 3, 2; two sites.

    Before any: 6 + 5 = 11. After the middle one: 6 + 2 + 2 = 10. After both taken: 8 + 2 + 0 = 10. The least is 10.
    """
    problem = make_covering([[1, 1, 0, 0], [0, 1, 1, 0], [0, 0, 1, 1]], [2, 3, 3, 2], 2, None, None, None, (), 0)
    assert submodular_bound(problem, greedy(problem)) == pytest.approx(10)
    assert submodular_bound(problem, []) == pytest.approx(11)


def test_a_lagrangian_step_by_hand():
    """Two sites in conflict: the bound closes at the better one, 5, where spacing is charged for."""
    problem = make_covering([[1, 0], [0, 1]], [5, 3], 2, [[0, 1]], None, None, (), 0)
    cliques = conflict_cliques(problem.near)
    assert cliques.toarray().tolist() == [[1, 1]]
    assert submodular_bound(problem, [0]) == pytest.approx(8)
    assert lagrangian_bound(problem, cliques, 5.0, 500).bound == pytest.approx(5, rel=1e-3)


@pytest.mark.parametrize("seed", range(40))
def test_no_choice_exceeds_the_bounds(seed):
    problem = make_problem(seed)
    best = max(added_worth(problem, chosen) for chosen in allowed_choices(problem))
    chosen = greedy(problem)
    served = added_worth(problem, chosen)
    cliques = conflict_cliques(problem.near)
    assert submodular_bound(problem, chosen) >= best
    for steps in (1, 10, 200):
        assert lagrangian_bound(problem, cliques, served, steps).bound >= best
    # whatever the target, even one that cannot be reached
    assert lagrangian_bound(problem, cliques, best * 1.5, 50).bound >= best
    assert lagrangian_bound(problem, cliques, 0.0, 50).bound >= best


def test_more_steps_never_loosen_and_the_bound_gets_close():
    close = 0
    for seed in range(40):
        problem = make_problem(seed)
        cliques = conflict_cliques(problem.near)
        best = max(added_worth(problem, chosen) for chosen in allowed_choices(problem))
        first = lagrangian_bound(problem, cliques, best, 20)
        second = lagrangian_bound(problem, cliques, best, 300, first)
        assert second.bound <= first.bound * (1 + 1e-9)
        close += second.bound <= best * 1.05
    assert close >= 25


@pytest.mark.parametrize("seed", range(40))
def test_what_is_settled_holds_in_every_better_choice(seed):
    """Against every choice that serves more than greedy does."""
    problem = make_problem(seed)
    served = 0.98 * added_worth(problem, greedy(problem))
    cliques = conflict_cliques(problem.near)
    out, inside = settle(problem, cliques, lagrangian_bound(problem, cliques, served, 300), served)
    assert not (out & inside).any()
    for chosen in allowed_choices(problem):
        if added_worth(problem, chosen) > served * (1 + 1e-8):
            assert not out[chosen].any()
            assert inside[[one for one in range(problem.size) if one not in chosen]].sum() == 0


def test_something_is_settled():
    settled = 0
    for seed in range(40):
        problem = make_problem(seed)
        served = added_worth(problem, greedy(problem))
        cliques = conflict_cliques(problem.near)
        out, inside = settle(problem, cliques, lagrangian_bound(problem, cliques, served, 300), served)
        settled += int(out.sum() + inside.sum())
    assert settled > 40


@pytest.mark.parametrize("seed", range(30))
def test_the_best_under_limits_equals_the_best_of_all(seed):
    random = np.random.default_rng(seed)
    problem = make_problem(seed, count=int(random.integers(1, 6)))
    value = np.round(random.normal(1, 3, problem.size), 1)
    best = max(
        float(value[list(chosen)].sum())
        for size in range(problem.count + 1)
        for chosen in combinations(range(problem.size), size)
        if (np.bincount(problem.group[list(chosen)].astype(int), minlength=len(problem.room)) <= problem.room).all()
    )
    taken = best_allowed(problem, value)
    assert value[taken].sum() == pytest.approx(best)
    assert (value[taken] > 0).all()


@pytest.mark.parametrize("seed", range(20))
def test_cliques_cover_every_conflict_and_nothing_else(seed):
    random = np.random.default_rng(seed)
    wanted = np.triu(random.random((12, 12)) < 0.3, 1)
    near = csr_array((wanted | wanted.T).astype(float))
    cliques = conflict_cliques(near).toarray()
    together = np.triu((cliques.T @ cliques) > 0, 1)
    assert (together == wanted).all()
    assert (cliques.sum(axis=1) >= 2).all()


def test_no_candidates_and_no_conflicts():
    problem = make_covering(np.zeros((3, 2)), [1, 1], 2, None, None, None, (), 0)
    assert problem.size == 0
    assert submodular_bound(problem, []) == 0
    assert conflict_cliques(csr_array((4, 4))).shape == (0, 4)


def test_a_proof_can_be_checked_by_anybody():
    """L(u, v), written out anew from the pay and the charges, is the bound."""
    problem = make_problem(3)
    cliques = conflict_cliques(problem.near)
    proof = lagrangian_bound(problem, cliques, added_worth(problem, greedy(problem)), 100)
    assert isinstance(proof, Proof)
    assert (proof.on_cells >= 0).all() and (proof.on_cells <= problem.worth).all() and (proof.on_cliques >= 0).all()
    value = problem.own + problem.reach.toarray() @ proof.on_cells - cliques.toarray().T @ proof.on_cliques
    best = max(
        float(value[list(chosen)].sum())
        for size in range(problem.count + 1)
        for chosen in combinations(range(problem.size), size)
        if (np.bincount(problem.group[list(chosen)].astype(int), minlength=len(problem.room)) <= problem.room).all()
    )
    by_hand = (problem.worth - proof.on_cells).sum() + proof.on_cliques.sum() + best
    assert proof.bound == pytest.approx(by_hand, rel=1e-9)
