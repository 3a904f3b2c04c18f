"""Laws of sharing a whole number."""

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.traps.sharing import share
from tests.builders import law

METHODS = ("largest_remainder", "webster", "huntington_hill")
DIVISORS = ("webster", "huntington_hill")
sizes_of = st.lists(st.one_of(st.just(0.0), st.floats(0.01, 1e6), st.integers(1, 9).map(float)), min_size=1, max_size=9)
some = sizes_of.filter(any)


@pytest.mark.parametrize("method", METHODS)
@law(80)
@given(total=st.integers(0, 60), sizes=some)
def test_shares_sum_to_the_total_and_nothing_gets_nothing(method, total, sizes):
    shares = share(total, sizes, method)
    assert sum(shares) == total
    assert all(one >= 0 for one in shares)
    assert all(one == 0 for one, size in zip(shares, sizes, strict=True) if size == 0)


@law(120)
@given(total=st.integers(0, 60), sizes=some)
def test_largest_remainder_stays_within_one_of_the_quota(total, sizes):
    whole = sum(map(Fraction, sizes))
    for one, size in zip(share(total, sizes, "largest_remainder"), sizes, strict=True):
        quota = Fraction(size) * total / whole
        assert int(quota) <= one <= -int(-quota // 1)


@pytest.mark.parametrize("method", DIVISORS)
@law(80)
@given(total=st.integers(0, 60), sizes=some)
def test_one_more_to_share_costs_nobody(method, total, sizes):
    fewer, more = share(total, sizes, method), share(total + 1, sizes, method)
    assert all(after >= before for before, after in zip(fewer, more, strict=True))


@pytest.mark.parametrize("method", METHODS)
@law(80)
@given(total=st.integers(0, 60), sizes=some)
def test_the_larger_never_gets_less(method, total, sizes):
    ranked = sorted(zip(sizes, share(total, sizes, method), strict=True))
    for (small, few), (large, many) in pairwise(ranked):
        assert few <= many or small == large


@pytest.mark.parametrize("method", METHODS)
@law(80)
@given(total=st.integers(0, 60), sizes=some, data=st.data())
def test_the_order_of_rows_only_matters_between_equals(method, total, sizes, data):
    """Each size keeps its shares; among equal sizes the same shares are dealt out, the earlier row first."""
    order = data.draw(st.permutations(range(len(sizes))))
    plain = share(total, sizes, method)
    turned = share(total, [sizes[i] for i in order], method)
    assert sorted(zip(sizes, plain, strict=True)) == sorted(zip([sizes[i] for i in order], turned, strict=True))
    for shares, its in ((plain, sizes), (turned, [sizes[i] for i in order])):
        for size in set(its):
            equals = [one for one, of in zip(shares, its, strict=True) if of == size]
            assert equals == sorted(equals, reverse=True)


@pytest.mark.parametrize("method", DIVISORS)
@law(60)
@given(total=st.integers(1, 40), sizes=some)
def test_a_divisor_exists_that_gives_the_shares(method, total, sizes):
    """What makes it that rule: one divisor rounds every quotient to its share (Webster at n + 1/2, Huntington-Hill at
    sqrt(n(n+1)); en-academic.com, enwiki 1414062). Squared, so that the arithmetic is exact.
    """
    held = [size for size in sizes if size]
    shares = share(total, held, method)
    if method == "huntington_hill" and total < len(held):
        assert sorted(shares) == [0] * (len(held) - total) + [1] * total
        return

    def cut_squared(n):
        if method == "webster":
            return Fraction(2 * n + 1, 2) ** 2
        return Fraction(n * (n + 1))

    both = [(Fraction(size) ** 2, n) for size, n in zip(held, shares, strict=True)]
    least = max(square / cut_squared(n) for square, n in both if cut_squared(n))
    most = [square / cut_squared(n - 1) for square, n in both if n and cut_squared(n - 1)]
    assert all(least <= one for one in most)


@pytest.mark.parametrize("method", METHODS)
@law(40)
@given(total=st.integers(0, 40), sizes=some)
def test_the_unit_of_the_sizes_does_not_matter(method, total, sizes):
    assert share(total, [size * 4 for size in sizes], method) == share(total, sizes, method)
