"""Scores against the Habitat Evaluation Procedures: aggregation and curves of published models."""

import numpy as np
import pytest

from allocator.habitat.score import Component, curve_index, score_cells

NA = float("nan")


def score(indices, combine, weights=None):
    weights = weights or [1] * len(indices)
    parts = [
        Component(str(place), weight, np.array([index], float))
        for place, (index, weight) in enumerate(zip(indices, weights, strict=True))
    ]
    return float(score_cells(parts, combine)[0])


AGGREGATION = {
    # Inputs: examples of HUcalc, HSImin and HSIgeomean of the R package ecorest (US Army Corps of Engineers, read at
    # github cran/ecorest); results computed.
    "two, arithmetic": ([0.1, 1], "arithmetic", None, 0.55),
    "two, geometric": ([0.1, 1], "geometric", None, 0.316228),
    "two, minimum": ([0.1, 1], "minimum", None, 0.1),
    "two, all weight on the first": ([0.1, 1], "arithmetic", [1, 0], 0.1),
    "two, all weight on the second": ([0.1, 1], "arithmetic", [0, 1], 1.0),
    "four, minimum": ([0.1, 0.25, 0.25, 0.25], "minimum", None, 0.1),
    "four, arithmetic": ([0.1, 0.25, 0.25, 0.25], "arithmetic", None, 0.2125),
    "four, geometric": ([0.1, 0.25, 0.25, 0.25], "geometric", None, 0.198818),
    "a blank is dropped, geometric": ([0.25, 0.25, NA, 0.25], "geometric", None, 0.25),
    "a blank is dropped, arithmetic": ([0.25, 0.25, NA, 0.25], "arithmetic", None, 0.25),
    "a blank is dropped, minimum": ([0.25, 0.25, NA, 0.25], "minimum", None, 0.25),
}


@pytest.mark.parametrize("name", AGGREGATION)
def test_aggregation(name):
    indices, combine, weights, expected = AGGREGATION[name]
    assert score(indices, combine, weights) == pytest.approx(expected, abs=5e-7)


def test_weighted_geometric_mean_by_hand():
    """(0.25^2 * 1^1 * 0.16^1)^(1/4) = (0.0625 * 0.16)^(1/4) = 0.01^(1/4) = 0.316228."""
    assert score([0.25, 1, 0.16], "geometric", [2, 1, 1]) == pytest.approx(0.01**0.25, rel=1e-12)
    assert score([0.25, 1, 0.16], "arithmetic", [2, 1, 1]) == pytest.approx(1.66 / 4, rel=1e-12)


CURVES = {
    # Sousa and Farmer 1983, FWS/OBS-82/10.43, wood duck, km between cover types (via ecorest)
    "wood duck": ([(0.8, 1), (3.2, 0)], {0: 1, 0.8: 1, 2.0: 0.5, 3.2: 0, 5: 0}),
    # Schroeder 1985, Biol. Rep. 82(10.106), turkey, m to forest (via ecorest); middle computed
    "turkey": ([(61, 1), (122, 0)], {0: 1, 61: 1, 91.5: 0.5, 122: 0, 1000: 0}),
    # Allen 1985, Biol. Rep. 82(10.107), swamp rabbit, percent canopy (via ecorest); values between computed
    "swamp rabbit": ([(0, 0), (25, 1), (65, 1), (100, 0.5)], {12.5: 0.5, 25: 1, 50: 1, 80: 0.785714, 100: 0.5}),
    # Rogers and Allen 1987, Biol. Rep. 82(10/144), black bear, percent wetland: not monotone (via ecorest)
    "black bear": ([(0, 0.5), (5, 1), (50, 1), (100, 0.5)], {0: 0.5, 2.5: 0.75, 30: 1, 75: 0.75, 100: 0.5}),
    # Allen 1986, Biol. Rep. 82(10.127), mink, percent of the year with surface water (via ecorest)
    "mink": ([(25, 0), (75, 1)], {0: 0, 25: 0, 50: 0.5, 75: 1, 100: 1}),
}


@pytest.mark.parametrize("name", CURVES)
def test_suitability_curves(name):
    curve, points = CURVES[name]
    found = curve_index(np.array(list(points), float), curve)
    np.testing.assert_allclose(found, list(points.values()), atol=5e-7)


def test_a_blank_value_has_a_blank_index():
    assert np.isnan(curve_index(np.array([NA]), [(0, 1), (1, 0)])[0])


def test_infinitely_far_is_the_end_of_the_curve():
    assert curve_index(np.array([np.inf]), [(0, 1), (1, 0.2)]).tolist() == [0.2]


def test_swamp_rabbit_product():
    """Allen 1985: HSI = SI(canopy) * SI(water regime), the geometric mean of two squared. Canopy 80, regime c (0.5)."""
    canopy = float(curve_index(np.array([80.0]), CURVES["swamp rabbit"][0])[0])
    assert score([canopy, 0.5], "geometric") ** 2 == pytest.approx(0.785714 * 0.5, abs=1e-6)


def test_mink_composite():
    """Allen 1986, palustrine emergent: min((4 SI4 + SI5) / 5, SI1). Inputs invented, worked by hand.

    SI4 0.5, SI5 1: (2 + 1) / 5 = 0.6. SI1 at 60 percent: 0.7, at 40 percent: 0.3.
    """
    cover = score([0.5, 1.0], "arithmetic", [4, 1])
    for percent, expected in ((60.0, 0.6), (40.0, 0.3)):
        water = float(curve_index(np.array([percent]), CURVES["mink"][0])[0])
        assert score([cover, water], "minimum") == pytest.approx(expected)


def test_gray_squirrel_composite():
    """Allen 1987, Biol. Rep. 82(10.135): min(sqrt(SI1 SI2) SI3, sqrt(SI4 SI5)). Inputs invented, worked by hand.

    sqrt(0.64 * 0.25) = 0.4, times 0.5 = 0.2; sqrt(0.81 * 0.36) = 0.54; with SI3 = 1 and SI5 = 0.04: 0.4 and 0.18.
    """
    food = score([0.64, 0.25], "geometric")
    assert score([food * 0.5, score([0.81, 0.36], "geometric")], "minimum") == pytest.approx(0.2)
    assert score([food * 1.0, score([0.81, 0.04], "geometric")], "minimum") == pytest.approx(0.18)
