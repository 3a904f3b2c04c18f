"""Sharing: ties, edges and errors. Published apportionments stand in known_values, laws in laws."""

import pytest

from allocator.core.errors import SettingsError
from allocator.traps.sharing import share

METHODS = ("largest_remainder", "webster", "huntington_hill")


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(("total", "expected"), [(0, [0, 0, 0]), (1, [1, 0, 0]), (2, [1, 1, 0]), (4, [2, 1, 1])])
def test_of_equal_sizes_the_earlier_wins(method, total, expected):
    assert share(total, [5, 5, 5], method) == expected


def test_of_equal_claims_the_larger_size_wins():
    """1 and 3 of 2: quotas 0.5 and 1.5, equal remainders. Webster: 1/1 and 3/3, equal claims."""
    assert share(2, [1, 3], "largest_remainder") == [0, 2]
    assert share(2, [1, 3], "webster") == [0, 2]
    assert share(2, [3, 1], "webster") == [2, 0]


def test_huntington_hill_serves_the_larger_first_when_there_is_not_one_for_each():
    assert share(2, [1, 2, 3], "huntington_hill") == [0, 1, 1]
    assert share(3, [1, 2, 3], "huntington_hill") == [1, 1, 1]


def test_the_middle_of_webster_and_of_huntington_hill_differ():
    """1.45 and 3.55 of 5: Webster cuts at 1.5, Huntington-Hill at sqrt(2) = 1.41."""
    assert share(5, [1.45, 3.55], "webster") == [1, 4]
    assert share(5, [1.45, 3.55], "huntington_hill") == [2, 3]


@pytest.mark.parametrize("method", METHODS)
def test_nothing_to_share(method):
    assert share(0, [], method) == []
    assert share(0, [0, 0], method) == [0, 0]
    assert share(7, [3], method) == [7]


@pytest.mark.parametrize("method", METHODS)
def test_size_zero_gets_nothing(method):
    assert share(3, [0, 2, 0], method) == [0, 3, 0]


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    ("total", "sizes", "words"),
    [
        (-1, [1], "-1"),
        (1.5, [1], "1.5"),
        (1, [-1, 2], "0 or more"),
        (1, [float("nan"), 2], "number"),
        (1, [float("inf")], "number"),
        (2, [0, 0], "every size is 0"),
        (2, [], "every size is 0"),
    ],
)
def test_what_cannot_be_shared_is_refused(method, total, sizes, words):
    with pytest.raises(SettingsError, match=words):
        share(total, sizes, method)


def test_an_unknown_rule_is_refused_and_the_rules_are_named():
    with pytest.raises(SettingsError, match=r"dhondt.*webster"):
        share(1, [1], "dhondt")
