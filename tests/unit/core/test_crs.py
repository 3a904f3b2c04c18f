"""Which coordinate systems areas are measured in, and how large their errors are."""

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from allocator.core.crs import (
    GEOGRAPHIC,
    describe,
    distortion,
    is_equal_area,
    local_equal_area,
    transform_points,
    true_axes,
)
from allocator.core.errors import CrsError

LONGITUDE, LATITUDE = -84.5, 32.4


def wkt(code):
    return CRS.from_user_input(code).to_wkt()


def bounds_in(crs_wkt, half=10_000.0):
    """A square round the point, in the system's own unit."""
    x, y = Transformer.from_crs("EPSG:4326", CRS.from_wkt(crs_wkt), always_xy=True).transform(LONGITUDE, LATITUDE)
    return x - half, y - half, x + half, y + half


NOT_EQUAL_AREA = {
    "degrees": ("EPSG:4326", 0.1),
    "degrees, NAD83": ("EPSG:4269", 0.1),
    "spherical Mercator": ("EPSG:3857", 10_000),
    "UTM 16 north": ("EPSG:26916", 10_000),
    "State Plane Georgia West, US survey feet": ("EPSG:2240", 30_000),
    "State Plane Georgia West, metres": ("EPSG:26967", 30_000),
}


@pytest.mark.parametrize("name", NOT_EQUAL_AREA)
def test_areas_are_not_measured_in(name):
    code, half = NOT_EQUAL_AREA[name]
    assert not is_equal_area(wkt(code), bounds_in(wkt(code), half))


def test_an_equal_area_system_in_feet_is_not_measured_in_either():
    feet = CRS.from_proj4("+proj=aea +lat_1=29.5 +lat_2=45.5 +lat_0=23 +lon_0=-96 +datum=NAD83 +units=us-ft").to_wkt()
    metres = CRS.from_proj4("+proj=aea +lat_1=29.5 +lat_2=45.5 +lat_0=23 +lon_0=-96 +datum=NAD83 +units=m").to_wkt()
    assert not is_equal_area(feet, bounds_in(feet, 30_000))
    assert is_equal_area(metres, bounds_in(metres))


@pytest.mark.parametrize("code", ["EPSG:5070", "EPSG:6933", "ESRI:102008"])
def test_areas_are_measured_in(code):
    """CONUS Albers, world cylindrical equal-area, North America Albers."""
    assert is_equal_area(wkt(code), bounds_in(wkt(code)))


def test_areas_are_measured_in_a_local_system():
    local = local_equal_area(LONGITUDE, LATITUDE)
    assert is_equal_area(local, bounds_in(local, 100_000))
    worst = distortion(local, bounds_in(local, 70_000))
    assert worst.area_error < 1e-6
    assert worst.length_error < 1e-4  # as its docstring says, within 100 km


def square_kilometre():
    """Ring of a 1 km square of CONUS Albers, its south-west corner at the point, in many pieces."""
    west, south, _, _ = bounds_in(wkt("EPSG:5070"), 0.0)
    return shapely.get_coordinates(shapely.segmentize(shapely.box(west, south, west + 1000, south + 1000), 20.0))


def measured_in(code):
    x, y = Transformer.from_crs("EPSG:5070", code, always_xy=True).transform(*square_kilometre().T)
    return shapely.Polygon(np.stack([x, y], axis=1)).area


def test_a_square_kilometre_of_albers_is_one():
    to_ground = Transformer.from_crs("EPSG:5070", "EPSG:4269", always_xy=True)
    longitude, latitude = to_ground.transform(*square_kilometre().T)
    true_m2 = abs(Geod(ellps="GRS80").polygon_area_perimeter(longitude, latitude)[0])
    assert true_m2 == pytest.approx(1e6, abs=0.01)


@pytest.mark.parametrize(
    ("code", "area_m2", "within"), [("EPSG:3857", 1_406_893, 0.005), ("EPSG:26916", 1_000_570, 3e-6)]
)
def test_a_square_kilometre_measured_elsewhere(code, area_m2, within):
    """At 84.5 W 32.4 N, computed with pyproj: 40.7 % too much in spherical Mercator, 0.06 % in UTM.

    PROJ states the scale of spherical Mercator as on a sphere, half a percent off; it is refused by far either way.
    """
    assert measured_in(code) == pytest.approx(area_m2, abs=1)
    x, y = Transformer.from_crs("EPSG:5070", code, always_xy=True).transform(*square_kilometre().mean(axis=0))
    found = distortion(wkt(code), (x - 1, y - 1, x + 1, y + 1)).area_error
    assert found == pytest.approx(area_m2 / 1e6 - 1, abs=within)


