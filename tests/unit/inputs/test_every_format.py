"""Every format that people bring, written here and read as properties, water and roads."""

import json
import sys
import zipfile
from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from affine import Affine
from pyproj import CRS, Transformer

from allocator.core.errors import InputError
from allocator.inputs.csv_text import other_encoding
from allocator.inputs.read_study import check_study, read_study
from allocator.inputs.vectors import read_vector
from tests.unit.inputs.every_format import (
    FORMATS,
    gpx_of,
    kml_of,
    pbf_of,
    write_csv,
    write_format,
    zip_of_folder,
    zip_of_shapefile,
)
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, tracts, write_raster, write_study

OWNERS = ["Peña", "Béla", "x", "y"]
WITHOUT_COLUMNS = ("kml", "kmz", "gpx")
NAMES = {"kml": "Name", "kmz": "Name", "gpx": "name"}
NO_PYARROW = "the optional library pyarrow is not installed"
POLYGON_FORMATS = [*FORMATS, pytest.param("parquet", marks=pytest.mark.skipif(not find_spec("pyarrow"), reason=NO_PYARROW))]  # fmt: skip  # noqa: E501


def land() -> gpd.GeoDataFrame:
    return tracts(owner=OWNERS).to_crs(4326)


def roads() -> gpd.GeoDataFrame:
    lines = [[(WEST + 100, NORTH - 1000), (WEST + 2500, NORTH - 1000)], [(WEST + 1200, NORTH - 200), (WEST + 1200, NORTH - 1900)]]  # fmt: skip  # noqa: E501
    columns = {"tract": ["Mill Road", "Oak Lane"], "highway": ["residential", "track"]}
    return gpd.GeoDataFrame(columns, geometry=[shapely.LineString(line) for line in lines], crs=ALBERS).to_crs(4326)


# MapInfo files keep whole steps of the range of their system: of all degrees, a few centimetres (seen).
@pytest.mark.parametrize("form", POLYGON_FORMATS)
def test_properties(tmp_path: Path, form: str) -> None:
    path = write_format(land(), tmp_path, form)
    owner = "" if form in WITHOUT_COLUMNS else 'name = "owner"'
    table = f'path = "{path.name}"\nid = "{NAMES.get(form, "tract")}"\n{owner}'
    study = read_study(write_study(tmp_path, properties=table))
    assert study.properties.ids == ("T1", "T2", "T3", "T4")
    assert shapely.area(study.properties.shapes) == pytest.approx(360_000.0, rel=1e-5 if form != "tab" else 2e-4)
    if owner:
        assert study.properties.names == tuple(OWNERS)


@pytest.mark.parametrize("form", POLYGON_FORMATS)
def test_roads(tmp_path: Path, form: str) -> None:
    path = write_format(roads(), tmp_path, form)
    classed = "" if form in WITHOUT_COLUMNS else 'class_field = "highway"\nscheme = "osm"\nname_field = "tract"'
    study = read_study(write_study(tmp_path, f'[inputs.roads]\npath = "{path.name}"\n{classed}'))
    assert study.roads is not None
    assert sorted(round(length) for length in shapely.length(study.roads.shapes)) == [1700, 2400]
    if classed:
        assert sorted(study.roads.names) == ["Mill Road", "Oak Lane"]


@pytest.mark.parametrize("form", [form for form in POLYGON_FORMATS if form != "gpx"])
def test_water(tmp_path: Path, form: str) -> None:
    pond = land().iloc[:1]
    path = write_format(pond, tmp_path, form)
    study = read_study(write_study(tmp_path, f'[inputs.water]\npath = "{path.name}"'))
    assert study.water is not None and shapely.area(study.water.shapes).sum() == pytest.approx(
        360_000.0, rel=1e-5 if form != "tab" else 2e-4
    )


