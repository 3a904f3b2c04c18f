"""Laws of a season of trap sets, and brute force on small ones."""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.field.rotation import NO_SET, TOO_LATE, TOO_SHORT, plan_rotation
from tests.builders import law


def starts_of(ready, cycle, windows):
    """Every day on which a site can begin."""
    return [day for first, last in windows for day in range(max(first, ready), last - cycle + 2)]


def small_season(seed):
    """Up to six sites and three windows, with different cycles and ready days."""
    rng = np.random.default_rng(seed)
    sites = int(rng.integers(1, 7))
    edges = np.sort(rng.choice(22, 2 * int(rng.integers(1, 4)), replace=False)).tolist()
    windows = list(zip(edges[::2], edges[1::2], strict=True))
    return rng.integers(-2, 12, sites).tolist(), rng.integers(1, 7, sites).tolist(), windows


def served_by(ready, cycles, windows, sets):
    """By rank weights: every group of sites that so many sets can serve, tried set by set and day by day."""
    count = len(ready)

    @cache
    def groups(free):
        # free: first free day of each set; the set free first either waits a day or takes a site
        found = {frozenset()}
        if not free or free[0] > windows[-1][1]:
            return found
        day = free[0]
        found = {*groups(tuple(sorted((*free[1:], day + 1))))}
        for site in range(count):
            if day in starts_of(ready[site], cycles[site], windows):
                rest = groups(tuple(sorted((*free[1:], day + cycles[site]))))
                found |= {group | {site} for group in rest if site not in group}
        return found

    return groups((windows[0][0],) * sets)


def best_by_trying(ready, cycles, windows, sets):
    """Most sites, and the largest sum of rank weights with so many."""
    fit = [site for site in range(len(ready)) if starts_of(ready[site], cycles[site], windows)]
    weight = {site: len(fit) - place for place, site in enumerate(fit)}
    return max((len(g), sum(weight[site] for site in g)) for g in served_by(ready, cycles, windows, sets)), weight


def assert_is_a_season(plan, ready, cycles, windows):
    left_out = dict(plan.unserved)
    assert list(left_out) == sorted(left_out) == [site for site in range(len(ready)) if plan.set_of[site] < 0]
    longest = max(last - first + 1 for first, last in windows)
    for site, (start, end) in enumerate(zip(plan.start, plan.end, strict=True)):
        if site in left_out:
            assert start == end == -1
            can = starts_of(ready[site], cycles[site], windows)
            reason = TOO_SHORT if longest < cycles[site] else NO_SET if can else TOO_LATE
            assert left_out[site] == reason
            continue
        assert end - start + 1 == cycles[site]
        assert start >= ready[site]
        assert sum(first <= start and end <= last for first, last in windows) == 1
    for site, better in enumerate(plan.start):
        for worse, start in enumerate(plan.start[site + 1 :], site + 1):
            if cycles[site] == cycles[worse] and start >= max(ready[site], 0):
                assert 0 <= better <= start, "a better rank could have this place"
    for number in range(plan.sets):
        times = sorted((plan.start[s], plan.end[s]) for s in range(len(ready)) if plan.set_of[s] == number)
        assert times, "a set without a site"
        assert all(before[1] < after[0] for before, after in pairwise(times))
    assert max(plan.set_of, default=-1) == plan.sets - 1
    assert plan.bound <= plan.sets


@pytest.mark.parametrize("seed", range(100))
def test_small_seasons_equal_brute_force(seed):
    ready, cycles, windows = small_season(seed)
    fit = sum(bool(starts_of(r, c, windows)) for r, c in zip(ready, cycles, strict=True))
    needed = next(sets for sets in range(fit + 1) if best_by_trying(ready, cycles, windows, sets)[0][0] == fit)
    plan = plan_rotation(ready, cycles, windows)
    assert_is_a_season(plan, ready, cycles, windows)
    assert (plan.sets, plan.bound, plan.status) == (needed, needed, "optimal")
    for sets in range(needed + 1):
        (number, worth), weight = best_by_trying(ready, cycles, windows, sets)
        plan = plan_rotation(ready, cycles, windows, sets)
        assert_is_a_season(plan, ready, cycles, windows)
        served = [site for site in range(len(ready)) if plan.set_of[site] >= 0]
        assert (len(served), sum(weight[site] for site in served)) == (number, worth)
        assert (plan.most, plan.status) == (number, "optimal")
        assert plan.sets <= sets


