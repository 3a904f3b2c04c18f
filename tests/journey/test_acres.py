"""Acres that anyone can work out by hand, from files in several coordinate systems."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from pyproj import Geod
from rasterio.features import rasterize, shapes
from rasterio.transform import from_origin
from shapely.geometry import shape as polygon

from allocator import plan_traps, read_study
from tests.journey.studies import ALBERS, MILE_M, RASTER_INPUTS, square, write_cover, write_shapes, write_study

POLYGONS = """
[inputs.properties]
path = "tracts.gpkg"
id = "no"
[inputs.land_cover]
path = "cover.gpkg"
scheme = "nlcd"
class_field = "code"
"""


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2277", "EPSG:26914", "EPSG:3857", "EPSG:5070"])
def test_half_a_square_mile_of_wetland_is_320_acres_from_any_system(tmp_path: Path, crs: str) -> None:
    # A square mile is 640 acres (NIST Handbook 44, appendix C; from memory, unverified); 1 mile = 1,609.344 m exactly.
    west = -96.2 if crs != "EPSG:5070" else None
    shift = (-(1_100_000.0) - 10_000.0, -200_000.0) if west else (0.0, 0.0)  # central Texas, where 2277 and 26914 apply
    mile = square(MILE_M, *shift)
    half = square(MILE_M / 2, *shift, height_m=MILE_M)
    other = square(MILE_M / 2, shift[0] + MILE_M / 2, shift[1], height_m=MILE_M)
    write_shapes(tmp_path / "tracts.gpkg", [mile], {"no": ["1"]}, crs)
    write_shapes(tmp_path / "cover.gpkg", [half, other], {"code": ["90", "82"]}, crs)
    totals = plan_traps(read_study(write_study(tmp_path, POLYGONS))).totals
    assert totals.habitat_acres == pytest.approx(320.0, rel=1e-3)
    assert totals.area_acres == pytest.approx(640.0, rel=5e-4)


@pytest.mark.parametrize(
    ("crs", "cell", "tolerance"),
    [("EPSG:26914", 10, 1e-3), ("EPSG:3857", 10, 1e-3), ("EPSG:2277", 30, 1e-3), ("EPSG:4326", 1e-4, 2e-3)],
)
def test_a_raster_in_any_system_gives_the_acres_of_its_own_cells(
    tmp_path: Path, crs: str, cell: float, tolerance: float
) -> None:
    # Reference: the raster's wetland cells as polygons, cut with the tract by shapely in an equal-area system.
    shift = (-1_110_000.0, -200_000.0)
    tract = gpd.GeoSeries([square(MILE_M, *shift)], crs=ALBERS).segmentize(50).to_crs(crs)
    swamp = gpd.GeoSeries([square(MILE_M / 2, *shift, height_m=MILE_M)], crs=ALBERS).segmentize(50).to_crs(crs)
    tract.to_frame("geometry").assign(no="1").to_file(tmp_path / "tracts.gpkg")
    west, south, east, north = (
        tract.buffer(60 * cell).total_bounds
        if crs != "EPSG:4326"
        else (tract.total_bounds + np.array([-1, -1, 1, 1]) * 60 * cell)
    )
    transform = from_origin(west, north, cell, cell)
    shape = (int((north - south) / cell), int((east - west) / cell))
    codes = rasterize([(swamp.iloc[0], 90)], out_shape=shape, transform=transform, fill=82, dtype="uint8")
    profile = {"driver": "GTiff", "dtype": "uint8", "count": 1, "nodata": 0, "crs": crs, "transform": transform}
    with rasterio.open(tmp_path / "cover.tif", "w", height=shape[0], width=shape[1], **profile) as raster:
        raster.write(codes, 1)
    cells = [polygon(one) for one, _ in shapes(codes, mask=codes == 90, transform=transform)]
    equal_area = "EPSG:6350"
    wet = gpd.GeoSeries(cells, crs=crs).segmentize(5 * cell).to_crs(equal_area).union_all()
    known = wet.intersection(tract.to_crs(equal_area).iloc[0]).area / 4046.8564224
    totals = plan_traps(read_study(write_study(tmp_path, RASTER_INPUTS))).totals
    assert totals.habitat_acres == pytest.approx(known, rel=tolerance)
    assert totals.area_acres == pytest.approx(640.0, rel=5e-4)


def test_areas_agree_with_geodesic_areas(tmp_path: Path) -> None:
    # Geodesic areas by Karney's algorithm (GeographicLib, in PROJ), which knows no projection.
    shapes = [square(side, 3000.0 * place, 0) for place, side in enumerate((300.0, 1000.0, 2500.0))]
    write_shapes(tmp_path / "tracts.gpkg", shapes, {"no": ["a", "b", "c"]}, "EPSG:4269")
    write_shapes(tmp_path / "cover.gpkg", [square(12_000.0, -1000.0, -1000.0)], {"code": ["82"]}, "EPSG:4269")
    plan = plan_traps(read_study(write_study(tmp_path, POLYGONS)))
    known = gpd.read_file(tmp_path / "tracts.gpkg").geometry
    geodesic = [abs(Geod(ellps="GRS80").geometry_area_perimeter(one)[0]) / 4046.8564224 for one in known]
    assert plan.properties["area_acres"].to_numpy() == pytest.approx(geodesic, rel=5e-4)


def _tract(tmp_path: Path, codes: np.ndarray, cell_m: float, parcels: list[object]) -> object:
    write_cover(tmp_path / "cover.tif", codes, cell_m)
    write_shapes(tmp_path / "tracts.gpkg", parcels, {"no": [f"{n:03d}" for n in range(len(parcels))]}, ALBERS)
    return plan_traps(read_study(write_study(tmp_path, RASTER_INPUTS)))


ACRE_M2 = 4046.8564224


def test_a_thousand_acres_with_two_hundred_of_swamp_gets_one_trap(tmp_path: Path) -> None:
    # 1 trap: common practice, no source.
    side = (1000 * ACRE_M2) ** 0.5
    cell = side / 200
    codes = np.full((200, 200), 82)
    codes[:40] = 90
    plan = _tract(tmp_path, codes, cell, [square(side)])
    assert plan.totals.habitat_acres == pytest.approx(200.0)
    assert plan.totals.traps == 1


@pytest.mark.parametrize("code", [71, 81, 82])
def test_open_field_beside_water_gets_none_at_any_distance(tmp_path: Path, code: int) -> None:
    codes = np.full((300, 300), code)
    codes[:, :3] = 11
    plan = _tract(tmp_path, codes, 10.0, [square(3000.0)])
    assert plan.totals.habitat_acres == 0
    assert plan.totals.traps == 0


def test_fifty_small_parcels_in_one_swamp_get_seven_traps_in_all(tmp_path: Path) -> None:
    # 2,000 acres over 300 is 6.67: 7 traps, not 50 and not 0.
    side = (40 * ACRE_M2) ** 0.5
    cell = side / 40
    parcels = [square(side, column * side, row * side) for row in range(5) for column in range(10)]
    plan = _tract(tmp_path, np.full((200, 400), 90), cell, parcels)
    assert plan.totals.habitat_acres == pytest.approx(2000.0)
    assert plan.properties["traps"].sum() == plan.totals.traps == 7
    assert plan.properties["traps"].max() == 1
