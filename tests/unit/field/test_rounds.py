"""Check rounds on small cases worked by hand, against plain enumeration, and by law."""

import math
from itertools import combinations, pairwise, permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.field import rounds as module
from allocator.field.rounds import plan_rounds
from tests.builders import law


def ways_of(travel, route):
    return sum(travel[one][other] for one, other in zip((0, *route), (*route, 0), strict=True))


def line(*places):
    """Travel between a base at 0 and stops on a straight road."""
    at = np.array([0, *places], float)
    return np.abs(at[:, None] - at)


def enumerate_rounds(travel, stop, shift, demand, capacity):
    """Fewest rounds and least travel, by every order of the stops and every cut of it."""
    best = (math.inf, math.inf)
    for order in permutations(range(1, len(stop) + 1)):
        for cuts in (cut for size in range(len(stop)) for cut in combinations(range(1, len(stop)), size)):
            edges = (0, *cuts, len(stop))
            routes = [order[start:end] for start, end in pairwise(edges)]
            ways = [ways_of(travel, route) for route in routes]
            if not all(map(math.isfinite, ways)):
                continue
            if capacity and any(sum(demand[one - 1] for one in route) > capacity + 1e-9 for route in routes):
                continue
            times = [way + sum(stop[one - 1] for one in route) for way, route in zip(ways, routes, strict=True)]
            if shift and max(times) > shift + 1e-9:
                continue
            best = min(best, (len(routes) if shift else 0, sum(ways)))
    return best


def make_case(seed, most):
    """A random case: with or without a shift, a truck, symmetry, whole numbers, closed ways, stops out of reach."""
    random = np.random.default_rng(seed)
    count = int(random.integers(1, most + 1))
    travel = random.uniform(1, 30, (count + 1, count + 1))
    stop = random.uniform(0, 12, count)
    if seed % 3 == 0:
        travel, stop = np.rint(travel), np.rint(stop)
    if seed % 4 < 2:
        travel = np.minimum(travel, travel.T)
    if seed % 5 < 2:
        closed = random.random(travel.shape) < 0.15
        travel[closed] = np.inf
    shift = float(random.integers(45, 110)) if seed % 7 < 5 else None
    demand, capacity = (random.integers(1, 6, count), 9.0) if seed % 2 else (None, None)
    return travel, stop, shift, demand, capacity


def check_against_enumeration(case):
    travel, stop, shift, demand, capacity = case
    answer = plan_rounds(travel, stop, shift, demand, capacity)
    load = np.zeros(len(stop)) if demand is None else demand
    alone = travel[0, 1:] + stop + travel[1:, 0]
    reached = np.isfinite(travel[0, 1:] + travel[1:, 0])
    fits = (alone <= (shift or np.inf)) & (load <= (capacity or np.inf))
    assert answer.unreached == tuple(np.flatnonzero(~reached) + 1)
    assert answer.too_long == tuple(np.flatnonzero(reached & ~fits) + 1)
    keep = np.flatnonzero(reached & fits)
    assert sorted(one for route in answer.routes for one in route) == (keep + 1).tolist()
    if not len(keep):
        assert (answer.routes, answer.total, answer.longest, answer.fewest) == ((), 0, 0, 0)
        return
    inside = np.r_[0, keep + 1]
    count, total = enumerate_rounds(travel[np.ix_(inside, inside)].tolist(), stop[keep], shift, load[keep], capacity)
    assert answer.total == pytest.approx(total, rel=1e-9)
    assert answer.fewest <= len(answer.routes)
    if shift:
        assert len(answer.routes) == count
        assert answer.fewest <= count


@pytest.mark.parametrize("seed", range(100))
def test_exact_rounds_equal_enumeration(seed):
    check_against_enumeration(make_case(seed, 5))


@pytest.mark.parametrize("seed", range(200, 230))
def test_the_search_equals_enumeration(seed, monkeypatch):
    monkeypatch.setattr(module, "EXACT_STOPS", 0)
    check_against_enumeration(make_case(seed, 5))


@pytest.mark.parametrize("seed", range(6))
def test_the_search_equals_the_exact_answer_of_eight_stops(seed, monkeypatch):
    random = np.random.default_rng(seed)
    travel, stop = random.uniform(5, 40, (9, 9)), random.uniform(5, 20, 8)
    travel[random.random((9, 9)) < 0.1 * np.r_[0, np.ones(8)] * np.r_[0, np.ones(8)][:, None]] = np.inf
    exact = plan_rounds(travel, stop, shift=110)
    monkeypatch.setattr(module, "EXACT_STOPS", 0)
    searched = plan_rounds(travel, stop, shift=110)
    assert len(searched.routes) == len(exact.routes) > 1
    assert searched.total == pytest.approx(exact.total)
    assert searched.fewest <= exact.fewest == len(exact.routes)


