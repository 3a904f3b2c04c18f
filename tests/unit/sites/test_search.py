"""Greedy, swaps, ruin and recreate: rules hold, figures kept step by step equal figures counted anew."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from allocator.sites.covering import added_worth, make_covering, rank
from allocator.sites.search import Standing, greedy, repair, ruin_and_recreate, swap


def make_problem(seed, candidates=60, cells=300, count=8):
    """Candidates and cells in a square, spacing, four groups."""
    random = np.random.default_rng(seed)
    where, targets = random.random((candidates, 2)), random.random((cells, 2))
    reach = np.linalg.norm(where[:, None] - targets[None], axis=2) < 0.15
    conflicts = cKDTree(where).query_pairs(0.1, output_type="ndarray")
    group = random.integers(0, 4, candidates)
    return make_covering(reach, random.integers(1, 9, cells), count, conflicts, group, [3, 3, 2, 2], (), 0)


def holds_rules(problem, chosen):
    held = np.bincount(problem.group[chosen], minlength=len(problem.room))
    return (
        len(set(chosen)) == len(chosen) <= problem.count
        and problem.near[chosen][:, chosen].nnz == 0
        and (held <= problem.room).all()
    )


@pytest.mark.parametrize("seed", range(10))
def test_figures_kept_step_by_step_equal_figures_counted_anew(seed):
    problem, random = make_problem(seed), np.random.default_rng(seed)
    standing, chosen = Standing(problem), []
    for _ in range(60):
        free = np.flatnonzero(standing.free())
        if len(free) and (not chosen or random.random() < 0.6):
            chosen.append(int(random.choice(free)))
            standing.add(chosen[-1])
        elif chosen:
            standing.drop(chosen.pop(int(random.integers(len(chosen)))))
        anew = Standing(problem, chosen)
        assert standing.served == anew.served == added_worth(problem, chosen)
        for name in ("times", "gains", "blocks", "room", "is_chosen"):
            assert (getattr(standing, name) == getattr(anew, name)).all(), name
        for one in np.flatnonzero(~standing.is_chosen)[:5].tolist():
            assert standing.gains[one] == added_worth(problem, [*chosen, one]) - standing.served


@pytest.mark.parametrize("seed", range(10))
def test_each_method_serves_as_much_or_more_and_holds_the_rules(seed):
    problem = make_problem(seed)
    first = greedy(problem)
    second = swap(problem, first)
    third = ruin_and_recreate(
        problem, second, liking=np.zeros(problem.size), rounds=300, seed=seed, is_over=lambda _: False
    )
    for chosen in (first, second, third):
        assert holds_rules(problem, chosen)
    served = [added_worth(problem, chosen) for chosen in (first, second, third)]
    assert served == sorted(served)


def test_ruin_and_recreate_finds_what_swaps_do_not():
    better = 0
    for seed in range(12):
        problem = make_problem(seed, candidates=120, count=10)
        start = swap(problem, greedy(problem))
        found = ruin_and_recreate(
            problem, start, liking=np.zeros(problem.size), rounds=300, seed=0, is_over=lambda _: False
        )
        better += added_worth(problem, found) > added_worth(problem, start)
    assert better >= 4


def test_the_same_seed_gives_the_same_choice():
    problem = make_problem(1)
    start = greedy(problem)
    like = np.zeros(problem.size)
    runs = [
        ruin_and_recreate(problem, start, liking=like, rounds=100, seed=5, is_over=lambda _: False) for _ in range(2)
    ]
    assert runs[0] == runs[1]


def test_a_search_that_is_over_stops():
    problem = make_problem(1)
    start = greedy(problem)
    same = ruin_and_recreate(problem, start, liking=np.zeros(problem.size), rounds=9, seed=0, is_over=lambda _: True)
    assert same == start


def test_greedy_takes_the_best_each_time():
    """By looking at every candidate anew before each step."""
    problem = make_problem(2)
    chosen = []
    for one in greedy(problem):
        gains = {
            other: added_worth(problem, [*chosen, other]) - added_worth(problem, chosen)
            for other in range(problem.size)
            if other not in chosen and holds_rules(problem, [*chosen, other])
        }
        assert gains[one] == max(gains.values())
        chosen.append(one)
    assert len(chosen) == problem.count


def test_a_choice_that_breaks_rules_is_repaired():
    problem = make_problem(4)
    chosen = repair(problem, np.arange(problem.size))
    assert holds_rules(problem, chosen)
    assert chosen == greedy(problem)


def test_rank_orders_by_what_each_adds():
    problem = make_problem(5)
    order = rank(problem, greedy(problem)[::-1])
    steps = [added_worth(problem, order[: place + 1]) for place in range(len(order))]
    added = np.diff([0, *steps])
    assert (np.diff(added) <= 0).all()
    assert rank(problem, []) == []