def test_an_openstreetmap_extract_gives_its_roads_and_its_streams_apart(tmp_path: Path) -> None:
    lines = roads()
    (tmp_path / "county.osm.pbf").write_bytes(pbf_of(lines))
    table = '[inputs.roads]\npath = "county.osm.pbf"\nclass_field = "highway"\nscheme = "osm"\nname_field = "name"'
    study = read_study(write_study(tmp_path, table))
    assert study.roads is not None and sorted(study.roads.names) == ["Mill Road", "Oak Lane"]
    layer = read_vector("county.osm.pbf:lines", None, "roads", tmp_path)
    assert len(layer.frame) == 2
    assert len(read_vector("county.osm.pbf", None, "water", tmp_path).frame) == 0  # neither line is a stream
    (tmp_path / "streams.osm.pbf").write_bytes(pbf_of(lines, key="waterway"))
    assert len(read_vector("streams.osm.pbf", None, "water", tmp_path).frame) == 2
    assert len(read_vector("streams.osm.pbf", None, "roads", tmp_path).frame) == 0
    with pytest.raises(InputError, match=r"layers could be meant: multipolygons, other_relations"):
        read_vector("county.osm.pbf", None, "properties", tmp_path)


def test_waypoints_are_sightings_and_tracks_are_not(tmp_path: Path) -> None:
    points = land()
    points["geometry"] = [shapely.Point(shape.bounds[:2]) for shape in points.geometry]
    text = gpx_of(points).replace("</gpx>", gpx_of(roads()).split(">", 2)[2])
    (tmp_path / "walk.gpx").write_text(text, encoding="utf-8")
    study = read_study(write_study(tmp_path, '[inputs.sightings]\npath = "walk.gpx"'))
    assert study.sightings is not None and len(study.sightings) == 4
    assert len(read_vector("walk.gpx", None, "roads", tmp_path).frame) == 2


def test_folders_of_a_kml_are_read_as_one(tmp_path: Path) -> None:
    frame = land()
    folders = {"North": frame.iloc[:1], "South": frame.iloc[1:], "Roads": roads()}
    (tmp_path / "drawn.kml").write_text(kml_of(folders), encoding="utf-8")
    assert len(read_vector("drawn.kml:South", None, "properties", tmp_path).frame) == 3
    kept = read_study(write_study(tmp_path, properties='path = "drawn.kml"\nid = "Name"'))
    assert len(kept.properties.ids) == 4


@pytest.mark.parametrize("form", ["zip", "gdb", "gpkg"])
def test_several_layers_are_listed_and_asked_for(tmp_path: Path, form: str) -> None:
    frame = land()
    path = tmp_path / f"county.{form}"
    if form == "zip":
        with zipfile.ZipFile(path, "w") as archive:
            for name in ("old", "new"):
                inner = zip_of_shapefile(frame, tmp_path / f"{name}.zip")
                with zipfile.ZipFile(inner) as one:
                    for member in one.namelist():
                        archive.writestr(f"{name}/{member.replace('land', name)}", one.read(member))
    else:
        for name in ("old", "new"):
            frame.to_file(path, layer=name, driver="OpenFileGDB" if form == "gdb" else "GPKG")
    problems = check_study(write_study(tmp_path, properties=f'path = "{path.name}"\nid = "tract"'))
    told = [problem.message for problem in problems if problem.severity == "error"]
    assert len(told) == 1 and "2 layers could be meant" in told[0] and "old" in told[0] and "new" in told[0]
    study = read_study(write_study(tmp_path, properties=f'path = "{path.name}"\nlayer = "new"\nid = "tract"'))
    assert study.properties.ids == ("T1", "T2", "T3", "T4")


@pytest.mark.parametrize("inside", ["", "a/b/c/", "Data (final)/", "ünïcode/"])
def test_a_zip_with_upper_case_names_in_any_folder(tmp_path: Path, inside: str) -> None:
    zip_of_shapefile(land(), tmp_path / "land.zip", inside=inside, rename=str.upper)
    layer = read_vector("land.zip", None, "properties", tmp_path, columns={"id": "tract", "name": "owner"})
    assert layer.frame["owner"].tolist() == OWNERS and not layer.problems


