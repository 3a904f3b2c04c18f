"""The border post: one study out of many files, or every problem at once."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from allocator.core.crs import is_equal_area
from allocator.core.errors import CrsError, InputError, SettingsError
from allocator.core.study import PolygonCover
from allocator.inputs.read_study import check_study, read_study
from tests.unit.inputs.small_inputs import (
    ALBERS,
    NORTH,
    WEST,
    Affine,
    classes,
    square,
    tracts,
    write,
    write_raster,
    write_study,
)  # fmt: skip


def problems_of(path, *overrides, severity=None):
    return [p for p in check_study(path, overrides) if severity in (None, p.severity)]


def text_of(problems):
    return "\n".join(f"{p.severity} {p.source}: {p.message}" for p in problems)


def lines(folder, file_name="roads.gpkg", dy=0.0, **columns):
    """Three roads across the tracts, dy metres further south."""
    shapes = [shapely.LineString([(WEST, y), (WEST + 3000, y)]) for y in NORTH - np.array([700.0, 1300.0, 1700.0]) - dy]
    return write(gpd.GeoDataFrame(columns, geometry=shapes, crs=ALBERS), folder / file_name)


def test_an_equal_area_raster_keeps_its_cells(tmp_path):
    study = read_study(write_study(tmp_path))
    # Tracts lie 600 to 1,800 m from the corner; with the margin of 300 m that is cell 10 to 70.
    assert (study.grid.west_m, study.grid.north_m) == (WEST + 300, NORTH - 300)
    assert (study.grid.rows, study.grid.columns, study.grid.cell_m) == (60, 60, 30)
    assert CRS.from_wkt(study.grid.crs_wkt) == CRS.from_user_input(ALBERS)
    codes = np.array([one.code for one in study.classes])
    assert np.array_equal(codes[study.cover.read(study.grid.window)].astype(int), classes()[10:70, 10:70])
    assert study.water_kinds and study.water is None and study.roads is None and study.elevation is None
    assert [record.role for record in study.inputs] == ["properties", "land_cover"]
    assert not study.problems


def test_the_grid_is_clipped_to_the_raster(tmp_path):
    study = read_study(write_study(tmp_path), ["study.margin_m=900"])
    assert (study.grid.west_m, study.grid.columns) == (WEST, 90)


@pytest.mark.parametrize("override", ["study.cell_m=10", 'study.crs="EPSG:6933"'])
def test_other_cells_or_another_system_are_warped(tmp_path, override):
    study = read_study(write_study(tmp_path), [override])
    assert not study.cover.cells.is_aligned
    assert is_equal_area(study.grid.crs_wkt, study.grid.bounds_m)
    shares = np.bincount(study.cover.read(study.grid.window).ravel(), minlength=256) / (
        study.grid.rows * study.grid.columns
    )
    known = {study.classes[at].code for at in np.flatnonzero(shares[:255])}
    assert known == {"11", "42", "90"} and shares[255] == 0


def test_its_own_cell_size_written_out_changes_nothing(tmp_path):
    path = write_study(tmp_path)
    assert read_study(path, ["study.cell_m=30"]).grid == read_study(path).grid


def test_a_system_that_distorts_areas_is_refused(tmp_path):
    with pytest.raises(SettingsError, match="not equal-area"):
        read_study(write_study(tmp_path), ["study.crs=EPSG:3857"])


def polygons(folder, **columns):
    """Swamp west, water east; a strip of 150 m in the south of the tracts is left blank."""
    west = shapely.box(WEST, NORTH - 1650, WEST + 1200, NORTH)
    east = shapely.box(WEST + 1200, NORTH - 1650, WEST + 2400, NORTH)
    columns = columns or {"code": ["90", "11"]}
    return write(gpd.GeoDataFrame(columns, geometry=[west, east], crs=ALBERS).to_crs(4269), folder / "cover.gpkg")


POLYGONS = 'path = "cover.gpkg"\nscheme = "nlcd"\nclass_field = "code"'


@pytest.mark.parametrize("codes", [["90", "11"], [90, 11], [90.0, 11.0], [" 90", "11.0"]])
def test_polygon_cover(tmp_path, codes):
    polygons(tmp_path, code=codes)
    study = read_study(write_study(tmp_path, cover=POLYGONS))
    assert isinstance(study.cover, PolygonCover)
    assert [study.classes[at].code for at in study.cover.class_positions] == ["90", "11"]
    assert study.water_kinds
    assert study.grid.cell_m == 1.0
    assert is_equal_area(study.grid.crs_wkt, study.grid.bounds_m)
    # 150 m of 1,200 m have no polygon.
    assert "12.5% of the property area has no land cover" in text_of(study.problems)


def test_polygon_cover_needs_its_column(tmp_path):
    polygons(tmp_path)
    path = write_study(tmp_path, cover='path = "cover.gpkg"\nscheme = "nlcd"')
    assert "needs class_field" in text_of(problems_of(path))


def test_polygon_cover_with_unknown_and_blank_codes(tmp_path):
    polygons(tmp_path, code=["90", "X7"])
    path = write_study(tmp_path, cover=POLYGONS)
    with pytest.raises(InputError, match=r"X7 \(1 polygon\); 50\.00% of all polygons"):
        read_study(path)
    study = read_study(path, ["inputs.land_cover.unknown_codes=blank"])
    assert study.cover.class_positions.tolist()[1] == 255
    polygons(tmp_path, code=["90", None])
    assert "1 polygon without a class code" in text_of(read_study(path).problems)


def test_polygon_cover_elsewhere(tmp_path):
    frame = gpd.GeoDataFrame({"code": ["90"]}, geometry=[square(900, 0)], crs=ALBERS)
    write(frame, tmp_path / "cover.gpkg")
    with pytest.raises(InputError, match=r"does not overlap the properties.*longitude .* km away"):
        read_study(write_study(tmp_path, cover=POLYGONS))


def test_unknown_raster_codes_are_refused_or_left_blank(tmp_path):
    values = classes()
    values[30:32, 30:40] = 77
    write_raster(tmp_path / "cover.tif", values)
    path = write_study(tmp_path)
    with pytest.raises(InputError, match=r"inputs\.land_cover \(cover\.tif\).*77 \(20 cells\).*unknown_codes"):
        read_study(path, ["inputs.land_cover.unknown_codes=refuse"])
    study = read_study(path)
    assert "77 (20 cells)" in text_of(study.problems)
    assert (study.cover.read(study.grid.window) == 255).sum() == 20


def test_the_older_legend_is_named(tmp_path):
    values = classes()
    values[30:50, 30:40] = 91
    values[50:60, 30:40] = 33
    values[values == 90] = 92
    write_raster(tmp_path / "cover.tif", values)
    assert "nlcd_1992 has all" in text_of(problems_of(write_study(tmp_path)))


def test_a_raster_of_nodata_only(tmp_path):
    write_raster(tmp_path / "cover.tif", np.zeros((100, 100), np.uint8), nodata=0)
    with pytest.raises(InputError, match="nodata"):
        read_study(write_study(tmp_path))


def test_a_raster_elsewhere_says_both_places_and_the_distance(tmp_path):
    place = Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH + 300_000)
    write_raster(tmp_path / "cover.tif", classes(), transform=place)
    with pytest.raises(InputError, match=r"does not overlap.*latitude .*latitude .* 29\d km away"):
        read_study(write_study(tmp_path))


def test_partly_covered_properties_are_told(tmp_path):
    # Columns 0 to 39 end at 1,200 m: half of the tracts lies beyond.
    write_raster(tmp_path / "cover.tif", classes(100, 40))
    assert "50.00% of the property area" in text_of(problems_of(write_study(tmp_path), severity="warning"))
    values = classes()
    values[20:60, 20:30] = 0  # a quarter of the tracts
    write_raster(tmp_path / "cover.tif", values, nodata=0)
    assert "25.0% of the property area" in text_of(problems_of(write_study(tmp_path), severity="warning"))


def test_no_water_anywhere_is_told(tmp_path):
    write_raster(tmp_path / "cover.tif", np.full((100, 100), 41, np.uint8))
    study = read_study(write_study(tmp_path))
    assert not study.water_kinds
    assert "distance to water is left out" in text_of(study.problems)


def test_water_within_reach_but_outside_the_grid_counts(tmp_path):
    values = np.full((100, 100), 41, np.uint8)
    values[:, 95] = 11  # 2,850 m east; the grid ends at 2,100 m
    write_raster(tmp_path / "cover.tif", values)
    path = write_study(tmp_path)
    assert read_study(path).water_kinds
    assert not read_study(path, ["habitat.curves.water_m=[[0, 1.0], [600, 0.0]]"]).water_kinds


def test_water_of_several_files_lines_and_polygons(tmp_path):
    lines(tmp_path, "rivers.gpkg")
    shapes = [square(1, 1), square(40, 40), shapely.Point(WEST + 900, NORTH - 900)]
    write(gpd.GeoDataFrame(geometry=shapes, crs=ALBERS).to_crs(26917), tmp_path / "lakes.geojson")
    study = read_study(write_study(tmp_path, '[inputs.water]\npath = ["rivers.gpkg", "lakes.geojson"]\n'))
    assert sorted(shapely.get_type_id(study.water.shapes)) == [1, 1, 1, 3]
    assert "1 record ignored, not a polygon or line but point" in text_of(study.problems)
    assert [r.path_name for r in study.inputs if r.role == "water"] == ["rivers.gpkg", "lakes.geojson"]


def test_water_far_away_is_told_and_left_out(tmp_path):
    lines(tmp_path, "rivers.gpkg", dy=90_000.0)
    study = read_study(write_study(tmp_path, '[inputs.water]\npath = "rivers.gpkg"\n'))
    assert study.water is None and study.water_kinds
    assert "none of its 3 features lies near the properties" in text_of(study.problems)


ROADS = '[inputs.roads]\npath = "roads.gpkg"\nclass_field = "kind"\nscheme = "mtfcc"\nname_field = "name"\n'


def test_roads_with_classes(tmp_path):
    lines(tmp_path, kind=["S1400", "S1500", "X9"], name=["Mill Road", None, None])
    study = read_study(write_study(tmp_path, ROADS))
    assert study.roads.truck == ("yes", "dry", "no")
    assert study.roads.names == ("Mill Road", "Vehicular Trail (4WD)", "unnamed road")
    assert "X9 (1)" in text_of(study.problems)


def test_roads_without_classes_are_all_for_trucks(tmp_path):
    lines(tmp_path)
    study = read_study(write_study(tmp_path, '[inputs.roads]\npath = "roads.gpkg"\n'))
    assert study.roads.truck == ("yes", "yes", "yes")
    assert "no class_field" in text_of(study.problems)


@pytest.mark.parametrize("given", ['scheme = "osm"', 'class_field = "kind"'])
def test_road_scheme_and_column_go_together(tmp_path, given):
    lines(tmp_path, kind=["S1400", "S1500", "X9"])
    with pytest.raises(SettingsError, match=r"inputs\.roads\.(scheme|class_field).* is missing"):
        read_study(write_study(tmp_path, f'[inputs.roads]\npath = "roads.gpkg"\n{given}\n'))


def test_no_roads_near_and_no_truck_road(tmp_path):
    lines(tmp_path, dy=90_000.0, kind=["S1400"] * 3, name=["a"] * 3)
    study = read_study(write_study(tmp_path, ROADS))
    assert study.roads is None and "no roads near" in text_of(study.problems)
    lines(tmp_path, kind=["S1100"] * 3, name=["a"] * 3)
    assert "none of the 3 road lines" in text_of(read_study(write_study(tmp_path, ROADS)).problems)


def test_elevation_on_the_same_cells_and_masked(tmp_path):
    heights = np.tile(np.arange(100, dtype=np.float32), (100, 1))
    heights[20:60, 20:40] = np.nan
    write_raster(tmp_path / "dem.tif", heights)
    study = read_study(write_study(tmp_path, '[inputs.elevation]\npath = "dem.tif"\nvertical_unit = "ft"\n'))
    found = study.elevation.read(study.grid.window)
    assert np.allclose(found[0], np.arange(10, 70) * 0.3048)
    assert "50.0% of the property area" in text_of(study.problems) and "no height" in text_of(study.problems)


def test_elevation_elsewhere(tmp_path):
    place = Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH + 300_000)
    write_raster(tmp_path / "dem.tif", np.ones((50, 50), np.float32), transform=place)
    with pytest.raises(InputError, match=r"inputs\.elevation \(dem\.tif\).*does not overlap"):
        read_study(write_study(tmp_path, '[inputs.elevation]\npath = "dem.tif"\n'))


def test_buildings_exclusions_and_sightings(tmp_path):
    spots = [shapely.Point(WEST + 900, NORTH - 900), shapely.Point(WEST + 90_000, NORTH)]
    write(gpd.GeoDataFrame(geometry=[spots[0], square(1, 1, 100.0)], crs=ALBERS), tmp_path / "houses.geojson")
    write(gpd.GeoDataFrame(geometry=[square(1, 1)], crs=ALBERS), tmp_path / "park.gpkg")
    sightings = {"DATE": ["2024-05-01", "2024-05-02"], "Count": [3, 4], "note": ["x", "y"]}
    write(gpd.GeoDataFrame(sightings, geometry=spots, crs=ALBERS), tmp_path / "seen.gpkg")
    study = read_study(write_study(
        tmp_path, '[inputs.buildings]\npath = "houses.geojson"\n[inputs.exclusions]\npath = "park.gpkg"\n'
        '[inputs.sightings]\npath = "seen.gpkg"\n'))  # fmt: skip
    assert len(study.buildings) == 2 and len(study.exclusions) == 1
    assert study.sightings.to_dict("list") == {
        "x_m": [WEST + 900], "y_m": [NORTH - 900], "date": ["2024-05-01"], "count": ["3"], "kind": [""],
    }  # fmt: skip
    assert "1 sighting left out" in text_of(study.problems)


def test_every_input_is_checked_although_one_is_wrong(tmp_path):
    write(tracts()[:0], tmp_path / "tracts.gpkg")
    path = write_study(
        tmp_path, '[inputs.roads]\npath = "nowhere.gpkg"\n[inputs.water]\npath = "none.shp"\n[habitat.cover]\n999 = 1\n'
    )
    with pytest.raises(InputError) as caught:
        read_study(path)
    text = str(caught.value)
    assert len(caught.value.messages) == 4
    for part in ("inputs.properties (tracts.gpkg)", "habitat.cover.999", "nowhere.gpkg", "none.shp"):
        assert part in text
    listed = problems_of(path, severity="error")
    assert listed[0].source == "inputs.properties (tracts.gpkg)"
    assert len(listed) == 4


def test_roads_are_checked_although_the_cover_is_refused(tmp_path):
    write_raster(tmp_path / "cover.tif", np.full((100, 100), 77, np.uint8))
    lines(tmp_path, dy=90_000.0)
    text = text_of(problems_of(write_study(tmp_path, '[inputs.roads]\npath = "roads.gpkg"\n')))
    assert "error inputs.land_cover (cover.tif): codes that are not" in text
    assert "warning inputs.roads (roads.gpkg): no roads near" in text


def test_one_kind_of_error_keeps_its_class(tmp_path):
    write_raster(tmp_path / "cover.tif", classes(), crs=None)
    with pytest.raises(CrsError):
        read_study(write_study(tmp_path))
    with pytest.raises(SettingsError):
        read_study(tmp_path / "absent.toml")
    assert problems_of(tmp_path / "absent.toml")[0].severity == "error"


def test_a_check_finds_what_reading_finds(tmp_path):
    path = write_study(tmp_path)
    assert tuple(check_study(path)) == read_study(path).problems


def test_reading_twice_gives_the_same(tmp_path):
    path = write_study(tmp_path, '[inputs.roads]\npath = "roads.gpkg"\n')
    lines(tmp_path)
    one, two = read_study(path), read_study(path)
    assert one.grid == two.grid and one.inputs == two.inputs and one.problems == two.problems
    assert (one.properties.shapes == two.properties.shapes).all()
