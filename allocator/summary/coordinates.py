"""Coordinates as crews write them: US National Grid and UTM."""

import math
import re
from dataclasses import dataclass

import numpy as np
from mgrs import MGRS

from allocator.core.crs import GEOGRAPHIC, transform_points


@dataclass(frozen=True, slots=True)
class CrewCoordinates:
    """One point as crews write it; empty text outside 80 S to 84 N.

    Parameters
    ----------
    usng : str
        US National Grid to 1 m (FGDC-STD-011-2001): cut down, never rounded.
    utm : str
        Zone with N or S for the hemisphere, easting and northing in whole metres, cut down.
    """

    usng: str
    utm: str


def crew_coordinates(latitude: float, longitude: float) -> CrewCoordinates:
    """US National Grid and UTM of a point on WGS 84.

    Parameters
    ----------
    latitude, longitude : float
        Degrees.

    Returns
    -------
    CrewCoordinates
        Both texts.

    References
    ----------
    30.0 N 97.0 W is 14R PU 92915 20469 by two libraries (mgrs and pygeodesy).

    Examples
    --------
    >>> crew_coordinates(30.0, -97.0)
    CrewCoordinates(usng='14R PU 92915 20469', utm='14N 692915 E 3320469 N')
    """
    parts = re.match(r"(\d{2})([C-X])([A-Z]{2})", MGRS().toMGRS(latitude, longitude))
    if parts is None:
        return CrewCoordinates("", "")
    zone, band, square = parts.groups()
    epsg = f"EPSG:{(32600 if latitude >= 0 else 32700) + int(zone)}"
    x_m, y_m = transform_points(np.array([longitude]), np.array([latitude]), GEOGRAPHIC, epsg)
    # A tenth of a millimetre keeps a point on a metre line from falling below it.
    east, north = math.floor(x_m[0] + 1e-4), math.floor(y_m[0] + 1e-4)
    return CrewCoordinates(
        usng=f"{zone}{band} {square} {east % 100_000:05d} {north % 100_000:05d}",
        utm=f"{zone}{'N' if latitude >= 0 else 'S'} {east} E {north} N",
    )
