"""Fewer traps than needed: hand-worked cases, ties, wrong input, time."""

import time
from itertools import accumulate

import numpy as np
import pytest

from allocator.traps.limited import allocate


def test_concave_curves_by_hand():
    """First traps add 10, 6 and 5, second ones 4, 6 and 1: the best three are 10, 6, 6."""
    some = allocate([[10, 14], [6, 12], [5, 6]], 3)
    assert some.traps.tolist() == [1, 2, 0]
    assert some.gain == 22
    assert some.frontier.tolist() == [0, 10, 16, 22, 27, 31, 32]
    assert some.marginal == 5


def test_two_together_are_worth_more_than_the_largest_single_one():
    """The second complex gives nothing for one trap and 9 for two; taking the largest gain first would stop at 8."""
    pair = [[5.0, 8.0], [0.0, 9.0]]
    assert [allocate(pair, n).traps.tolist() for n in range(5)] == [[0, 0], [1, 0], [0, 2], [1, 2], [2, 2]]
    assert allocate(pair, 4).frontier.tolist() == [0, 5, 9, 14, 17]


def test_only_curves_that_are_not_concave():
    """Three alike, worth 1 for one trap and 5 for both: five traps fill two and leave one for the third."""
    some = allocate([[1, 5]] * 3, 5)
    assert some.traps.tolist() == [2, 2, 1]
    assert some.frontier.tolist() == [0, 1, 5, 6, 10, 11, 15]


def test_more_traps_than_needed_stay_in_the_shed():
    some = allocate([[2.0], [1.0, 1.5]], 9)
    assert some.traps.tolist() == [1, 2]
    assert some.gain == 3.5
    assert np.isnan(some.marginal)


def test_a_trap_that_adds_nothing_is_not_given():
    some = allocate([[3.0, 3.0, 3.0], [0.0, 0.0], [0.0, 2.0]], 6)
    assert some.traps.tolist() == [1, 0, 2]
    assert some.gain == 5
    assert some.marginal == 0


def test_one_trap_of_a_pair_that_only_works_together_is_not_given():
    some = allocate([[0.0, 7.0]], 1)
    assert (some.traps.tolist(), some.gain, some.marginal) == ([0], 0.0, 7.0)


@pytest.mark.parametrize("gains", [[], [[]], [[], []], [[0.0, 0.0]]])
@pytest.mark.parametrize("available", [0, 2])
def test_nothing_to_gain(gains, available):
    some = allocate(gains, available)
    assert some.traps.tolist() == [0] * len(gains)
    assert some.gain == 0
    assert not some.frontier.any()


def test_no_traps_on_hand():
    some = allocate([[2.0], [3.0]], 0)
    assert (some.traps.tolist(), some.gain, some.marginal) == ([0, 0], 0.0, 3.0)


TIES = {
    "the earlier of two alike": ([[3], [3]], 1, [1, 0]),
    "all of the first of two straight lines": ([[1, 2, 3], [1, 2, 3]], 4, [3, 1]),
    "a concave curve before one that is not": ([[2, 4], [1, 4]], 2, [2, 0]),
    "one that is not concave before one that is": ([[1, 4], [2, 4]], 2, [2, 0]),
    "two that are not concave": ([[1, 4], [0, 4]], 2, [2, 0]),
    "the first three in turn, though two sets of curves meet": ([[1, 4], [2], [1, 4], [2]], 4, [2, 1, 0, 1]),
}


@pytest.mark.parametrize("name", TIES)
@pytest.mark.parametrize("factor", [1.0, 1 / 3, 0.1, 1e-9, 1e12])
def test_ties_go_to_the_earlier_complex(name, factor):
    gains, available, traps = TIES[name]
    assert allocate([[gain * factor for gain in curve] for curve in gains], available).traps.tolist() == traps


def test_rounding_in_the_gains_decides_nothing():
    """A third added up step by step misses the multiples of a third in the last bits."""
    added = list(accumulate([1 / 3] * 12))
    exact = [k / 3 for k in range(1, 13)]
    assert added != exact
    for gains in ([added, exact, added], [exact, added, exact]):
        assert allocate(gains, 17).traps.tolist() == [12, 5, 0]


def test_a_real_difference_is_no_tie():
    assert allocate([[1.0], [1.0 + 1e-9]], 1).traps.tolist() == [0, 1]
    assert allocate([[0.25, 1.0], [0.25, 1.0 + 1e-9]], 2).traps.tolist() == [0, 2]


@pytest.mark.parametrize("available", [-1, 1.5, float("nan"), float("inf")])
def test_the_number_on_hand_must_be_whole(available):
    with pytest.raises(ValueError, match="whole number"):
        allocate([[1.0]], available)


@pytest.mark.parametrize("curve", [[-1.0], [1.0, 0.5], [float("nan")], [1.0, float("inf")], [float("inf")] * 2])
def test_gains_must_be_numbers_that_never_fall(curve):
    with pytest.raises(ValueError, match="complex 1 are"):
        allocate([[1.0], curve], 1)


def test_a_table_is_no_curve():
    with pytest.raises(ValueError, match="one list"):
        allocate([np.ones((2, 2))], 1)


def test_gains_too_large_to_add_up():
    with pytest.raises(ValueError, match="too large"):
        allocate([[1.5e308], [1.5e308]], 1)


def test_the_gains_given_are_left_alone():
    curve = np.array([1.0, 3.0])
    allocate([curve, curve], 2)
    assert curve.tolist() == [1.0, 3.0]


@pytest.mark.parametrize("every", [None, 5, 1])
def test_5000_complexes_and_10000_traps_in_two_seconds(every):
    """None, a fifth or all of the curves are not concave. Processor time, so that a busy machine does not matter."""
    draw = np.random.default_rng(20)
    gains = []
    for complex_ in range(5000):
        steps = np.sort(draw.random(draw.integers(1, 13)))
        rises = every is not None and complex_ % every == 0
        gains.append(np.cumsum(steps if rises else steps[::-1]))
    start = time.process_time()
    some = allocate(gains, 10_000)
    assert time.process_time() - start < 2
    assert some.traps.sum() == 10_000
    assert some.gain == pytest.approx(sum(c[k - 1] for c, k in zip(gains, some.traps, strict=True) if k), rel=1e-12)