def test_fewer_crews_come_before_less_travel():
    """Two stops 10 from the base, 30 apart: one round drives 10 + 30 + 10 = 50, two drive 20 each."""
    travel = [[0, 10, 10], [10, 0, 30], [10, 30, 0]]
    one = plan_rounds(travel, [5, 5], shift=60)
    assert (one.routes, one.total, one.longest, one.fewest) == (((1, 2),), 50, 60, 1)
    two = plan_rounds(travel, [5, 5], shift=59)
    assert (two.routes, two.total, two.longest, two.lengths, two.fewest) == (((1,), (2,)), 40, 25, (25, 25), 2)
    assert plan_rounds(travel, [5, 5]).routes == ((1,), (2,)), "without a shift the least travel"


def test_a_straight_road_by_hand():
    """Stops at 1, 2 and 10 to the east, 3 to the west: one round drives 2 * 13; loads of two of three split it."""
    assert plan_rounds(line(1, 2, 10, -3), [0] * 4).total == 26
    # two to a truck: {2, 10}, {1, -3} drive 20 + 8; {10, -3}, {1, 2} 26 + 4; {1, 10}, {2, -3} 20 + 10
    truck = plan_rounds(line(1, 2, 10, -3), [0] * 4, demand=[1] * 4, capacity=2)
    assert (truck.total, truck.loads, truck.fewest) == (28, (2, 2), 2)
    assert [set(route) for route in truck.routes] == [{1, 4}, {2, 3}]


def test_one_way_roads_are_driven_the_right_way():
    """Round the block 0, 1, 2, 0 costs 3; the other way 30."""
    travel = [[0, 1, 10], [10, 0, 1], [1, 10, 0]]
    answer = plan_rounds(travel, [0, 0], shift=40)
    assert (answer.routes, answer.total) == (((1, 2),), 3)


def test_stops_without_a_road_there_or_back_are_named():
    travel = np.full((5, 5), 4.0)
    travel[0, 2] = travel[3, 0] = np.inf
    answer = plan_rounds(travel, [1, 1, 1, 9], shift=10)
    assert (answer.unreached, answer.too_long, answer.routes) == ((2, 3), (4,), ((1,),))


def test_a_load_above_the_truck_is_too_long():
    answer = plan_rounds(line(1, 2), [0, 0], demand=[3, 7], capacity=5)
    assert (answer.too_long, answer.routes, answer.loads) == ((2,), ((1,),), (3,))


def test_no_stops_are_no_rounds():
    answer = plan_rounds(np.zeros((1, 1)), [], shift=8)
    assert (answer.routes, answer.total, answer.longest, answer.fewest) == ((), 0, 0, 0)


def test_parts_that_fill_a_shift_fit_in_it():
    """0.1 + 0.2 is above 0.3 in floating point."""
    answer = plan_rounds([[0, 0.1, 0.1], [0.1, 0, 0.1], [0.1, 0.1, 0]], [0.2, 0.2], shift=0.7)
    assert len(answer.routes) == 1
    assert plan_rounds([[0, 0.1], [0.1, 0]], [0.1], shift=0.3).routes == ((1,),)


@pytest.mark.parametrize("unit", [1e-6, 1.0, 1e9])
def test_the_unit_does_not_matter(unit):
    random = np.random.default_rng(3)
    travel, stop = random.uniform(5, 40, (13, 13)), random.uniform(5, 20, 12)
    here, there = plan_rounds(travel, stop, shift=200), plan_rounds(travel * unit, stop * unit, shift=200 * unit)
    assert len(there.routes) == len(here.routes)
    assert there.total == pytest.approx(here.total * unit, rel=2e-2)


def test_bound_by_stops_that_share_no_round():
    """Ten stops in ten directions, 45 out, shift of 100: a pair drives 180, so ten rounds."""
    travel = np.full((11, 11), 90.0)
    travel[0] = travel[:, 0] = 45.0
    np.fill_diagonal(travel, 0)
    answer = plan_rounds(travel, [0] * 10, shift=100)
    assert (answer.fewest, len(answer.routes)) == (10, 10)


def test_bound_on_a_one_way_road():
    """Ten stops, 10 out and 40 back, a way only from each to the next, 5 or 4: a shift of 56 holds two neighbours.

    Stops 1 and 10 would each be alone if the ways of 4 were taken: six rounds instead of five.
    """
    travel = np.full((11, 11), np.inf)
    travel[0], travel[:, 0] = 10.0, 40.0
    for one in range(1, 10):
        travel[one, one + 1] = 5 if one % 2 else 4
    answer = plan_rounds(travel, [0] * 10, shift=56)
    assert answer.routes == ((1, 2), (3, 4), (5, 6), (7, 8), (9, 10))
    assert (answer.fewest, answer.total) == (5, 275)


def test_bound_by_time():
    """Twelve stops of 50 and 2 out, 2 apart: a round of k lasts 52k + 2, a shift of 160 holds three: four rounds."""
    travel = np.full((13, 13), 2.0)
    answer = plan_rounds(travel, [50] * 12, shift=160)
    # (12 * 50 + (12 + k) * 2) <= 160 k holds first for k = 4 (600 + 32 = 632 <= 640)
    assert (answer.fewest, len(answer.routes), answer.longest, answer.total) == (4, 4, 158, 32)


