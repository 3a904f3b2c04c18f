"""Roads of a study: private ones cut where enrolled land begins, tags of OpenStreetMap read from any column."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString

from allocator.core.errors import MissingColumnError, SettingsError
from allocator.inputs.read_study import read_study
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, tracts, write, write_study

PROPERTIES = 'path = "tracts.gpkg"\nid = "tract"\nenrolled = "signed"'
MTFCC = '[inputs.roads]\npath = "roads.gpkg"\nclass_field = "kind"\nscheme = "mtfcc"\nname_field = "name"\n'
OSM = '[inputs.roads]\npath = "roads.gpkg"\nclass_field = "highway"\nscheme = "osm"\n'


def line(*places):
    """A line through places in metres east and south of the corner; tract T1 spans 600 to 1,200 both ways."""
    return LineString([(WEST + east, NORTH - south) for east, south in places])


def write_roads(folder, shapes, file_name="roads.gpkg", **columns):
    return write(gpd.GeoDataFrame(columns, geometry=list(shapes), crs=ALBERS), folder / file_name)


def study_of(folder, roads, signed=("yes", "no", "yes", "yes")):
    write(tracts(signed=list(signed)), folder / "tracts.gpkg", "tracts")
    return read_study(write_study(folder, roads, properties=PROPERTIES))


def told(study, severity):
    return "\n".join(one.message for one in study.problems if one.severity == severity)


def pieces(study):
    lengths = shapely.length(study.roads.shapes).round(3).tolist()
    return list(zip(study.roads.names, study.roads.truck, lengths, strict=True))


def test_a_private_road_is_for_trucks_where_it_runs_on_enrolled_land(tmp_path):
    # From 300 m west of T1 through T1 (enrolled) and T2 (not) to 100 m beyond: 300 + 600 + 600 + 100 m.
    ranch, public = line((300, 900), (1900, 900)), line((300, 1000), (1900, 1000))
    write_roads(tmp_path, [ranch, public], kind=["S1740", "S1400"], name=["Ranch Lane", "Mill Road"])
    study = study_of(tmp_path, MTFCC)
    assert pieces(study) == [
        ("Ranch Lane", "yes", 600), ("Ranch Lane", "no", 300), ("Ranch Lane", "no", 700), ("Mill Road", "yes", 1600),
    ]  # fmt: skip
    assert shapely.bounds(study.roads.shapes[0])[[0, 2]] == pytest.approx([WEST + 600, WEST + 1200], abs=1e-6)
    # 1,609.344 m in a mile (5,280 ft of 0.3048 m): 0.37 of 0.99 miles.
    assert "1 road line open with the owner's leave only: 0.4 of 1.0 miles lie on enrolled land" in told(study, "note")


def test_land_of_two_enrolled_neighbours_is_one_and_its_rim_belongs_to_it(tmp_path):
    down, rim = line((900, 500), (900, 1900)), line((600, 700), (600, 1700))
    write_roads(tmp_path, [down, rim], kind=["S1740", "S1780"], name=["Lane", "Yard"])
    study = study_of(tmp_path, MTFCC)
    assert pieces(study) == [("Lane", "yes", 1200), ("Lane", "no", 100), ("Lane", "no", 100), ("Yard", "yes", 1000)]


def test_a_private_road_that_crosses_itself_and_leaves_twice(tmp_path):
    loop = line((700, 700), (1300, 700), (1300, 800), (700, 800), (700, 650))
    write_roads(tmp_path, [loop], kind=["S1740"], name=["Loop"])
    study = study_of(tmp_path, MTFCC)
    length = {use: sum(m for _, found, m in pieces(study) if found == use) for use in ("yes", "no")}
    assert length == pytest.approx({"yes": 500 + 500 + 150, "no": 300})
    parts = shapely.union_all(study.roads.shapes)
    assert parts.length == pytest.approx(loop.length)


@pytest.mark.parametrize("signed", [("no",) * 4, ("no", "no", "no", "yes")])
def test_a_private_road_off_enrolled_land_is_closed(tmp_path, signed):
    write_roads(tmp_path, [line((300, 900), (1900, 900))], kind=["S1740"], name=["Lane"])
    study = study_of(tmp_path, MTFCC, signed)
    assert pieces(study) == [("Lane", "no", 1600)]
    assert "0.0 of 1.0 miles" in told(study, "note")
    assert "none of the 1 road line near the properties may be used by a truck" in told(study, "warning")


def test_without_private_roads_nothing_is_cut_or_told(tmp_path):
    shapes = [line((300, 900), (1900, 900)), line((300, 800), (1900, 800)), line((300, 700), (1900, 700))]
    write_roads(tmp_path, shapes, kind=["S1100", "S1500", "S1630"], name=["a", "b", "c"])
    study = study_of(tmp_path, MTFCC)
    assert pieces(study) == [("a", "no", 1600), ("b", "dry", 1600), ("c", "no", 1600)]
    assert "owner's leave" not in told(study, "note")


def crossing(number):
    """As many roads from west to east inside T1."""
    return [line((700, 650 + 10 * at), (1100, 650 + 10 * at)) for at in range(number)]


TAGGED = {
    "highway": ["track", "track", "residential", "residential", "service", "track", "motorway_link"],
    "tracktype": ["grade1", None, "grade5", None, None, "grade3", None],
    "access": [None, "no", "yes", "private", "no", "private", "yes"],
    "motor_vehicle": [None, None, None, None, "destination", None, "yes"],
}
EXPECTED = ("yes", "no", "yes", "yes", "yes", "dry", "no")


@pytest.mark.parametrize("file_name", ["roads.gpkg", "roads.shp"])
def test_columns_of_openstreetmap_are_used_where_the_file_has_them(tmp_path, file_name):
    """The shapefile cuts motor_vehicle to motor_vehi; on enrolled land private roads are open."""
    columns = {name[:10] if file_name.endswith("shp") else name: values for name, values in TAGGED.items()}
    write_roads(tmp_path, crossing(7), file_name, **columns)
    assert study_of(tmp_path, OSM.replace("roads.gpkg", file_name)).roads.truck == EXPECTED
    closed = study_of(tmp_path, OSM.replace("roads.gpkg", file_name), ("no", "yes", "yes", "yes"))
    assert closed.roads.truck == ("yes", "no", "yes", "no", "yes", "no", "no")


def test_tags_kept_in_one_column_are_read_too(tmp_path):
    names = [name for name in TAGGED if name != "highway"]
    texts = [
        ",".join(f'"{name}"=>"{TAGGED[name][at]}"' for name in names if TAGGED[name][at]) or None for at in range(7)
    ]
    write_roads(tmp_path, crossing(7), highway=TAGGED["highway"], other_tags=texts)
    assert study_of(tmp_path, OSM).roads.truck == EXPECTED


def test_a_column_of_its_own_wins_over_the_column_of_tags(tmp_path):
    texts = ['"access"=>"yes"', '"access"=>"no"', None]
    write_roads(tmp_path, crossing(3), highway=["service"] * 3, access=["no", None, None], other_tags=texts)
    assert study_of(tmp_path, OSM).roads.truck == ("no", "no", "yes")


def test_a_raw_extract_of_openstreetmap(tmp_path):
    """GDAL's OSM driver keeps keys without a column of their own in other_tags (its documentation, read)."""
    corners = gpd.GeoSeries(crossing(3), crs=ALBERS).to_crs(4326)
    kinds = [("track", "grade2", "yes"), ("track", "grade4", "private"), ("service", "", "no")]
    nodes = ways = ""
    for at, (shape, (highway, grade, access)) in enumerate(zip(corners, kinds, strict=True)):
        for end, (lon, lat) in enumerate(shape.coords):
            nodes += f'<node id="{2 * at + end + 1}" lat="{lat:.9f}" lon="{lon:.9f}" version="1"/>\n'
        tags = {"highway": highway, "tracktype": grade, "access": access, "note": 'gate "B"'.replace('"', "&quot;")}
        listed = "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags.items() if value)
        ways += f'<way id="{at + 1}" version="1"><nd ref="{2 * at + 1}"/><nd ref="{2 * at + 2}"/>{listed}</way>\n'
    (tmp_path / "roads.osm").write_text(f'<?xml version="1.0"?>\n<osm version="0.6">\n{nodes}{ways}</osm>\n')
    study = study_of(tmp_path, OSM.replace("roads.gpkg", "roads.osm:lines"))
    assert study.roads.truck == ("yes", "dry", "no")


