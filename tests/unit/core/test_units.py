"""Acres, feet, percent."""

import numpy as np
import pytest

from allocator.core.units import (
    METRES_PER_FOOT,
    METRES_PER_US_SURVEY_FOOT,
    SQUARE_METRES_PER_ACRE,
    acres,
    percent,
    square_metres,
)  # fmt: skip


def test_the_acre_is_43560_square_feet_of_0_3048_m():
    """1 ft = 0.3048 m exactly: NIST and NGS, 85 FR 62698, 5 October 2020. 1 acre = 10 square chains of 66 ft."""
    assert METRES_PER_FOOT == 0.3048
    assert 43_560 == 10 * 66 * 66
    assert SQUARE_METRES_PER_ACRE == 4046.8564224
    assert pytest.approx(43_560 * 0.3048**2, rel=1e-15) == SQUARE_METRES_PER_ACRE


def test_a_square_mile_has_640_acres():
    """5,280 ft a side; 640 acres: computed from the foot above."""
    assert acres((5280 * METRES_PER_FOOT) ** 2) == pytest.approx(640, rel=1e-15)


def test_the_survey_acre_is_four_millionths_larger():
    """US survey foot of 1200/3937 m (same notice)."""
    survey_m2 = 43_560 * METRES_PER_US_SURVEY_FOOT**2
    assert survey_m2 == pytest.approx(4046.8726098743, rel=1e-13)
    assert survey_m2 / SQUARE_METRES_PER_ACRE - 1 == pytest.approx(4.0e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("area_m2", "expected"),
    [(900, 0.2223948433), (100, 0.0247105381), (1e6, 247.105381), (1e4, 2.471053815), (4046.8564224, 1.0), (0, 0)],
)
def test_cells_and_squares_in_acres(area_m2, expected):
    """A 30 m cell, a 10 m cell, a square kilometre, a hectare: computed from the acre above."""
    assert acres(area_m2) == pytest.approx(expected, rel=5e-9)


def test_there_and_back():
    some = np.array([0.0, 0.1, 75, 300, 1e6])
    np.testing.assert_allclose(acres(square_metres(some)), some, rtol=1e-15)
    assert percent(0.08) == 8.0