def test_bound_by_load():
    """Ten loads of 3 in a truck of 8: two to a round, five rounds; the sum alone says 30 / 8, four."""
    answer = plan_rounds(np.ones((11, 11)), [0] * 10, shift=50, demand=[3] * 10, capacity=8)
    assert answer.fewest == 4
    assert len(answer.routes) == 5


def test_same_seed_same_rounds():
    random = np.random.default_rng(5)
    travel, stop = random.uniform(5, 60, (26, 26)), random.uniform(5, 20, 25)
    assert plan_rounds(travel, stop, shift=200, seed=4) == plan_rounds(travel, stop, shift=200, seed=4)


@law(60)
@given(
    count=st.integers(0, 14), seed=st.integers(0, 10**6), shift=st.none() | st.floats(30, 300),
    capacity=st.none() | st.floats(2, 12), closed=st.sampled_from([0.0, 0.2]), seconds=st.sampled_from([0.0, 20.0]),
)  # fmt: skip
def test_each_stop_is_on_one_round_that_fits(count, seed, shift, capacity, closed, seconds):
    random = np.random.default_rng(seed)
    travel, stop = random.uniform(1, 40, (count + 1, count + 1)), random.uniform(0, 20, count)
    travel[random.random(travel.shape) < closed] = np.inf
    demand = None if capacity is None else random.uniform(0, 4, count)
    answer = plan_rounds(travel, stop, shift, demand, capacity, seconds)
    visited = [one for route in answer.routes for one in route]
    assert sorted([*visited, *answer.unreached, *answer.too_long]) == list(range(1, count + 1))
    assert all(answer.routes)
    ways = [ways_of(travel, route) for route in answer.routes]
    assert answer.total == pytest.approx(sum(ways))
    assert answer.travel == pytest.approx(ways)
    assert math.isfinite(answer.total)
    lengths = [way + sum(stop[one - 1] for one in route) for way, route in zip(ways, answer.routes, strict=True)]
    assert answer.lengths == pytest.approx(lengths)
    assert answer.longest == max(answer.lengths, default=0)
    assert answer.longest <= (shift or math.inf) * (1 + 1.01 * module.FIT)
    assert max(answer.loads, default=0) <= (capacity or math.inf) * (1 + 1.01 * module.FIT)
    assert (1 if answer.routes else 0) <= answer.fewest <= len(answer.routes)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"travel": np.zeros((2, 2))}, r"travel has shape \(2, 2\); expected \(3, 3\)"),
        ({"stop": [[1, 2]]}, r"stop has shape \(1, 2\)"),
        ({"travel": [[0, 1, -2], [1, 0, 1], [1, 1, 0]]}, r"travel\[0, 2\] is -2.0; expected 0 or more"),
        ({"travel": [[0, 1, 2], [math.nan, 0, 1], [1, 1, 0]]}, r"travel\[1, 0\] is nan"),
        ({"stop": [1, math.inf]}, r"stop\[1\] is inf"),
        ({"shift": 0}, "shift is 0; expected a number above 0"),
        ({"shift": math.inf}, "shift is inf"),
        ({"demand": [1, 1]}, "demand is given without capacity"),
        ({"capacity": 3}, "capacity is given without demand"),
        ({"demand": [1], "capacity": 3}, r"demand has shape \(1,\); expected \(2,\)"),
        ({"demand": [1, -1], "capacity": 3}, r"demand\[1\] is -1.0"),
        ({"demand": [1, 1], "capacity": math.nan}, "capacity is nan"),
        ({"seconds": -1}, "seconds is -1"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_wrong_numbers_are_named(change, words):
    with pytest.raises(ValueError, match=words):
        plan_rounds(**{"travel": np.ones((3, 3)), "stop": [1, 1]} | change)


def test_huge_limits_and_seeds_are_no_limit():
    random = np.random.default_rng(1)
    travel, stop = random.uniform(5, 40, (11, 11)), random.uniform(5, 20, 10)
    answer = plan_rounds(travel, stop, shift=1e30, demand=stop, capacity=1e30, seed=2**40)
    assert (len(answer.routes), answer.fewest) == (1, 1)


@pytest.mark.parametrize("seed", range(4))
def test_savings_alone_give_rounds_that_fit(seed, monkeypatch):
    """What is left where the search finds nothing."""
    monkeypatch.setattr(module, "_improved", lambda *_: None)
    random = np.random.default_rng(seed)
    travel, stop = random.uniform(1, 60, (41, 41)), random.uniform(5, 20, 40)
    answer = plan_rounds(travel, stop, shift=160)
    assert sorted(one for route in answer.routes for one in route) == list(range(1, 41))
    assert answer.longest <= 160 * (1 + module.FIT)
    assert answer.fewest <= len(answer.routes) <= 10, "four or more stops to a round"