def test_columns_under_other_names_and_a_scheme_of_ones_own(tmp_path):
    (tmp_path / "mine.csv").write_text("code,name,truck\ntrack,Track,dry\nlane,Lane,private\n", encoding="utf-8")
    columns = {"kind": ["track", "Track", "lane"], "firm": ["grade1", "grade4", None], "who": ["", "military", "yes"]}
    write_roads(tmp_path, crossing(3), **columns, access=["no"] * 3)
    plain = '[inputs.roads]\npath = "roads.gpkg"\nclass_field = "kind"\nscheme = "mine.csv"\n'
    assert study_of(tmp_path, plain).roads.truck == ("dry", "dry", "yes")
    named = plain + 'tracktype_field = "Firm"\naccess_field = "who"\n'
    assert study_of(tmp_path, named).roads.truck == ("yes", "no", "yes")


def test_a_named_column_stands_in_for_that_of_openstreetmap(tmp_path):
    write_roads(tmp_path, crossing(2), highway=["service"] * 2, access=["no", "no"], who=["yes", "private"])
    assert study_of(tmp_path, OSM).roads.truck == ("no", "no")
    assert study_of(tmp_path, OSM + 'access_field = "who"\n').roads.truck == ("yes", "yes")
    # Named as it is called by default, in capitals: read once.
    assert study_of(tmp_path, OSM + 'access_field = "ACCESS"\n').roads.truck == ("no", "no")


