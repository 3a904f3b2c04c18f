"""Where a site lies and which way its door faces, in the words that crews use."""

import re
from typing import Any

import pandas as pd

from allocator.core.units import METRES_PER_FOOT

WINDS = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west",
    "north-west", "north-north-west",
)  # fmt: skip
"""The sixteen points of the compass, each a sixteenth of a turn wide."""
_USNG = re.compile(r"(\d{1,2}[C-X]) ?([A-Z]{2}) ?(\d{5}) ?(\d{5})")


def degrees(value: float) -> str:
    """A latitude or longitude in decimal degrees to six digits: about 0.1 m.

    Parameters
    ----------
    value : float
        Degrees.

    Returns
    -------
    str
        With a point, minus for south and west. 180 east is written as 180 west, its other name, because GPX 1.1 allows
        only that one; a zero has no sign.

    Examples
    --------
    >>> degrees(-64.6042349), degrees(180.0), degrees(-1e-9)
    ('-64.604235', '-180.000000', '0.000000')
    """
    text = f"{value:.6f}"
    return {"180.000000": "-180.000000", "-0.000000": "0.000000"}.get(text, text)


def geo_uri(latitude: float, longitude: float) -> str:
    """A point as a link that map programs of telephones open (RFC 5870).

    Parameters
    ----------
    latitude, longitude : float
        Degrees in WGS 84.

    Returns
    -------
    str
        ``geo:`` with latitude first.

    Examples
    --------
    >>> geo_uri(28.4130381, -64.6042349)
    'geo:28.413038,-64.604235'
    """
    return f"geo:{degrees(latitude)},{degrees(longitude)}"


def degrees_minutes(latitude: float, longitude: float) -> str:
    """A point in whole degrees and decimal minutes to three digits: under 2 m.

    Parameters
    ----------
    latitude, longitude : float
        Degrees.

    Returns
    -------
    str
        Latitude, then longitude. Rounded as a whole, so that minutes never read 60.

    Examples
    --------
    >>> degrees_minutes(30.12345, -97.5)
    "30°07.407' N, 97°30.000' W"
    >>> degrees_minutes(29.999999, -64.9999999)
    "30°00.000' N, 65°00.000' W"
    """
    return f"{_whole_and_minutes(latitude, 'NS')}, {_whole_and_minutes(longitude, 'EW')}"


def _whole_and_minutes(value: float, halves: str) -> str:
    whole, thousandths = divmod(round(abs(value) * 60_000), 60_000)
    is_negative = value < 0 and whole + thousandths > 0
    return f"{whole:02d}°{thousandths / 1000:06.3f}' {halves[is_negative]}"


def usng_to_ten_metres(usng: str | None) -> str:
    """US National Grid to 10 m: the text to 1 m with the last digit of both numbers cut off, never rounded.

    Parameters
    ----------
    usng : str or None
        To 1 m, with or without spaces.

    Returns
    -------
    str
        Zone, square and twice four digits; empty where there is no such text.

    Examples
    --------
    >>> usng_to_ten_metres("20R LS 42869 44005")
    '20R LS 4286 4400'
    """
    found = _USNG.fullmatch(usng or "")
    if found is None:
        return ""
    zone, square, east, north = found.groups()
    return f"{zone} {square} {east[:4]} {north[:4]}"


def distance_words(distance_m: Any) -> str:
    """A distance in feet and metres.

    Parameters
    ----------
    distance_m : number or blank
        Metres; NaN and None are blank.

    Returns
    -------
    str
        Whole feet and metres; empty where blank.

    Examples
    --------
    >>> distance_words(304.8), distance_words(None)
    ('1,000 ft (305 m)', '')
    """
    return "" if pd.isna(distance_m) else f"{distance_m / METRES_PER_FOOT:,.0f} ft ({distance_m:,.0f} m)"


def bearing_words(bearing_deg: Any) -> str:
    """A bearing in degrees with its point of the compass.

    Parameters
    ----------
    bearing_deg : number or blank
        Degrees from true north, clockwise.

    Returns
    -------
    str
        Whole degrees from 0 to 359; empty where blank.

    Examples
    --------
    >>> bearing_words(335.998), bearing_words(359.7)
    ('336° (north-north-west)', '0° (north)')
    """
    if pd.isna(bearing_deg):
        return ""
    return f"{round(bearing_deg) % 360}° ({WINDS[int(bearing_deg / 22.5 + 0.5) % 16]})"
