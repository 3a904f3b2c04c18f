"""Scores by table of combinations are those worked out cell by cell."""

import numpy as np
import pytest

from allocator.habitat.score import Component, score_cells, whole_score, whole_scores


@pytest.mark.parametrize("combine", ["geometric", "arithmetic", "minimum"])
@pytest.mark.parametrize("with_limit", [False, True])
def test_a_table_gives_the_same_to_the_last_step(combine, with_limit):
    random = np.random.default_rng(3)
    cover = random.choice(np.array([0, 3, 7, 255], np.uint8), (60, 50))
    index = np.full(256, np.nan)
    index[:8] = random.random(8)
    water = np.where(np.arange(40) == 5, np.nan, np.linspace(1, 0, 40))
    parts = [
        Component("cover", 2.0, index, cover),
        Component("water", 1.0, water, random.integers(0, 40, (60, 50)).astype(np.int32)),
    ]
    if with_limit:
        limit = random.integers(0, 5, (60, 50)).astype(np.int32)
        parts.append(Component("developed", 1.0, np.linspace(0, 1, 5), limit, is_limit=True))
    plain = whole_score(score_cells(parts, combine))
    assert len(np.unique(plain)) > 20
    np.testing.assert_array_equal(whole_scores(parts, combine), plain)


def test_an_index_by_cell_needs_no_table():
    cover = np.array([[0, 1, 255]], np.uint8)
    index = np.full(256, np.nan)
    index[:2] = 1.0, 0.25
    parts = [Component("cover", 1.0, index, cover), Component("lowland", 1.0, np.array([[0.25, 1.0, 1.0]]))]
    assert whole_scores(parts, "geometric").tolist() == [[5000, 5000, 65535]]