def test_tags_that_no_rule_knows_are_told(tmp_path):
    write_roads(tmp_path, crossing(3), highway=["service"] * 2 + ["track"], access=["mine"] * 2 + [None],
                tracktype=[None, None, "soft"])  # fmt: skip
    study = study_of(tmp_path, OSM)
    assert study.roads.truck == ("yes", "yes", "dry")
    assert "tags that no rule knows: access=mine (2), tracktype=soft (1); those roads" in told(study, "note")


@pytest.mark.parametrize(("given", "message"), [
    ('access_field = "who"', r"inputs\.roads\.access_field = 'who' but inputs\.roads\.class_field is missing"),
    ('class_field = "kind"\nscheme = "mtfcc"\ntracktype_field = "firm"', "mtfcc has no class track"),
])  # fmt: skip
def test_columns_of_tags_that_nothing_uses_are_refused(tmp_path, given, message):
    write_roads(tmp_path, crossing(1), kind=["S1400"], who=["yes"], firm=["grade1"])
    with pytest.raises(SettingsError, match=message):
        study_of(tmp_path, f'[inputs.roads]\npath = "roads.gpkg"\n{given}\n')


def test_a_column_that_is_not_there_is_refused(tmp_path):
    write_roads(tmp_path, crossing(1), highway=["track"])
    with pytest.raises(MissingColumnError, match=r"inputs\.roads\.tracktype_field = 'grade'"):
        study_of(tmp_path, OSM + 'tracktype_field = "grade"\n')


def test_random_private_roads_lose_and_gain_no_ground(tmp_path):
    """What is open lies on enrolled land, what is closed off it, and together they are the road."""
    random = np.random.default_rng(11)
    shapes = [line(*(random.uniform(300, 2100, (8, 2)))) for _ in range(20)]
    write_roads(tmp_path, shapes, kind=["S1740"] * 20, name=[str(at) for at in range(20)])
    study = study_of(tmp_path, MTFCC)
    enrolled = shapely.union_all(study.properties.shapes[study.properties.enrolled])
    is_open = np.array(study.roads.truck) == "yes"
    open_m = shapely.length(study.roads.shapes[is_open])
    np.testing.assert_allclose(shapely.length(shapely.intersection(study.roads.shapes[is_open], enrolled)), open_m)
    off = shapely.intersection(study.roads.shapes[~is_open], enrolled.buffer(-0.001))
    assert shapely.length(off).max() < 1e-6
    for at, shape in enumerate(shapes):
        mine = [name == str(at) for name in study.roads.names]
        assert shapely.length(study.roads.shapes[mine]).sum() == pytest.approx(shape.length, abs=0.01)