@pytest.mark.parametrize(("without", "word"), [((".shx",), ".shx"), ((".shx", ".cpg"), ".shx")])
def test_a_zip_without_its_index(tmp_path: Path, without: tuple[str, ...], word: str) -> None:
    zip_of_shapefile(land(), tmp_path / "land.zip", inside="x/", without=without)
    layer = read_vector("land.zip", None, "properties", tmp_path, columns={"name": "owner"})
    assert layer.frame["owner"].tolist() == OWNERS and word in layer.problems[0].message


@pytest.mark.parametrize("encoding", ["UTF-8", "ISO-8859-1", "CP1252", "CP1250"])
def test_the_encoding_that_a_cpg_states(tmp_path: Path, encoding: str) -> None:
    frame = land().assign(owner=["Béla", "Ö", "x", "y"])
    zip_of_shapefile(frame, tmp_path / "land.zip", encoding=encoding)
    layer = read_vector("land.zip", None, "properties", tmp_path, columns={"name": "owner"})
    assert layer.frame["owner"].tolist() == ["Béla", "Ö", "x", "y"]


def test_files_of_a_geodatabase_zipped_without_their_folder(tmp_path: Path) -> None:
    folder = write_format(land(), tmp_path, "gdb")
    with zipfile.ZipFile(tmp_path / "loose.gdb.zip", "w") as archive:
        for part in folder.iterdir():
            archive.write(part, part.name)
    assert len(read_vector("loose.gdb.zip", None, "properties", tmp_path).frame) == 4
    zip_of_folder(folder, tmp_path / "plain.zip")
    assert len(read_vector("plain.zip", None, "properties", tmp_path).frame) == 4


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_csv_in_every_dress(tmp_path: Path, delimiter: str, encoding: str) -> None:
    path = write_csv(land(), tmp_path / "land.csv", delimiter, encoding)
    before = path.read_bytes()
    layer = read_vector("land.csv", None, "properties", tmp_path, columns={"id": "tract", "name": "owner"})
    assert layer.frame["owner"].tolist() == OWNERS
    assert any("not UTF-8" in problem.message for problem in layer.problems) == (not encoding.startswith("utf-8"))
    assert path.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["land.csv"]


def test_an_encoding_is_told_far_behind_the_first_letters(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"a" * 3_000_000 + "é".encode())
    assert other_encoding(path) is None
    path.write_bytes(b"a" * ((1 << 20) - 1) + "é".encode())  # cut in two by the way it is read
    assert other_encoding(path) is None
    path.write_bytes(b"a" * 3_000_000 + b"\xe9")
    assert other_encoding(path) == "cp1252"


def test_without_the_optional_library_one_message_says_how_to_get_it(tmp_path: Path, monkeypatch) -> None:
    (tmp_path / "land.parquet").write_bytes(b"PAR1")
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    problems = check_study(write_study(tmp_path, properties='path = "land.parquet"\nid = "tract"'))
    assert [p.severity for p in problems] == ["error"]
    assert "pip install 'allocator[parquet]'" in problems[0].message


@pytest.mark.skipif(not find_spec("pyarrow"), reason=NO_PYARROW)
def test_geoparquet_near_the_study_only_and_without_shapes(tmp_path: Path) -> None:
    frame = land().assign(heights=[[1, 2]] * 4)  # a column that no other format here can hold
    frame.to_parquet(tmp_path / "land.parquet")
    first = frame.geometry.iloc[0].buffer(-0.002)
    layer = read_vector("land.parquet", None, "exclusions", tmp_path, near=first.bounds)
    assert len(layer.frame) == 1 and layer.features_in_file == 4
    frame.drop(columns="geometry").to_parquet(tmp_path / "table.parquet")
    with pytest.raises(InputError, match="hold no shapes"):
        read_vector("table.parquet", None, "properties", tmp_path)
    frame.set_crs(None, allow_override=True).to_parquet(tmp_path / "no_crs.parquet")
    with pytest.raises(InputError, match="no coordinate reference system"):
        read_vector("no_crs.parquet", None, "properties", tmp_path)


