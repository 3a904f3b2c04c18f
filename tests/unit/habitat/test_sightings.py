"""The check of the score against sightings, by hand and by brute force."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.results import BLANK_SCORE, ScoreMap
from allocator.habitat.sightings import (
    SightingsCheck,
    area_under_curve,
    boyce_index,
    check_sightings,
    standard_error,
    verdict,
)
from tests.builders import law, make_grid

scores = st.lists(st.integers(0, 10_000), min_size=1, max_size=12)


def counts(values):
    return np.bincount(np.array(values), minlength=10_001)


@law(100)
@given(scores, scores)
def test_area_by_every_pair(presence, background):
    wins = [(p > b) + 0.5 * (p == b) for p in presence for b in background]
    assert area_under_curve(np.array(presence), counts(background)) == pytest.approx(np.mean(wins), abs=1e-12)
    more = area_under_curve(np.array(presence), counts(background) * 7)
    assert more == pytest.approx(np.mean(wins), abs=1e-12)


def test_perfect_reversed_and_equal():
    low, high = counts([1000, 2000, 3000]), np.array([8000, 9000])
    assert area_under_curve(high, low) == 1
    assert area_under_curve(np.array([10, 20]), low) == 0
    assert area_under_curve(np.array([2000]), counts([2000])) == 0.5
    assert math.isnan(area_under_curve(np.array([], int), low))


def test_standard_error_by_hand():
    """A = 0.75, n = 2, m = 3: Q1 = 0.6, Q2 = 1.125/1.75 = 0.642857; (0.1875 + 0.0375 + 2 * 0.080357)/6 = 0.0642857."""
    assert standard_error(0.75, 2, 3) == pytest.approx(math.sqrt(0.06428571), abs=1e-7)
    assert math.isnan(standard_error(0.75, 1, 3))


def test_boyce_is_one_where_pigs_rise_with_the_score_and_minus_one_where_they_fall():
    background = np.zeros(10_001, int)
    background[:10_001:10] = 10
    rising = np.repeat(np.arange(0, 10_000, 50), np.arange(200) // 20 + 1)
    index, windows = boyce_index(rising, background)
    assert index > 0.97 and windows > 20
    assert boyce_index(10_000 - rising, background)[0] < -0.97


def test_boyce_of_two_windows_cannot_be_told():
    assert math.isnan(boyce_index(np.array([5000, 5000]), counts([5000, 5000, 5000]))[0])
    assert math.isnan(boyce_index(np.array([5000]), counts([1000, 9000]))[0])


def test_boyce_of_pigs_spread_like_the_land_is_near_zero():
    random = np.random.default_rng(1)
    land = random.integers(0, 10_001, 200_000)
    found = [boyce_index(random.choice(land, 400), counts(land))[0] for _ in range(30)]
    assert abs(np.mean(found)) < 0.2


def test_boyce_does_not_depend_on_the_order_of_sightings():
    random = np.random.default_rng(2)
    seen, land = random.integers(3000, 10_001, 60), counts(random.integers(0, 10_001, 5000))
    assert boyce_index(seen, land) == boyce_index(random.permutation(seen), land)


MAP = ScoreMap(
    make_grid(2, 3), np.array([[9000, 5000, BLANK_SCORE], [1000, 2000, 3000]], np.uint16), np.ones((2, 3), bool)
)
"""Cells of 10 m; row 0 is y 10 to 20."""


def test_cells_are_found_counted_once_and_lost_ones_told():
    x = np.array([5.0, 6.0, 15.0, 25.0, 5.0, 99.0, -1.0])
    y = np.array([15.0, 16.0, 15.0, 15.0, 5.0, 5.0, 5.0])
    check = check_sightings(MAP, x, y)
    assert (check.sightings, check.used, check.off_map, check.background_cells) == (7, 3, 3, 5)
    # scores 9000, 5000, 1000 against 9000, 5000, 1000, 2000, 3000: 4.5 + 3.5 + 0.5 of 15
    assert check.area_under_curve == pytest.approx(8.5 / 15)
    assert 0 <= check.area_low < check.area_under_curve < check.area_high <= 1
    assert check_sightings(MAP, x[::-1], y[::-1]) == check


def test_a_point_on_the_north_west_edge_is_inside_one_on_the_south_east_edge_is_not():
    assert check_sightings(MAP, np.array([0.0]), np.array([20.0])).used == 1
    assert check_sightings(MAP, np.array([30.0]), np.array([0.0])).off_map == 1


def test_no_sightings_and_none_on_scored_ground():
    none = check_sightings(MAP, np.empty(0), np.empty(0))
    assert none.used == none.sightings == 0 and math.isnan(none.area_under_curve)
    assert "could not be checked" in verdict(none)
    assert "1 of 1 sightings lie on ground without a score" in verdict(
        check_sightings(MAP, np.array([25.0]), np.array([15.0]))
    )


MANY = SightingsCheck(40, 34, 0, 9000, 0.81, 0.73, 0.89, 0.92, 60)


def test_words():
    words = verdict(MANY)
    assert "81 times in 100 (95 percent interval 73 to 89), from 34 places" in words
    assert "Boyce index 0.92" in words and "a check, not a proof" in words and "too few" not in words
    assert "too few to tell" in verdict(replace(MANY, used=9))
    assert "more often where the score is low" in verdict(replace(MANY, area_under_curve=0.3))
    assert "1 place with" in verdict(replace(MANY, used=1, area_low=math.nan, area_high=math.nan))
