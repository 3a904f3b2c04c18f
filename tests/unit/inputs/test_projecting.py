"""The working system and shapes brought into it."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from allocator.core.crs import local_equal_area
from allocator.core.errors import CrsError, SettingsError
from allocator.inputs.projecting import project_shapes, working_crs

DEGREES = (-84.6, 32.3, -84.4, 32.5)
HERE = local_equal_area(-84.5, 32.4)


def test_auto_takes_the_rasters_own_system_where_it_is_equal_area():
    albers = CRS.from_epsg(5070).to_wkt()
    assert working_crs("auto", DEGREES, albers) == albers
    for other in (4326, 3857, 2240, None):  # degrees, spherical Mercator, feet, no raster
        wkt = CRS.from_epsg(other).to_wkt() if other else None
        assert working_crs("auto", DEGREES, wkt) == HERE


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ("EPSG:3857", r"not equal-area: areas here are off by 4\d\.\d\d%"),
        ("EPSG:4326", "measured in degree"),
        ("EPSG:2240", "measured in US survey foot"),
        ("Lambert's", "not a coordinate system"),
    ],
)
def test_an_explicit_system_must_be_equal_area_in_metres(setting, message):
    with pytest.raises(SettingsError, match=message):
        working_crs(setting, DEGREES, None)


def test_an_explicit_equal_area_system_is_taken():
    assert CRS.from_wkt(working_crs("EPSG:5070", DEGREES, None)) == CRS.from_epsg(5070)


def test_long_edges_are_split_before_projecting():
    # An edge of half a degree along a parallel bends by tens of metres once projected.
    box = shapely.box(-84.75, 32.2, -84.25, 32.6)
    (placed,) = project_shapes(np.array([box], object), CRS.from_epsg(4326), HERE, "x")
    assert len(placed.exterior.coords) > 50
    dense = shapely.segmentize(box, 0.0005)
    true_m2 = abs(Geod(ellps="WGS84").geometry_area_perimeter(dense)[0])
    assert placed.area == pytest.approx(true_m2, rel=1e-5)


def test_shapes_already_in_the_system_are_not_changed():
    shapes = np.array([shapely.box(0, 0, 9000, 9000)], object)
    assert project_shapes(shapes, CRS.from_wkt(HERE), HERE, "x")[0] is shapes[0]


def test_the_callers_shapes_stay_as_they_are():
    shapes = np.array([shapely.box(-84.5, 32.4, -84.49, 32.41)], object)
    before = shapes[0].wkt
    project_shapes(shapes, CRS.from_epsg(4326), HERE, "x")
    assert shapes[0].wkt == before


def test_feet_become_metres():
    feet = gpd.GeoSeries([shapely.box(-84.5, 32.4, -84.49, 32.41)], crs=4326).to_crs(2240)
    (placed,) = project_shapes(feet.to_numpy(), feet.crs, HERE, "x")
    assert placed.area == pytest.approx(abs(Geod(ellps="WGS84").geometry_area_perimeter(
        shapely.box(-84.5, 32.4, -84.49, 32.41))[0]), rel=1e-4)  # fmt: skip


def test_a_point_without_a_place_is_refused():
    with pytest.raises(CrsError, match=r"^roads: .*no place on the map"):
        project_shapes(np.array([shapely.Point(0, 95)], object), CRS.from_epsg(4326), CRS.from_epsg(5070).to_wkt(),
                       "roads")  # fmt: skip
