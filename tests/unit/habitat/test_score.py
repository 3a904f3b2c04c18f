"""Scores: blanks, zeros, and how they are cut to whole numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.results import BLANK_SCORE
from allocator.habitat.score import Component, score_cells, whole_score
from tests.builders import law

HOW = ("geometric", "arithmetic", "minimum")
NA = np.nan
index = st.floats(0, 1)


def component(name, values, weight=1.0):
    return Component(name, weight, np.array(values, float))


@law(150)
@given(st.lists(st.tuples(index, st.floats(0.1, 10)), min_size=1, max_size=5))
def test_minimum_geometric_arithmetic_in_that_order_within_0_and_1(parts):
    made = [component(str(i), [one], weight) for i, (one, weight) in enumerate(parts)]
    geometric, arithmetic, minimum = (float(score_cells(made, how)[0]) for how in HOW)
    assert -1e-12 <= minimum <= geometric + 1e-12
    assert geometric <= arithmetic + 1e-12 <= 1 + 2e-12


@law(80)
@given(st.lists(st.tuples(index, st.floats(0.1, 10)), min_size=1, max_size=4), st.floats(0.01, 100))
def test_only_the_ratios_of_weights_matter(parts, factor):
    for how in HOW:
        plain = score_cells([component(str(i), [one], weight) for i, (one, weight) in enumerate(parts)], how)
        scaled = score_cells([component(str(i), [one], weight * factor) for i, (one, weight) in enumerate(parts)], how)
        np.testing.assert_allclose(scaled, plain, atol=1e-12)


@pytest.mark.parametrize(("how", "expected"), [("geometric", 0), ("arithmetic", 0.5), ("minimum", 0)])
def test_zero_is_made_up_for_only_by_the_arithmetic_mean(how, expected):
    made = [component("cover", [1]), component("water", [0])]
    assert score_cells(made, how).tolist() == [expected]
    with_blanks = [component("cover", [1, 1]), component("water", [0, NA])]
    assert score_cells(with_blanks, how).tolist() == [expected, 1]


@pytest.mark.parametrize("how", HOW)
def test_a_component_blank_in_a_cell_is_left_out_there_only(how):
    """Weights 2, 1, 1; where lowland is blank the others stand at 2, 1."""
    made = [component("cover", [0.5, 0.5], 2), component("water", [0.8, 0.8], 1), component("lowland", [0.2, NA], 1)]
    both = [component("cover", [0.5], 2), component("water", [0.8], 1)]
    every = [component("cover", [0.5], 2), component("water", [0.8], 1), component("lowland", [0.2], 1)]
    found = score_cells(made, how)
    assert found[0] == pytest.approx(score_cells(every, how)[0], rel=1e-12)
    assert found[1] == pytest.approx(score_cells(both, how)[0], rel=1e-12)


@pytest.mark.parametrize("how", HOW)
def test_where_the_land_cover_is_blank_the_score_is(how):
    for water in ([1, 1], [1, NA]):
        found = score_cells([component("cover", [NA, 0.5]), component("water", water)], how)
        assert np.isnan(found).tolist() == [True, False]


@pytest.mark.parametrize("how", HOW)
def test_only_the_cover_known_is_the_cover(how):
    found = score_cells([component("cover", [0.3]), component("water", [NA]), component("lowland", [NA])], how)
    assert found[0] == pytest.approx(0.3)


@pytest.mark.parametrize("how", HOW)
def test_a_table_and_an_index_per_cell_give_the_same(how):
    entry = np.array([[0, 1], [2, 1]], np.uint8)
    values = np.array([0.2, 0.7, NA])
    table = [Component("cover", 2, values, entry), component("lowland", [[0.3, 0.4], [0.5, 0.6]])]
    spread = [Component("cover", 2, values[entry]), table[1]]
    np.testing.assert_array_equal(score_cells(table, how), score_cells(spread, how))


def test_whole_scores_are_cut_down_never_rounded_up():
    found = whole_score(np.array([0, 0.00009, 0.49995, 0.49999, 0.5, 0.50009, 0.99999, 1]))
    assert found.tolist() == [0, 0, 4999, 4999, 5000, 5000, 9999, 10000]


def test_a_half_reached_through_roots_is_a_half():
    """sqrt(sqrt(0.0625)) and its like miss 0.5 by the last bits."""
    for weights in ([2, 1, 1], [1, 1, 2], [3, 2, 1], [1, 1, 1], [0.7, 0.2, 0.1]):
        made = [component(str(i), [0.5], weight) for i, weight in enumerate(weights)]
        assert whole_score(score_cells(made, "geometric")).tolist() == [5000]


def test_a_blank_score_is_no_number():
    assert whole_score(np.array([NA])).tolist() == [BLANK_SCORE]
