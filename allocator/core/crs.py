"""Coordinate systems: which are equal-area, which to work in, how large the error of areas and lengths is."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj import CRS, Geod, Proj, Transformer

from allocator.core.arrays import Floats
from allocator.core.errors import CrsError

Bounds = tuple[float, float, float, float]
AREA_TOLERANCE = 1e-4
"""An area error up to this fraction counts as equal-area (project default; 0.01 acre in 100)."""
GEOGRAPHIC = "EPSG:4326"


@dataclass(frozen=True, slots=True)
class Distortion:
    """How much a coordinate system stretches the ground, at worst, over the corners and middle of an area.

    Parameters
    ----------
    area_error : float
        Largest departure of an area from the true one, as a fraction.
    length_error : float
        Largest departure of a length in any direction, as a fraction.
    """

    area_error: float
    length_error: float


def distortion(crs_wkt: str, bounds_m: Bounds) -> Distortion:
    """Worst area and length error of a projected system at nine points of a rectangle.

    Parameters
    ----------
    crs_wkt : str
        The system, in metres.
    bounds_m : tuple of float
        West, south, east, north in that system.

    Returns
    -------
    Distortion
        Infinite where the system is not a projection or the points fall outside it.
    """
    crs = CRS.from_wkt(crs_wkt)
    if not crs.is_projected:
        return Distortion(float("inf"), float("inf"))
    west, south, east, north = bounds_m
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(west, east, 3), np.linspace(south, north, 3)))
    longitude, latitude = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(x, y)
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        return Distortion(float("inf"), float("inf"))
    factors = Proj(crs).get_factors(longitude, latitude, errcheck=False)
    area = np.asarray(factors.areal_scale)
    lengths = np.concatenate([np.asarray(factors.tissot_semimajor), np.asarray(factors.tissot_semiminor)])
    if not np.isfinite(area).all():
        return Distortion(float("inf"), float("inf"))
    return Distortion(float(np.abs(area - 1).max()), float(np.abs(lengths - 1).max()))


def is_equal_area(crs_wkt: str, bounds_m: Bounds) -> bool:
    """Whether areas may be measured in this system: equal-area within 0.01 % and in metres.

    Parameters
    ----------
    crs_wkt : str
        The system.
    bounds_m : tuple of float
        Where, in that system.

    Returns
    -------
    bool
        False for degrees, feet, UTM (0.08 % at the central meridian) and spherical Mercator.
    """
    crs = CRS.from_wkt(crs_wkt)
    if not crs.is_projected or abs(float(crs.axis_info[0].unit_conversion_factor) - 1) > 1e-12:
        return False
    return distortion(crs_wkt, bounds_m).area_error <= AREA_TOLERANCE


def local_equal_area(longitude: float, latitude: float) -> str:
    """WKT of a Lambert azimuthal equal-area system centred on a point, rounded to a hundredth of a degree.

    Parameters
    ----------
    longitude, latitude : float
        Centre in degrees.

    Returns
    -------
    str
        The system as WKT; within 100 km of the centre lengths are true to 0.01 %.
    """
    definition = {
        "proj": "laea", "lat_0": round(latitude, 2), "lon_0": round(longitude, 2), "datum": "WGS84", "units": "m",
    }  # fmt: skip
    return str(CRS.from_dict(definition).to_wkt())


@lru_cache(maxsize=64)
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(CRS.from_user_input(source), CRS.from_user_input(target), always_xy=True)


def transform_points(x: Floats, y: Floats, source: str, target: str) -> tuple[Floats, Floats]:
    """Coordinates of points in another system, longitude or easting first.

    Parameters
    ----------
    x, y : array
        Coordinates in the source system.
    source, target : str
        WKT or authority code.

    Returns
    -------
    x, y : array
        Coordinates in the target system.

    Raises
    ------
    CrsError
        A point has no place in the target system.
    """
    out_x, out_y = _transformer(source, target).transform(np.asarray(x, float), np.asarray(y, float))
    if not (np.isfinite(out_x).all() and np.isfinite(out_y).all()):
        raise CrsError(
            "Some coordinates have no place on the map when projected. Found values outside the range of the "
            "coordinate system. Check whether longitude and latitude are swapped or the system is declared wrongly."
        )
    return np.asarray(out_x), np.asarray(out_y)


def true_axes(x: Floats, y: Floats, crs_wkt: str) -> Floats:
    """How a projected system lies on the ground at points: what a metre along each of its axes is there.

    Parameters
    ----------
    x, y : (n,) array
        Places in the system, metres.
    crs_wkt : str
        The system.

    Returns
    -------
    (n, 2, 2) array
        To multiply short steps (x, y) with: metres to the true east, then to the true north.

    Notes
    -----
    From geodesics on the WGS 84 ellipsoid 100 m along each axis. Steps of 1 km come out within 0.1 m, of 10 km
    within 10 m.
    """
    step_m = 100.0
    longitude, latitude = transform_points(x, y, crs_wkt, GEOGRAPHIC)
    columns = []
    for along_x, along_y in ((step_m, 0.0), (0.0, step_m)):
        to_longitude, to_latitude = transform_points(x + along_x, y + along_y, crs_wkt, GEOGRAPHIC)
        azimuth, _, length_m = Geod(ellps="WGS84").inv(longitude, latitude, to_longitude, to_latitude)
        bearing = np.radians(np.asarray(azimuth, float))
        columns.append(np.asarray(length_m, float) / step_m * np.array([np.sin(bearing), np.cos(bearing)]))
    return np.moveaxis(np.array(columns), 2, 0).transpose(0, 2, 1)


def describe(crs_wkt: str) -> str:
    """Short name of a system for people: its authority code where it has one, else its name.

    Parameters
    ----------
    crs_wkt : str
        The system.

    Returns
    -------
    str
        For example ``EPSG:5070`` or ``Lambert azimuthal equal-area at 28.4, -64.6``.

    Examples
    --------
    >>> describe(CRS.from_epsg(5070).to_wkt())
    'EPSG:5070'
    """
    crs = CRS.from_wkt(crs_wkt)
    epsg = crs.to_epsg(min_confidence=100)
    if epsg:
        return f"EPSG:{epsg}"
    operation = crs.coordinate_operation
    if operation is not None and "Azimuthal Equal Area" in operation.method_name:
        values = {parameter.name: parameter.value for parameter in operation.params}
        return (
            "Lambert azimuthal equal-area at "
            f"{values.get('Latitude of natural origin')}, {values.get('Longitude of natural origin')}"
        )
    if operation is not None and crs.name.casefold() in ("unnamed", "unknown"):
        return f"{operation.method_name}, without a name"
    return str(crs.name)