seasons = st.tuples(
    st.lists(st.tuples(st.integers(-3, 30), st.sampled_from([3, 5, 7, 9, 15])), min_size=1, max_size=16),
    st.sets(st.integers(0, 60), min_size=2, max_size=8).filter(lambda edges: len(edges) % 2 == 0),
)


@law(60)
@given(season=seasons, sets=st.none() | st.integers(0, 4), seconds=st.sampled_from([0.0, 5.0]))
def test_no_set_does_two_sites_at_once_and_every_site_lies_in_a_window(season, sets, seconds):
    sites, edges = season
    ready, cycles = zip(*sites, strict=True)
    edges = sorted(edges)
    windows = list(zip(edges[::2], edges[1::2], strict=True))
    plan = plan_rotation(ready, cycles, windows, sets, seconds)
    assert_is_a_season(plan, ready, cycles, windows)
    assert plan == plan_rotation(ready, cycles, windows, sets, seconds)  # the same again
    served = len(ready) - len(plan.unserved)
    assert served <= plan.most
    if sets is None:
        assert NO_SET not in dict(plan.unserved).values()
    else:
        assert plan.sets <= sets
    if plan.status == "optimal":
        assert plan.bound == plan.sets if sets is None else served == plan.most


@law(60)
@given(
    sites=st.integers(1, 60), cycle=st.integers(1, 12),
    edges=st.sets(st.integers(0, 90), min_size=2, max_size=8).filter(lambda edges: len(edges) % 2 == 0),
)  # fmt: skip
def test_equal_cycles_need_what_the_formula_says(sites, cycle, edges):
    edges = sorted(edges)
    windows = list(zip(edges[::2], edges[1::2], strict=True))
    per_set = sum((last - first + 1) // cycle for first, last in windows)
    plan = plan_rotation([0] * sites, [cycle] * sites, windows, seconds=0)
    if not per_set:
        assert {reason for _, reason in plan.unserved} == {TOO_SHORT}
        return
    assert (plan.sets, plan.status) == (-(-sites // per_set), "optimal")
    few = plan_rotation([0] * sites, [cycle] * sites, windows, sets=2, seconds=0)
    served = [site for site in range(sites) if few.set_of[site] >= 0]
    assert served == list(range(min(sites, 2 * per_set)))  # the best ranks
    assert few.status == "optimal"
    assert list(plan.start) == sorted(plan.start)  # and they begin first


@law(40)
@given(season=seasons, sets=st.integers(1, 3))
def test_one_more_set_never_serves_fewer_sites(season, sets):
    sites, edges = season
    ready, cycles = zip(*sites, strict=True)
    edges = sorted(edges)
    windows = list(zip(edges[::2], edges[1::2], strict=True))
    few = plan_rotation(ready, cycles, windows, sets)
    more = plan_rotation(ready, cycles, windows, sets + 1)
    assert len(more.unserved) <= len(few.unserved)


@pytest.mark.parametrize("sets", [None, 2])
@pytest.mark.parametrize("seed", range(8))
def test_better_ranks_go_first_among_equal_cycles(seed, sets):
    # full seasons of few cycles, where sites of one cycle can change places
    rng = np.random.default_rng(seed)
    sites = int(rng.integers(5, 16))
    cycles, ready = rng.choice([5, 7, 9], sites).tolist(), rng.integers(0, 12, sites).tolist()
    windows = [(0, 20), (25, 46)]
    assert_is_a_season(plan_rotation(ready, cycles, windows, sets), ready, cycles, windows)
