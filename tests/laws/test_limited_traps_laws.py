"""Laws of giving out too few traps."""

from collections.abc import Sequence
from itertools import accumulate, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.traps.limited import allocate
from tests.builders import law

whole_steps = st.lists(st.integers(0, 5), max_size=4)
any_steps = st.lists(st.one_of(st.just(0.0), st.floats(1e-3, 1e3)), max_size=4)
whole = st.lists(whole_steps.map(lambda steps: list(accumulate(steps))), max_size=5)
real = st.lists(any_steps.map(lambda steps: list(accumulate(steps))), max_size=5)
concave = st.lists(any_steps.map(lambda steps: list(accumulate(sorted(steps, reverse=True)))), max_size=12)


def total(gains: Sequence[Sequence[float]], traps: Sequence[int]) -> float:
    return sum(curve[k - 1] for curve, k in zip(gains, traps, strict=True) if k)


def every_split(gains: Sequence[Sequence[float]]) -> list[tuple[int, ...]]:
    return list(product(*(range(len(curve) + 1) for curve in gains)))


@law(150)
@given(gains=st.one_of(whole, real), available=st.integers(0, 22))
def test_no_split_of_the_traps_gains_more(gains, available):
    """Every split tried, for every number of traps."""
    found = allocate(gains, available)
    most = sum(map(len, gains))
    best = [0.0] * (most + 1)
    for split in every_split(gains):
        best[sum(split)] = max(best[sum(split)], total(gains, split))
    assert found.frontier == pytest.approx(np.array(best), rel=1e-9)
    assert found.gain == pytest.approx(best[min(available, most)], rel=1e-9)
    assert total(gains, found.traps) == pytest.approx(found.gain, rel=1e-9)
    assert found.traps.sum() <= available
    assert all(0 <= k <= len(curve) for k, curve in zip(found.traps, gains, strict=True))


@law(150)
@given(gains=whole, available=st.integers(0, 22), part=st.sampled_from([1, 3, 7]))
def test_of_equal_splits_the_fewest_traps_then_the_earliest_complexes(gains, available, part):
    """Whole gains tie often; a third or a seventh of them ties but for the last bits."""
    splits = [split for split in every_split(gains) if sum(split) <= available]
    best = max(total(gains, split) for split in splits)
    equal = [split for split in splits if total(gains, split) == best]
    fewest = min(map(sum, equal))
    expected = max(split for split in equal if sum(split) == fewest)
    parts = [[gain / part for gain in curve] for curve in gains]
    assert tuple(allocate(parts, available).traps) == expected


@law(100)
@given(gains=concave, available=st.integers(0, 50))
def test_concave_curves_one_trap_at_a_time(gains, available):
    """Plain greedy: the next trap goes where it adds most."""
    held, gained = [0] * len(gains), [0.0]
    for _ in range(sum(map(len, gains))):
        adds = [
            (curve[k] - (curve[k - 1] if k else 0.0), -c)
            for c, (curve, k) in enumerate(zip(gains, held, strict=True))
            if k < len(curve)
        ]
        add, c = max(adds)
        held[-c] += 1
        gained.append(gained[-1] + add)
    found = allocate(gains, available)
    assert found.frontier == pytest.approx(np.array(gained), rel=1e-9)
    assert found.gain == found.frontier[min(available, len(gained) - 1)]


@law(100)
@given(gains=st.one_of(whole, real, concave), available=st.integers(0, 30), data=st.data())
def test_the_order_of_complexes_never_moves_the_total(gains, available, data):
    """To the last bit, for every number of traps."""
    turned = data.draw(st.permutations(gains))
    one, other = allocate(gains, available), allocate(turned, available)
    assert one.gain == other.gain
    assert one.frontier.tolist() == other.frontier.tolist()


@law(100)
@given(gains=st.one_of(whole, real, concave), available=st.integers(0, 30))
def test_one_more_trap_never_gains_less(gains, available):
    found, more = allocate(gains, available), allocate(gains, available + 1)
    assert found.frontier[0] == 0
    assert (np.diff(found.frontier) >= 0).all()
    if available < len(found.frontier) - 1:
        assert found.marginal == more.gain - found.gain
    else:
        assert np.isnan(found.marginal)
        assert more.gain == found.gain


@law(100)
@given(
    gains=st.lists(st.lists(st.floats(1e-3, 1e3), max_size=5).map(lambda steps: list(accumulate(steps))), max_size=6),
    more=st.integers(0, 3),
)
def test_enough_traps_meet_every_need(gains, more):
    needs = [len(curve) for curve in gains]
    assert allocate(gains, sum(needs) + more).traps.tolist() == needs


@law(60)
@given(
    gains=whole, available=st.integers(0, 22), factor=st.sampled_from([1e-200, 1e-6, 1 / 3, 0.7, 4046.8564224, 1e200])
)
def test_the_unit_of_the_gains_does_not_matter(gains, available, factor):
    scaled = [[gain * factor for gain in curve] for curve in gains]
    one, other = allocate(gains, available), allocate(scaled, available)
    assert one.traps.tolist() == other.traps.tolist()
    assert other.gain == pytest.approx(one.gain * factor, rel=1e-12)


@law(60)
@given(gains=whole, available=st.integers(0, 22), seed=st.integers(0, 99))
def test_noise_in_the_last_bits_decides_nothing(gains, available, seed):
    draw = np.random.default_rng(seed)
    noisy = [np.maximum.accumulate(np.array(curve) * (1 + 1e-15 * draw.normal(size=len(curve)))) for curve in gains]
    assert allocate(noisy, available).traps.tolist() == allocate(gains, available).traps.tolist()


@law(40)
@given(gains=st.one_of(whole, real), available=st.integers(0, 12), place=st.integers(0, 5))
def test_a_complex_without_gain_changes_nothing(gains, available, place):
    place = min(place, len(gains))
    more = [*gains[:place], [0.0, 0.0], *gains[place:]]
    one, other = allocate(gains, available), allocate(more, available)
    assert other.gain == one.gain
    assert np.delete(other.traps, place).tolist() == one.traps.tolist()
