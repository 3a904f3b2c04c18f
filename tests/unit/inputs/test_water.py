"""Water by feature code: what dries up, what is no water, several files as one."""

import geopandas as gpd
import pytest
import shapely
from pyproj import CRS

from allocator.core.settings import WaterInput
from allocator.inputs.read_study import check_study, read_study
from allocator.inputs.water import place_water, read_water, read_water_scheme
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, square, write, write_study


def messages(path, severity="error"):
    return "\n".join(one.message for one in check_study(path) if one.severity == severity)


def streams(folder, name="streams.gpkg", **columns):
    lines = [shapely.LineString([(WEST + 700 + 100 * at, NORTH - 700), (WEST + 700 + 100 * at, NORTH - 1500)])
             for at in range(len(next(iter(columns.values()))))]  # fmt: skip
    return write(gpd.GeoDataFrame(columns, geometry=lines, crs=ALBERS), folder / name)


NHD = '[inputs.water]\npath = {path}\nclass_field = "FCODE"\nscheme = "nhd"\n'


def test_codes_in_every_form_find_their_feature(tmp_path):
    """FCode is the three-digit feature type and two digits of attributes (USGS NHD data dictionary)."""
    scheme = read_water_scheme("nhd", tmp_path)
    assert [scheme.code_of(one) for one in (46006, "46006", 46006.0, " 46003 ")] == ["46006"] * 3 + ["46003"]
    assert [scheme.code_of(one) for one in ("460", "StreamRiver", "STREAM/RIVER", "Lake/Pond", "558")] == [
        "46000", "46000", "46000", "39000", "55800",
    ]  # fmt: skip
    assert scheme.code_of("39013") == "39000"  # not listed: as its type
    assert scheme.code_of("99999") is scheme.code_of("pond") is scheme.code_of("") is None
    assert all(code.isdecimal() and len(code) == 5 and f"{code[:3]}00" in scheme.kinds for code in scheme.kinds)


def test_kinds_of_the_codes_in_lines_areas_and_waterbodies(tmp_path):
    """Meaning of the codes: NHD FCode domain as copied in public programs; which of them is water: project default.

    46003 and 46006, 39001 and 39004 are the intermittent and perennial streams and lakes; 43614 an intermittent and
    43615 a perennial water storage, 43612 a sewage treatment pond; 428xx pipelines; 56600 coastline; 34305 a dam.
    """
    scheme = read_water_scheme("nhd", tmp_path)
    expected = {
        "permanent": (46000, 46006, 39000, 39004, 39012, 43600, 43615, 33600, 55800, 44500, 49300, 31200, 39800),
        "seasonal": (46003, 39001, 39005, 43614, 36100, 40300, 40309),
        "wetland": (46600, 46601, 46602),
        "no": (46007, 43612, 43605, 43607, 42800, 42811, 56600, 34300, 34305, 34306, 37800, 48400, 46100, 44102),
    }  # fmt: skip
    assert {code: scheme.kind(code) for codes in expected.values() for code in codes} == {
        code: kind for kind, codes in expected.items() for code in codes
    }
    assert [scheme.kind(one) for one in ("466", "Swamp/Marsh", "ICE MASS", "428", "12345")] == [
        "wetland", "wetland", "no", "no", None,
    ]  # fmt: skip


def test_perennial_intermittent_artificial_and_no_water(tmp_path):
    """46006 perennial, 46003 intermittent, 55800 artificial path: carries the flow through a wide river's polygon, so
    leaving it out drops wide rivers (facts as in the USGS dictionary); pipelines hold no water for a pig.
    """
    streams(tmp_path, FCODE=[46006, 46003, 55800, 42803, 46007])
    study = read_study(write_study(tmp_path, NHD.format(path='"streams.gpkg"')))
    assert study.water.kinds.tolist() == ["permanent", "seasonal", "permanent"]
    assert study.water_kinds == {"permanent", "seasonal", "wetland"}
    notes = messages(tmp_path / "study.toml", "note")
    assert "2 features left out, no water: 42800 Pipeline (1), 46007 Stream/River, ephemeral (1)" in notes


