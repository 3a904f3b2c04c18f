"""Vector files: found, opened, their layer chosen, their coordinates believed or not."""

import hashlib
import json
import warnings
import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from allocator.core.errors import CrsError, GeometryError, InputError, MissingColumnError
from allocator.inputs.files import split_layer
from allocator.inputs.vectors import read_vector
from tests.unit.inputs.small_inputs import ALBERS, square, tracts, write


def geojson(path: Path, shapes: list[dict | None], **crs: object) -> Path:
    features = [{"type": "Feature", "properties": {"id": f"P{n}"}, "geometry": shape} for n, shape in enumerate(shapes)]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features, **crs}), encoding="utf-8")
    return path


def ring(x: float, y: float, side: float = 0.01) -> dict:
    return shapely.geometry.mapping(shapely.box(x, y, x + side, y + side))


def zip_shapefile(folder: Path, name: str = "tracts.zip", *, inside: str = "", without: tuple[str, ...] = ()) -> Path:
    write(tracts(), folder / "tracts.shp")
    with zipfile.ZipFile(folder / name, "w") as archive:
        for part in sorted(folder.glob("tracts.*")):
            if part.suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg") and part.suffix not in without:
                archive.write(part, f"{inside}{part.name}")
    return folder / name


def test_missing_file_names_a_similar_one(tmp_path):
    write(tracts(), tmp_path / "tracts.gpkg")
    with pytest.raises(InputError, match=r"inputs\.properties \(tract\.gpkg\).*does not exist.*holds tracts\.gpkg"):
        read_vector("tract.gpkg", None, "properties", tmp_path)


def test_empty_file_and_folder(tmp_path):
    (tmp_path / "a.gpkg").touch()
    with pytest.raises(InputError, match="0 bytes"):
        read_vector("a.gpkg", None, "properties", tmp_path)
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        read_vector("folder", None, "properties", tmp_path)


def test_not_vector_data(tmp_path):
    (tmp_path / "a.gpkg").write_text("hello")
    with pytest.raises(InputError, match="cannot be read"):
        read_vector("a.gpkg", None, "properties", tmp_path)


def test_empty_layer_is_an_error_for_properties_and_a_warning_for_roads(tmp_path):
    write(tracts()[:0], tmp_path / "a.gpkg", "a")
    with pytest.raises(GeometryError, match="0 features"):
        read_vector("a.gpkg", None, "properties", tmp_path)
    layer = read_vector("a.gpkg", None, "exclusions", tmp_path)
    assert not len(layer.frame) and "0 features" in layer.problems[0].message


def test_several_layers_are_listed(tmp_path):
    path = write(tracts(), tmp_path / "a.gpkg", "old")
    write(tracts()[:2], path, "new")
    with pytest.raises(InputError, match="old, new"):
        read_vector("a.gpkg", None, "properties", tmp_path)
    assert len(read_vector("a.gpkg:new", None, "properties", tmp_path).frame) == 2
    assert len(read_vector("a.gpkg", "OLD", "properties", tmp_path).frame) == 4
    with pytest.raises(InputError, match=r"no layer 'nw'.*nearest is 'new'"):
        read_vector("a.gpkg:nw", None, "properties", tmp_path)


def test_the_only_layer_of_a_fitting_kind_is_taken(tmp_path):
    path = write(tracts(), tmp_path / "a.gpkg", "land")
    points = tracts()
    points["geometry"] = points.centroid
    write(points, path, "gates")
    assert set(read_vector("a.gpkg", None, "properties", tmp_path).frame.geom_type) == {"Polygon"}
    assert set(read_vector("a.gpkg", None, "sightings", tmp_path).frame.geom_type) == {"Point"}


def test_a_colon_is_a_layer_only_after_a_file_name(tmp_path):
    assert split_layer("a.gpkg:land", tmp_path) == (tmp_path / "a.gpkg", "land")
    assert split_layer("C:\\data\\a.gpkg", tmp_path)[1] is None
    assert split_layer("C:a.gpkg", tmp_path)[1] is None
    (tmp_path / "b:c.gpkg").touch()
    assert split_layer("b:c.gpkg", tmp_path) == (tmp_path / "b:c.gpkg", None)


