"""Laws of the choice of sites, on invented land: more to choose from, more sites or fewer rules never serve less."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from allocator.sites.choose import choose_sites


def make_land(seed, candidates=40, cells=200):
    """Candidates and cells in a square of side 1: reach, worth, conflicts, owner."""
    random = np.random.default_rng(seed)
    where, targets = random.random((candidates, 2)), random.random((cells, 2))
    reach = csr_array((np.linalg.norm(where[:, None] - targets[None], axis=2) < 0.2).astype(float))
    conflicts = cKDTree(where).query_pairs(0.12, output_type="ndarray")
    return reach, random.integers(1, 100, cells).astype(float), conflicts, random.integers(0, 3, candidates)


def not_below(larger, smaller):
    """Never below what a smaller problem gave, by more than the stated gap."""
    gap = larger.bound - larger.served
    return larger.served >= smaller.served - gap - 1e-9 * larger.bound and larger.bound >= smaller.served * (1 - 1e-9)


seeds = st.integers(0, 10_000)


@settings(max_examples=15, deadline=None)
@given(seeds, st.integers(1, 5))
def test_more_candidates_never_serve_less(seed, count):
    reach, worth, conflicts, owner = make_land(seed)
    inside = conflicts[(conflicts < 25).all(axis=1)]
    fewer = choose_sites(reach[:25], worth, count, inside, owner[:25], [2, 2, 2])
    more = choose_sites(reach, worth, count, conflicts, owner, [2, 2, 2])
    assert not_below(more, fewer)


@settings(max_examples=15, deadline=None)
@given(seeds, st.integers(1, 5))
def test_one_more_site_or_one_rule_less_never_serves_less(seed, count):
    reach, worth, conflicts, owner = make_land(seed)
    ruled = choose_sites(reach, worth, count, conflicts, owner, [2, 1, 1])
    assert not_below(choose_sites(reach, worth, count + 1, conflicts, owner, [2, 1, 1]), ruled)
    assert not_below(choose_sites(reach, worth, count, None, owner, [2, 1, 1]), ruled)
    assert not_below(choose_sites(reach, worth, count, conflicts), ruled)


@settings(max_examples=15, deadline=None)
@given(seeds)
def test_a_site_to_keep_never_raises_what_is_served(seed):
    reach, worth, conflicts, owner = make_land(seed)
    free = choose_sites(reach, worth, 4, conflicts, owner, [2, 2, 2])
    for keep in ([3], [free.sites[-1]]):
        kept = choose_sites(reach, worth, 4, conflicts, owner, [2, 2, 2], keep)
        assert kept.sites[0] == keep[0]
        assert not_below(free, kept)
    assert kept.served == pytest.approx(free.served)  # the last one kept was chosen anyway


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_double_worth_doubles_what_is_served_with_the_same_sites(seed):
    reach, worth, conflicts, owner = make_land(seed)
    once = choose_sites(reach, worth, 4, conflicts, owner, [2, 2, 2])
    twice = choose_sites(reach, 2 * worth, 4, conflicts, owner, [2, 2, 2])
    assert twice.served == 2 * once.served
    assert twice.sites == once.sites


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_splitting_a_cell_changes_nothing(seed):
    reach, worth, conflicts, owner = make_land(seed)
    split = csr_array(np.repeat(reach.toarray(), 2, axis=1))
    whole = choose_sites(reach, worth, 4, conflicts, owner, [2, 2, 2])
    halves = choose_sites(split, np.repeat(worth / 2, 2), 4, conflicts, owner, [2, 2, 2])
    assert halves.served == whole.served
    assert halves.sites == whole.sites