def rotated(degrees: float) -> Affine:
    return Affine.translation(WEST + 900, NORTH - 900) * Affine.rotation(degrees) * Affine.translation(-1500, 1500) * Affine.scale(30, -30)  # fmt: skip  # noqa: E501


def in_degrees() -> Affine:
    x, y = Transformer.from_crs(ALBERS, 4326, always_xy=True).transform(WEST - 500, NORTH + 500)
    return Affine(0.0003, 0, x, 0, -0.0003, y)


SOUTH_UP = Affine(30.0, 0.0, WEST, 0.0, 30.0, NORTH - 3000.0)


@pytest.mark.parametrize(
    ("name", "crs", "place", "dtype"),
    [
        ("plain.tif", ALBERS, None, "uint8"), ("plain.img", ALBERS, None, "uint8"),
        ("floats.tif", ALBERS, None, "float32"),
        ("turned.tif", ALBERS, rotated(30.0), "uint8"), ("south.tif", ALBERS, SOUTH_UP, "uint8"),
        ("degrees.tif", "EPSG:4326", in_degrees(), "uint8"), ("degrees.img", "EPSG:4326", in_degrees(), "int16"),
    ],
    ids=lambda value: value if isinstance(value, str) and "." in value else "",
)  # fmt: skip
def test_land_cover_rasters(tmp_path: Path, name: str, crs: str, place: Affine | None, dtype: str) -> None:
    """Of two classes, each cell's centre must get the class that lies there, found without the reader under test."""
    values = np.full((120, 120), 42, dtype=dtype)
    values[:, :55] = 90
    write_raster(tmp_path / name, values, crs=crs, transform=place)
    study = read_study(write_study(tmp_path, cover=f'path = "{name}"\nscheme = "nlcd"'))
    grid, codes = study.grid, [one.code for one in study.classes]
    read = np.array([codes[at] if at < len(codes) else "" for at in study.cover.read(grid.window).ravel()])
    rows, columns = np.divmod(np.arange(read.size), grid.columns)
    x, y = grid.west_m + (columns + 0.5) * grid.cell_m, grid.north_m - (rows + 0.5) * grid.cell_m
    x, y = Transformer.from_crs(CRS.from_wkt(grid.crs_wkt), crs, always_xy=True).transform(x, y)
    at_column, at_row = ~(place or Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH)) * (x, y)
    inside = (at_column > 0) & (at_column < 120) & (at_row > 0) & (at_row < 120)
    edge = np.abs(at_column - 55) < 1e-3
    expected = np.where(at_column < 55, "90", "42")
    assert (read[inside & ~edge] == expected[inside & ~edge]).all() and {"90", "42"} <= set(read[inside])


def test_a_file_of_records_without_shapes_is_told(tmp_path):
    nothing = {"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {"code": "90"}, "geometry": {"type": "GeometryCollection", "geometries": []}}
    ] * 3}  # fmt: skip
    (tmp_path / "cover.geojson").write_text(json.dumps(nothing), encoding="utf-8")
    path = write_study(tmp_path, cover='path = "cover.geojson"\nscheme = "nlcd"\nclass_field = "code"')
    told = [one.message for one in check_study(path) if one.severity == "error"]
    assert told == ["none of its 3 records has a shape. Export it again."]


def test_a_file_whose_bounds_nobody_knows_is_told(tmp_path, monkeypatch):
    write_study(tmp_path)
    info = pyogrio.read_info
    monkeypatch.setattr(pyogrio, "read_info", lambda *a, **how: info(*a, **how) | {"total_bounds": None})
    far = (-10.0, 50.0, -9.0, 51.0)
    with pytest.raises(InputError, match="none of its 4 records has a shape"):
        read_vector("tracts.gpkg", None, "properties", tmp_path, columns=(), near=far)