def test_a_wide_river_held_only_as_a_polygon_is_water(tmp_path):
    write(gpd.GeoDataFrame({"FCode": [46006]}, geometry=[square(1, 1, 900.0)], crs=ALBERS), tmp_path / "area.gpkg")
    streams(tmp_path, fcode=["46003"])
    study = read_study(write_study(tmp_path, NHD.format(path='["streams.gpkg", "area.gpkg"]')))
    assert sorted(zip(shapely.get_type_id(study.water.shapes).tolist(), study.water.kinds, strict=True)) == [
        (1, "seasonal"), (3, "permanent"),
    ]  # fmt: skip
    assert [one.path_name for one in study.inputs if one.role == "water"] == ["streams.gpkg", "area.gpkg"]


def test_a_shape_far_away_takes_its_kind_with_it(tmp_path):
    """Read without a rectangle: a perennial stream 100 km off, then an intermittent one inside the box placed."""
    at = [shapely.LineString([(WEST + x, NORTH), (WEST + x, NORTH - 500)]) for x in (100_000, 700)]
    write(gpd.GeoDataFrame({"FCODE": [46006, 46003]}, geometry=at, crs=ALBERS), tmp_path / "streams.gpkg")
    setting = WaterInput(path="streams.gpkg", class_field="FCODE", scheme="nhd")
    table, _ = read_water(setting, tmp_path, None)
    assert table.kinds == ("permanent", "seasonal")
    box = (WEST, NORTH - 1000, WEST + 1000, NORTH)
    water, problems = place_water(table, CRS(ALBERS).to_wkt(), box)
    assert water.kinds.tolist() == ["seasonal"] and len(water.shapes) == 1 and not problems


def test_a_file_without_the_column_counts_as_permanent_and_says_so(tmp_path):
    streams(tmp_path, FCODE=[46003])
    streams(tmp_path, "ponds.gpkg", owner=["A"])
    study = read_study(write_study(tmp_path, NHD.format(path='["streams.gpkg", "ponds.gpkg"]')))
    assert study.water.kinds.tolist() == ["seasonal", "permanent"]
    assert "no column FCODE: all of it counts as permanent water" in messages(tmp_path / "study.toml", "note")


def test_no_file_has_the_column(tmp_path):
    streams(tmp_path, kind=[46003])
    told = messages(write_study(tmp_path, NHD.format(path='"streams.gpkg"')))
    assert "FCODE" in told and "no such column" in told and "kind" in told


def test_unknown_codes_count_as_permanent_and_are_told(tmp_path):
    streams(tmp_path, FCODE=["46003", "77777", "ditch", None])
    path = write_study(tmp_path, NHD.format(path='"streams.gpkg"'))
    assert read_study(path).water.kinds.tolist() == ["seasonal", "permanent", "permanent", "permanent"]
    assert "3 features with a code that the scheme nhd does not have: 77777 (1), blank (1), ditch (1)" in messages(
        path, "warning"
    )


def test_nothing_but_pipelines(tmp_path):
    streams(tmp_path, FCODE=[42801, 42802])
    path = write_study(tmp_path, NHD.format(path='"streams.gpkg"'))
    assert read_study(path).water is None
    assert "none of its features near the properties is water" in messages(path, "warning")


@pytest.mark.parametrize(("keys", "told"), [
    ('scheme = "nhd"\n', "class_field is missing"), ('class_field = "FCODE"\n', "scheme is missing"),
    ('class_field = "FCODE"\nscheme = "ndh"\n', "Did you mean nhd"),
])  # fmt: skip
def test_half_a_setting(tmp_path, keys, told):
    streams(tmp_path, FCODE=[46003])
    assert told in messages(write_study(tmp_path, f'[inputs.water]\npath = "streams.gpkg"\n{keys}'))


def test_a_table_of_ones_own(tmp_path):
    (tmp_path / "mine.csv").write_text("code,name,water\nR,River,permanent\nD,Dry ditch,no\nB,Branch,seasonal\n")
    streams(tmp_path, kind=["R", "D", "B"])
    keys = 'path = "streams.gpkg"\nclass_field = "kind"\nscheme = "mine.csv"\n'
    assert read_study(write_study(tmp_path, f"[inputs.water]\n{keys}")).water.kinds.tolist() == [
        "permanent",
        "seasonal",
    ]
    (tmp_path / "mine.csv").write_text("code,name,water\nR,River,wet\nR,River,no\n")
    told = messages(tmp_path / "study.toml")
    assert "expected permanent, seasonal, wetland or no" in told and "codes must be unique" in told
