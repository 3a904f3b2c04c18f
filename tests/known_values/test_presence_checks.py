"""The check against sightings beside references outside the project."""

import numpy as np
import pytest
from scipy import stats

from allocator.habitat.sightings import area_under_curve, standard_error


@pytest.mark.parametrize("seed", range(6))
def test_area_is_the_mann_whitney_statistic(seed):
    """scipy.stats.mannwhitneyu: U over the product of both numbers is the area under the curve."""
    random = np.random.default_rng(seed)
    seen = random.integers(0, 40, 25) * 250
    land = random.integers(0, 40, 400) * 250
    expected = stats.mannwhitneyu(seen, land).statistic / (len(seen) * len(land))
    assert area_under_curve(seen, np.bincount(land, minlength=10_001)) == pytest.approx(expected, abs=1e-12)


def test_rating_data_of_hanley_and_mcneil():
    """Hanley and McNeil 1982, Radiology 143:29-36, the example of 58 normal and 51 abnormal images rated 1 to 5:
    normal 33, 6, 6, 11, 2; abnormal 3, 2, 2, 11, 33; area 0.893, standard error 0.032 (from memory, unverified).
    """
    normal = np.repeat([1, 2, 3, 4, 5], [33, 6, 6, 11, 2])
    abnormal = np.repeat([1, 2, 3, 4, 5], [3, 2, 2, 11, 33])
    area = area_under_curve(abnormal, np.bincount(normal, minlength=10_001))
    assert area == pytest.approx(0.893, abs=5e-4)
    assert standard_error(area, 51, 58) == pytest.approx(0.032, abs=6e-4)


def test_standard_error_against_resampling():
    """Computed here: the spread of the area over 4,000 fresh samples of two normal distributions 1 apart."""
    random = np.random.default_rng(4)
    areas = []
    for _ in range(4000):
        seen, land = random.normal(1, 1, 40), random.normal(0, 1, 60)
        areas.append(stats.mannwhitneyu(seen, land).statistic / 2400)
    assert standard_error(float(np.mean(areas)), 40, 60) == pytest.approx(np.std(areas), rel=0.06)
