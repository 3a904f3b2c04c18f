"""Conversions between the user's units (acres, feet, percent) and ours (metres, square metres, fractions).

The acre is the international one, 4046.8564224 m2 exactly (from 1 ft = 0.3048 m; 85 FR 62698, 5 October 2020).
The US survey acre is 4.0 parts per million larger; 0.4 acre in 100,000.
"""

from typing import Any

SQUARE_METRES_PER_ACRE = 4046.8564224
METRES_PER_FOOT = 0.3048
METRES_PER_MILE = 5280 * METRES_PER_FOOT
METRES_PER_US_SURVEY_FOOT = 1200 / 3937


def acres(area_m2: Any) -> Any:
    """Acres of an area, a number or an array.

    Parameters
    ----------
    area_m2 : float or array
        Area in square metres.

    Returns
    -------
    float or array
        The same area in international acres.

    Examples
    --------
    >>> acres(4046.8564224)
    1.0
    """
    return area_m2 / SQUARE_METRES_PER_ACRE


def square_metres(area_acres: Any) -> Any:
    """Square metres of an area in international acres, a number or an array.

    Parameters
    ----------
    area_acres : float or array
        Area in acres.

    Returns
    -------
    float or array
        The same area in square metres.

    Examples
    --------
    >>> square_metres(640)
    2589988.110336
    """
    return area_acres * SQUARE_METRES_PER_ACRE


def percent(fraction: Any) -> Any:
    """Percent of a fraction, a number or an array.

    Parameters
    ----------
    fraction : float or array
        Share between 0 and 1.

    Returns
    -------
    float or array
        The share in percent.
    """
    return fraction * 100.0