def test_lengths_in_albers_are_not_true():
    """A 1,000 m line of the grid is 1,005.26 m on the ground east to west, 994.76 m north to south: computed with
    pyproj. The worst of all directions counts, which is a little more.
    """
    crs = CRS.from_epsg(5070)
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(LONGITUDE, LATITUDE)
    angle = np.radians(np.arange(0, 180))  # anticlockwise from east
    east, north = 500 * np.cos(angle), 500 * np.sin(angle)
    to_ground = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    one, other = to_ground.transform(x - east, y - north), to_ground.transform(x + east, y + north)
    ground_m = np.asarray(Geod(ellps="GRS80").inv(*one, *other)[2])
    assert ground_m[0] == pytest.approx(1005.26, abs=0.01)
    assert ground_m[90] == pytest.approx(994.76, abs=0.01)
    found = distortion(wkt("EPSG:5070"), bounds_in(wkt("EPSG:5070"), 1.0))
    assert found.length_error == pytest.approx(np.abs(1000 / ground_m - 1).max(), abs=1e-6)
    assert found.area_error < 1e-8


def test_albers_has_its_origin_at_96_west_23_north():
    """EPSG:5070: latitude of origin 23, central meridian -96, no false easting or northing (stored gdalinfo)."""
    x, y = transform_points(np.array([-96.0]), np.array([23.0]), "EPSG:4269", "EPSG:5070")
    assert abs(x[0]) < 1e-6
    assert abs(y[0]) < 1e-6


def test_the_worst_of_nine_points_counts():
    """UTM: hardly off 180 km from the middle meridian, 0.08 % in the middle."""
    utm = wkt("EPSG:26916")
    narrow = distortion(utm, (680_000.0, 3_580_000.0, 680_010.0, 3_580_010.0)).area_error
    wide = distortion(utm, (500_000.0, 3_580_000.0, 860_020.0, 3_580_010.0)).area_error
    assert narrow < 1e-4
    assert wide > 7e-4


@pytest.mark.parametrize("code", ["EPSG:4326", "EPSG:3857"])
def test_distortion_where_it_has_no_meaning_is_infinite(code):
    bounds = (0.0, 0.0, 1.0, 1.0) if code == "EPSG:4326" else (float("nan"), 0.0, 1.0, 1.0)
    assert distortion(wkt(code), bounds).area_error == float("inf")


def test_a_point_without_a_place_on_the_map_is_refused():
    with pytest.raises(CrsError, match="swapped"):
        transform_points(np.array([0.0]), np.array([95.0]), GEOGRAPHIC, "EPSG:3857")


def test_names_of_systems():
    assert describe(wkt("EPSG:5070")) == "EPSG:5070"
    assert describe(wkt("EPSG:26916")) == "EPSG:26916"
    assert describe(local_equal_area(-64.634, 28.406)) == "Lambert azimuthal equal-area at 28.41, -64.63"
    assert "without a name" in describe(CRS.from_proj4("+proj=sinu").to_wkt())


@pytest.mark.parametrize(("apart_m", "within_m"), [(1_000.0, 0.1), (10_000.0, 10.0)])
def test_short_steps_turn_to_true_east_and_north(apart_m, within_m):
    """At 120 W, Conus Albers is turned by some 14 degrees. Points by pyproj's geodesics, directly, not by the axes."""
    albers = CRS.from_epsg(5070)
    place = Transformer.from_crs("EPSG:4326", albers, always_xy=True)
    x, y = place.transform(-120.0, 40.0)
    (axes,) = true_axes(np.array([x]), np.array([y]), albers.to_wkt())
    assert np.linalg.det(axes) == pytest.approx(1, abs=1e-4)  # equal-area
    for bearing in range(0, 360, 45):
        to_x, to_y = place.transform(*Geod(ellps="WGS84").fwd(-120.0, 40.0, bearing, apart_m)[:2])
        east, north = axes @ (to_x - x, to_y - y)
        true = apart_m * np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
        assert np.hypot(east - true[0], north - true[1]) < within_m