def test_no_coordinate_system(tmp_path):
    frame = tracts()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the writer rightly complains
        write(frame.set_crs(None, allow_override=True), tmp_path / "a.shp")
    with pytest.raises(CrsError, match=r"no coordinate reference system \(CRS\) \(no \.prj file\)"):
        read_vector("a.shp", None, "properties", tmp_path)


def test_metres_in_a_file_of_degrees(tmp_path):
    geojson(tmp_path / "a.geojson", [ring(690_000.0, 3_320_000.0, 500.0)])
    with pytest.raises(CrsError, match="look projected"):
        read_vector("a.geojson", None, "properties", tmp_path)


@pytest.mark.parametrize("longitude", [-97.0, -81.0])
def test_swapped_coordinates(tmp_path, longitude):
    # 97 W swapped lies beyond the pole, 81 W swapped in Antarctica.
    geojson(tmp_path / "a.geojson", [ring(30.0, longitude)])
    with pytest.raises(CrsError, match="swapped"):
        read_vector("a.geojson", None, "properties", tmp_path)


def test_swapped_coordinates_are_seen_although_nothing_lies_near(tmp_path):
    geojson(tmp_path / "a.geojson", [ring(30.0, -97.0)])
    with pytest.raises(CrsError, match="swapped"):
        read_vector("a.geojson", None, "water", tmp_path, near=(-97.1, 29.9, -96.9, 30.1))


def test_records_without_shape_are_dropped_and_named(tmp_path):
    geojson(tmp_path / "a.geojson", [ring(-97, 30), None, ring(-97, 31)])
    layer = read_vector("a.geojson", None, "properties", tmp_path, columns={"id": "id"})
    assert list(layer.frame.index) == [1, 3]
    assert "1 record: P1" in layer.problems[0].message
    layer = read_vector("a.geojson", None, "properties", tmp_path)
    assert "1 record: record 2" in layer.problems[0].message


def test_no_record_has_a_shape(tmp_path):
    geojson(tmp_path / "a.geojson", [None, None])
    with pytest.raises(GeometryError, match="none of its 2 records has a geometry"):
        read_vector("a.geojson", None, "properties", tmp_path)


def test_heights_are_dropped(tmp_path):
    frame = tracts()
    frame["geometry"] = shapely.force_3d(frame.geometry.to_numpy(), 12.0)
    write(frame, tmp_path / "a.gpkg")
    assert not read_vector("a.gpkg", None, "properties", tmp_path).frame.has_z.any()


def test_a_column_in_another_case_is_found_and_a_missing_one_is_refused(tmp_path):
    write(tracts(), tmp_path / "a.gpkg")
    assert "TRACT" in read_vector("a.gpkg", None, "properties", tmp_path, columns={"id": "TRACT"}).frame
    with pytest.raises(MissingColumnError, match=r"inputs\.properties\.id = 'trac'.*nearest is tract"):
        read_vector("a.gpkg", None, "properties", tmp_path, columns={"id": "trac"})


def test_a_cut_shapefile_name_is_suggested(tmp_path):
    write(tracts().rename(columns={"tract": "parcel_num"}), tmp_path / "a.shp")
    with pytest.raises(MissingColumnError, match="cuts names to 10 letters: perhaps parcel_num"):
        read_vector("a.shp", None, "properties", tmp_path, columns={"id": "parcel_number"})


@pytest.mark.parametrize("inside", ["", "county/2024/"])
def test_a_zipped_shapefile_in_any_folder(tmp_path, inside):
    layer = read_vector(zip_shapefile(tmp_path, inside=inside).name, None, "properties", tmp_path)
    assert len(layer.frame) == 4 and not layer.problems


def test_a_missing_index_is_rebuilt_without_touching_the_folder(tmp_path):
    zip_shapefile(tmp_path)
    (tmp_path / "tracts.shx").unlink()
    before = sorted(p.name for p in tmp_path.iterdir())
    layer = read_vector("tracts.shp", None, "properties", tmp_path)
    assert len(layer.frame) == 4 and ".shx" in layer.problems[0].message
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_missing_table_leaves_records_without_ids(tmp_path):
    zip_shapefile(tmp_path, without=(".dbf",))
    layer = read_vector("tracts.zip", None, "properties", tmp_path, columns={"id": "tract"})
    assert ".dbf" in layer.problems[0].message and "tract" not in layer.frame
    with pytest.raises(MissingColumnError):
        read_vector("tracts.zip", None, "properties", tmp_path, columns={"enrolled": "signed"})


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_unstated_text_encoding_is_told_from_the_bytes(tmp_path, encoding):
    frame = tracts(owner=["Peña", "Béla", "x", "y"])
    frame.to_file(tmp_path / "a.shp", encoding=encoding)
    (tmp_path / "a.cpg").unlink()
    table = bytearray((tmp_path / "a.dbf").read_bytes())
    table[29] = 0
    (tmp_path / "a.dbf").write_bytes(table)
    layer = read_vector("a.shp", None, "properties", tmp_path, columns={"name": "owner"})
    assert layer.frame["owner"].tolist()[:2] == ["Peña", "Béla"]
    assert ".cpg" in layer.problems[0].message


