"""Ranges of the count: by brute force, in closed form, and nothing where nothing is in doubt."""

import math
import time

import numpy as np
import pytest

from allocator.habitat.score import Component, score_cells
from allocator.traps.ranges import CUTS, Formula, Ground, Spread, draw_ranges, rest_asked, triangle

ONE = (300.0, 300.0, 300.0)


def ground(owner, position, rest, area, lengths=1):
    rest = np.broadcast_to(np.array(rest, float), (lengths, len(owner)))
    return Ground(np.array(owner), np.array(position), rest, np.array(area, float))


def formula(scores=(1.0,), groups=("a",), combine="geometric", threshold=0.5, rest_weight=2.0):
    return Formula(np.array(scores, float), tuple(groups), 2.0, rest_weight, combine, threshold)


def spread(m2=ONE, threshold=0.0, scores=0.0, lengths=(1.0,), draws=2000, seed=1):
    return Spread(m2, threshold, scores, lengths, draws, seed)


def ranges_of(land, rule, how, point=None, enrolled=None):
    number = int(land.owner.max()) + 1
    if point is None:
        asked = rest_asked(rule.scores[land.position], np.array(rule.threshold), rule)
        inside = land.rest[len(how.lengths) // 2] >= asked - 1e-9
        point = np.bincount(land.owner, land.area_m2 * inside, number)
    enrolled = np.ones(number, bool) if enrolled is None else np.array(enrolled)
    return draw_ranges(
        land, rule, how, point_m2=point, enrolled=enrolled, total_m2=point.sum(),
        total_enrolled_m2=point[enrolled].sum(),
    )  # fmt: skip


def random_land(seed, rows=400, properties=7, classes=4):
    random = np.random.default_rng(seed)
    steps = random.integers(0, CUTS + 1, rows) / CUTS  # on the steps, so that brute force has nothing to round
    return ground(
        random.integers(0, properties, rows), random.integers(0, classes, rows), steps, random.uniform(1, 1000, rows)
    )  # fmt: skip


@pytest.mark.parametrize("combine", ["geometric", "arithmetic", "minimum"])
def test_what_the_rest_must_reach_is_where_the_score_meets_the_threshold(combine):
    """Against the score itself: at the rest asked it is the threshold, a little below it is not."""
    rule = formula(combine=combine, rest_weight=1.5)
    for score in (0.3, 0.5, 0.8, 1.0):
        asked = float(rest_asked(np.array(score), np.array(0.5), rule))
        if math.isinf(asked) or asked > 1 or asked <= 0:
            top = [Component("cover", 2.0, np.array([score])), Component("rest", 1.5, np.array([1.0]))]
            found = float(score_cells(top, combine)[0])
            assert found < 0.5 or asked <= 0
            continue
        for rest, meets in ((asked + 1e-6, True), (asked - 1e-3, False)):
            parts = [Component("cover", 2.0, np.array([score])), Component("rest", 1.5, np.array([rest]))]
            assert (float(score_cells(parts, combine)[0]) >= 0.5) == meets


def test_without_any_doubt_low_and_high_are_the_plan_to_the_last_bit():
    land = random_land(3)
    point = np.random.default_rng(1).uniform(0, 1e6, 7)
    found = ranges_of(land, formula((1.0, 0.8, 0.5, 0.2), "abcd"), spread(), point, [True] * 5 + [False] * 2)
    assert (found.habitat_m2 == point).all()
    assert (found.traps[:, :5] == point[:5] / 300).all() and (found.traps[:, 5:] == 0).all()
    assert found.total_habitat_m2 == (point.sum(), point.sum())
    assert found.total_traps == (point[:5].sum() / 300, point[:5].sum() / 300)
    assert all(low == high for _, low, high in found.tornado)


@pytest.mark.parametrize("combine", ["geometric", "arithmetic", "minimum"])
def test_every_draw_against_scoring_every_row(combine):
    """The same draws, worked row by row with the score itself; rests lie on the steps of the tables."""
    land = random_land(5)
    scores, groups = np.array([1.0, 0.85, 0.45, 0.3]), ("wet", "wet", "wood", "field")
    how = spread((200.0, 300.0, 400.0), 0.05, 0.1, draws=400, seed=9)
    found = ranges_of(land, Formula(scores, groups, 2.0, 2.0, combine, 0.5), how)
    part = np.random.Generator(np.random.PCG64(9)).random((400, 6))
    habitat, traps = np.empty((400, 7)), np.empty((400, 7))
    for draw in range(400):
        offset = dict(zip(("wet", "wood", "field"), (2 * part[draw, 3:] - 1) * 0.1, strict=True))
        index = np.clip(scores + [offset[one] for one in groups], 0, 1)[land.position]
        parts = [Component("cover", 2.0, index), Component("rest", 2.0, land.rest[0])]
        is_habitat = score_cells(parts, combine) >= 0.5 + (2 * part[draw, 1] - 1) * 0.05
        habitat[draw] = np.bincount(land.owner, land.area_m2 * is_habitat, 7)
        traps[draw] = habitat[draw] / triangle(part[draw, 0], how.m2_per_trap)
    for values, low_high in ((habitat, found.habitat_m2), (traps, found.traps)):
        expected = np.sort(values, axis=0)[[round(0.1 * 399), round(0.9 * 399)]]
        np.testing.assert_allclose(low_high, expected, rtol=2e-5)
    total = np.sort(traps.sum(axis=1))[[round(0.1 * 399), round(0.9 * 399)]]
    np.testing.assert_allclose(found.total_traps, total, rtol=2e-5)


def test_one_cut_moves_the_acres_by_no_more_than_the_ground_between_two_steps():
    """Rests anywhere: the tables round a rest down to its step, an error of at most one step of 128."""
    random = np.random.default_rng(2)
    land = ground(np.zeros(4000, int), np.zeros(4000, int), random.random(4000), np.ones(4000))
    found = ranges_of(land, formula(threshold=0.6), spread(threshold=0.1, draws=4000))
    # score 1: habitat where rest >= t^2; t even from 0.5 to 0.7, so 10th and 90th percentile at t = 0.68 and 0.52
    expected = [4000 * (1 - 0.68**2), 4000 * (1 - 0.52**2)]
    np.testing.assert_allclose(found.habitat_m2[:, 0], expected, atol=4000 / CUTS + 4000 * 0.02)


@pytest.mark.parametrize(("ends", "seed"), [((200.0, 300.0, 400.0), 1), ((100.0, 300.0, 350.0), 2)])
def test_traps_over_a_triangle_have_their_closed_percentiles(ends, seed):
    """A / x for x triangular: its 10th percentile is A over the triangle's 90th. Monte Carlo error of a quantile at
    part p of n draws: sqrt(p (1 - p) / n) over the density there; four of them.
    """
    draws, area = 20_000, 9e5
    found = ranges_of(ground([0], [0], [1.0], [area]), formula(), spread(ends, draws=draws, seed=seed))
    least, likely, most = ends
    for part, got in ((0.9, found.traps[0, 0]), (0.1, found.traps[1, 0])):
        at = float(triangle(np.array([part]), ends)[0])
        height = 2 / (most - least)
        density = height * ((at - least) / (likely - least) if at < likely else (most - at) / (most - likely))
        error = 4 * math.sqrt(part * (1 - part) / draws) / density
        assert abs(area / got - at) < error
    assert found.habitat_m2[:, 0].tolist() == [area, area]


def test_all_or_nothing_has_the_probability_of_the_threshold():
    """Score 0.5 on all ground, threshold even from 0.45 to 0.55: nothing in half of the draws, so 0 and everything."""
    found = ranges_of(ground([0], [0], [0.25], [100.0]), formula((1.0,)), spread(threshold=0.05), np.array([100.0]))
    assert found.habitat_m2[:, 0].tolist() == [0, 100]
    seldom = ranges_of(ground([0], [0], [0.29], [100.0]), formula((1.0,)), spread(threshold=0.05), np.array([100.0]))
    # sqrt(0.29) = 0.5385: above the threshold in 88 of 100 draws, so even the 10th percentile has nothing
    assert seldom.habitat_m2[:, 0].tolist() == [0, 100]
    often = ranges_of(ground([0], [0], [0.30], [100.0]), formula((1.0,)), spread(threshold=0.05), np.array([100.0]))
    assert often.habitat_m2[:, 0].tolist() == [100, 100]  # 0.5477: 98 of 100


def test_order_of_rows_seed_and_number_of_properties():
    land = random_land(8, rows=3000, properties=2300)  # more than are worked at once
    rule, how = formula((1.0, 0.8, 0.5, 0.2), "abcd"), spread((200.0, 300.0, 400.0), 0.05, 0.1, draws=300)
    one = ranges_of(land, rule, how)
    mixed = np.random.default_rng(0).permutation(3000)
    other = ranges_of(
        Ground(land.owner[mixed], land.position[mixed], land.rest[:, mixed], land.area_m2[mixed]), rule, how
    )  # fmt: skip
    np.testing.assert_allclose(other.traps, one.traps, rtol=1e-5)
    again = ranges_of(land, rule, how)
    assert (again.traps == one.traps).all() and again.total_traps == one.total_traps and again.tornado == one.tornado
    assert ranges_of(land, rule, spread(how.m2_per_trap, 0.05, 0.1, draws=300, seed=2)).total_traps != one.total_traps


def test_longer_curves_never_mean_less_habitat_here_and_the_tornado_is_sorted():
    land = random_land(4)
    lengths = (0.8, 0.9, 1.0, 1.1, 1.2)
    stretched = np.stack([np.clip(land.rest[0] * one, 0, 1) for one in lengths])
    land = Ground(land.owner, land.position, stretched, land.area_m2)
    how = spread((200.0, 300.0, 400.0), 0.05, 0.1, lengths, draws=500)
    found = ranges_of(land, formula((1.0, 0.8, 0.5, 0.0), "abcd"), how)
    names = [name for name, _, _ in found.tornado]
    assert set(names) == {
        "acres per trap",
        "threshold",
        "length of the curves",
        "score of a",
        "score of b",
        "score of c",
    }
    widths = [high - low for _, low, high in found.tornado]
    assert widths == sorted(widths, reverse=True) and widths[0] > 0
    low, high = next((low, high) for name, low, high in found.tornado if name == "length of the curves")
    assert low < high


@pytest.mark.parametrize("wrong", [
    {"m2": (300.0, 200.0, 400.0)}, {"m2": (0.0, 300.0, 400.0)}, {"lengths": (0.8, 1.2)}, {"draws": 0}, {"scores": -0.1},
])  # fmt: skip
def test_nonsense_is_refused(wrong):
    lengths = len(wrong.get("lengths", (1.0,)))
    land = ground([0], [0], [1.0], [1.0], lengths)
    with pytest.raises(ValueError):
        draw_ranges(land, formula(), spread(**wrong), point_m2=np.ones(1), enrolled=np.ones(1, bool), total_m2=1.0,
                    total_enrolled_m2=1.0)  # fmt: skip


def test_ten_thousand_draws_over_five_thousand_properties_in_seconds():
    random = np.random.default_rng(0)
    rows = 300_000
    land = ground(
        np.sort(random.integers(0, 5000, rows)), random.integers(0, 6, rows), random.random(rows),
        random.uniform(1, 1000, rows), 5,
    )  # fmt: skip
    rule = formula((1.0, 0.85, 0.45, 0.4, 0.35, 0.25), "abcdef")
    how = spread((200.0, 300.0, 400.0), 0.05, 0.1, (0.8, 0.9, 1.0, 1.1, 1.2), draws=10_000)
    begun = time.perf_counter()
    found = ranges_of(land, rule, how)
    assert time.perf_counter() - begun < 20  # 2.4 s when measured on two cores; a slow machine may take longer
    assert found.draws_by_property == 10_000 and (found.traps[0] <= found.traps[1]).all()