@pytest.mark.parametrize("member", ["../evil.shp", "/evil.shp", "a/../../evil.shp", "C:/evil.shp"])
def test_a_zip_that_leaves_its_folder_is_refused(tmp_path, member):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(member, "x")
    with pytest.raises(InputError, match="unsafe path"):
        read_vector("a.zip", None, "properties", tmp_path)


def test_a_zip_without_vector_data_and_one_that_is_none(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("readme.txt", "x")
    with pytest.raises(InputError, match=r"holds no shapefile.*readme\.txt"):
        read_vector("a.zip", None, "properties", tmp_path)
    (tmp_path / "b.zip").write_text("x")
    with pytest.raises(InputError, match="zip cannot be opened"):
        read_vector("b.zip", None, "properties", tmp_path)


def test_csv_with_shapes_in_degrees_and_in_metres(tmp_path):
    (tmp_path / "a.csv").write_text('id,WKT\n007,"POLYGON((-97 30,-96.9 30,-96.9 30.1,-97 30))"\n')
    layer = read_vector("a.csv", None, "properties", tmp_path, columns={"id": "id"})
    assert layer.frame["id"].tolist() == ["007"] and layer.record.crs == "EPSG:4326"
    assert "EPSG:4326" in layer.problems[0].message
    (tmp_path / "b.csv").write_text('id,WKT\n1,"POLYGON((0 0,5000 0,5000 5000,0 0))"\n')
    with pytest.raises(CrsError, match="CSV cannot state"):
        read_vector("b.csv", None, "properties", tmp_path)


def test_csv_of_points(tmp_path):
    (tmp_path / "a.csv").write_text("Date,Lat,Long\n2024-05-01,30.0,-97.0\n2024-05-02,,\n")
    layer = read_vector("a.csv", None, "sightings", tmp_path, optional=("date", "count"))
    assert layer.frame["date"].tolist() == ["2024-05-01"]
    assert "1 record" in layer.problems[0].message
    (tmp_path / "b.csv").write_text("lat,lon\n-97.0,30.0\n")
    with pytest.raises(CrsError, match="beyond 180 and 90"):
        read_vector("b.csv", None, "sightings", tmp_path)
    (tmp_path / "c.csv").write_text("a,b\n1,2\n")
    with pytest.raises(GeometryError, match="no shapes"):
        read_vector("c.csv", None, "sightings", tmp_path)


def test_only_records_near_are_read(tmp_path):
    write(tracts(), tmp_path / "a.gpkg")
    west, south, east, north = gpd.GeoSeries([square(1, 1, 600.0).buffer(-50)], crs=ALBERS).to_crs(4326).total_bounds
    layer = read_vector("a.gpkg", None, "exclusions", tmp_path, near=(west, south, east, north))
    assert len(layer.frame) < 4 and layer.features_in_file == 4
    layer = read_vector("a.gpkg", None, "exclusions", tmp_path, near=(10.0, 50.0, 10.1, 50.1))
    assert len(layer.frame) == 0 and layer.features_in_file == 4
    assert all(value == value for value in layer.file_bounds)


def test_the_record_holds_the_hash_and_the_layer(tmp_path):
    path = write(tracts(), tmp_path / "a.gpkg", "land")
    record = read_vector("a.gpkg:land", None, "properties", tmp_path).record
    assert record.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (record.path_name, record.crs, record.features) == ("a.gpkg:land", "EPSG:5070", 4)


def test_an_old_datum_is_told(tmp_path):
    write(tracts().to_crs(4267), tmp_path / "a.gpkg")
    assert any("NAD27" in p.message for p in read_vector("a.gpkg", None, "properties", tmp_path).problems)
