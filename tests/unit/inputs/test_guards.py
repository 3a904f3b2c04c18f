"""Hostile files: archives that swell or leave their folder, links, entities, endless shapes; each refused in words."""

import stat
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS
from rasterio.shutil import copy

from allocator.core.errors import AllocatorError, CrsError, GeometryError, InputError
from allocator.inputs import guards
from allocator.inputs.projecting import project_shapes
from allocator.inputs.rasters import open_raster
from allocator.inputs.read_study import check_study
from allocator.inputs.vectors import read_vector
from tests.unit.inputs.every_format import kml_of, zip_of_shapefile
from tests.unit.inputs.small_inputs import ALBERS, classes, tracts, write, write_raster, write_study

ENTITIES = '<!DOCTYPE k [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9)
) + "]>"  # fmt: skip
KML = '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>&j;</name></Document></kml>'


def refused(folder: Path, name: str, kind: type[AllocatorError] = InputError) -> str:
    with pytest.raises(kind) as caught:
        read_vector(name, None, "properties", folder)
    return str(caught.value)


def test_a_zip_bomb_is_refused_by_what_it_says_it_holds(tmp_path: Path, monkeypatch) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("land.shp", b"\0" * 3_000_000)
    assert "zip would unpack" not in refused(tmp_path, "a.zip")  # small: its ratio is nobody's business
    monkeypatch.setattr(guards, "SMALL_UNPACKED_BYTES", 1_000_000)
    told = refused(tmp_path, "a.zip")
    assert "unpack to 1 files of 0.0 GB" in told and "at most 200 times its size" in told
    monkeypatch.setattr(guards, "RATIO_DOUBTED", 2000)
    monkeypatch.setattr(guards, "MOST_UNPACKED_BYTES", 2_999_999)
    assert "zip would unpack" in refused(tmp_path, "a.zip")
    monkeypatch.setattr(guards, "MOST_UNPACKED_BYTES", 3_000_000)
    assert "zip would unpack" not in refused(tmp_path, "a.zip")


def test_too_many_members(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(guards, "MOST_MEMBERS", 3)
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for number in range(4):
            archive.writestr(f"{number}.txt", "x")
    assert "4 files" in refused(tmp_path, "a.zip") and "At most 3 files" in refused(tmp_path, "a.zip")


def test_a_link_and_a_locked_file_inside_a_zip(tmp_path: Path) -> None:
    link = zipfile.ZipInfo("land.shp")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(link, "/etc/hostname")
    assert "is a link to another file" in refused(tmp_path, "a.zip")
    zip_of_shapefile(tracts(), tmp_path / "b.zip")
    data = bytearray((tmp_path / "b.zip").read_bytes())
    data[data.index(b"PK\x01\x02") + 8] |= 1  # the flag in the list of contents
    (tmp_path / "b.zip").write_bytes(data)
    assert "locked with a password" in refused(tmp_path, "b.zip")


@pytest.mark.parametrize("member", ["../a.tif", "/a.tif", "x\\..\\..\\a.tif", "C:\\a.tif"])
def test_a_raster_in_a_zip_that_leaves_its_folder(tmp_path: Path, member: str) -> None:
    with zipfile.ZipFile(tmp_path / "cover.zip", "w") as archive:
        archive.writestr(member, "x")
    problems = check_study(write_study(tmp_path, cover='path = "cover.zip"\nscheme = "nlcd"'))
    told = [p for p in problems if p.severity == "error"]
    assert len(told) == 1 and "unsafe path" in told[0].message and "cover.zip" in told[0].source


@pytest.mark.parametrize("name", ["a.kml", "a.gpx", "a.gml", "wide.kml", "a.kmz", "zipped.zip"])
def test_xml_entities(tmp_path: Path, name: str) -> None:
    text = f'<?xml version="1.0"?>{ENTITIES}{KML}'
    if name.endswith(("kmz", "zip")):
        with zipfile.ZipFile(tmp_path / name, "w") as archive:
            archive.writestr("doc.kml", text)
    else:
        (tmp_path / name).write_text(text, encoding="utf-16" if name.startswith("wide") else "utf-8")
    assert "<!ENTITY" in refused(tmp_path, name)


def test_entities_hidden_behind_a_long_comment_do_not_swell(tmp_path: Path) -> None:
    (tmp_path / "a.kml").write_text(f'<?xml version="1.0"?><!--{"x" * (2 << 20)}-->{ENTITIES}{KML}')
    assert "cannot be read" in refused(tmp_path, "a.kml")  # the library itself refuses entities in a KML


@pytest.mark.parametrize("name", ["a.geojson", "a.kml", "a.vrt", "zipped.zip"])
def test_a_list_of_links_is_not_followed(tmp_path: Path, name: str) -> None:
    write(tracts(), tmp_path / "secret.gpkg", "secret")
    text = (
        '<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>'
        f"{tmp_path}/secret.gpkg</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    if name.endswith("zip"):
        with zipfile.ZipFile(tmp_path / name, "w") as archive:
            archive.writestr("a.geojson", text)
    else:
        (tmp_path / name).write_text(text)
    assert "points to data elsewhere (OGRVRTDataSource)" in refused(tmp_path, name)


def test_a_mosaic_of_rasters_here_is_read_and_one_on_the_net_is_not(tmp_path: Path) -> None:
    write_raster(tmp_path / "cover.tif", classes())
    copy(tmp_path / "cover.tif", tmp_path / "a.vrt", driver="VRT")
    assert open_raster("a.vrt", "land_cover", tmp_path)[0].width == 100
    text = (tmp_path / "a.vrt").read_text()
    assert "cover.tif" in text
    (tmp_path / "b.tif").write_text(text.replace("cover.tif", "/vsicurl/http://example.invalid/cover.tif"))
    with pytest.raises(InputError, match="points to data elsewhere"):
        open_raster("b.tif", "land_cover", tmp_path)


def test_long_text_is_refused_before_it_is_read(tmp_path: Path, monkeypatch) -> None:
    write(tracts().to_crs(4326), tmp_path / "a.geojson")
    monkeypatch.setattr(guards, "MOST_TEXT_BYTES", 100)
    assert "Convert it to a GeoPackage" in refused(tmp_path, "a.geojson")


def test_vertices_are_counted_before_they_are_copied(tmp_path: Path, monkeypatch) -> None:
    write(tracts(), tmp_path / "a.gpkg")
    monkeypatch.setattr(guards, "MOST_VERTICES", 20)
    assert len(read_vector("a.gpkg", None, "properties", tmp_path).frame) == 4  # four squares of five points
    monkeypatch.setattr(guards, "MOST_VERTICES", 19)
    assert "20 vertices; at most 19" in refused(tmp_path, "a.gpkg", GeometryError)


def test_an_edge_that_would_be_split_without_end() -> None:
    """A box 2e8 m wide and high has edges of 8e8 m in all: 400,000 pieces of 2 km. Of 126 such boxes it is too many."""
    box = shapely.box(-1e8, -1e8, 1e8, 1e8)
    guards.refuse_endless_shapes("here", np.array([box] * 124), 2000.0)
    with pytest.raises(GeometryError, match=r"here: 50,400,\d+ vertices"):
        guards.refuse_endless_shapes("here", np.array([box] * 126), 2000.0)
    with pytest.raises(GeometryError, match="here"):
        project_shapes(np.array([box] * 126), CRS.from_user_input(ALBERS), CRS.from_epsg(4326).to_wkt(), "here")


def test_coordinates_beyond_the_earth_and_systems_of_other_planets(tmp_path: Path) -> None:
    frame = tracts()
    frame["geometry"] = frame.geometry.affine_transform([1e6, 0, 0, 1, 0, 0])
    write(frame, tmp_path / "a.gpkg")
    assert "cannot be on Earth" in refused(tmp_path, "a.gpkg", CrsError)
    moon = CRS.from_user_input("IAU_2015:30100")
    write(tracts().to_crs(4326).set_crs(moon, allow_override=True), tmp_path / "b.gpkg")
    assert "on Earth" in refused(tmp_path, "b.gpkg", CrsError)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_shape_with_a_coordinate_that_is_no_number_is_left_out(tmp_path: Path, value: float) -> None:
    frame = tracts()
    with np.errstate(invalid="ignore"):
        frame.loc[1, "geometry"] = shapely.Polygon([(0, 0), (1, value), (1, 1), (0, 0)])
    write(frame, tmp_path / "a.gpkg")
    layer = read_vector("a.gpkg", None, "properties", tmp_path, columns={"id": "tract"})
    assert layer.frame["tract"].tolist() == ["T1", "T3", "T4"] and "T2" in layer.problems[0].message


def test_a_shape_that_is_nowhere_does_not_hide_another_one(tmp_path: Path) -> None:
    places = ["-84 33, -84 33.1, -83.9 33.1, -84 33", "-84 33, -84 1e308, -83 33, -84 33"]
    places.append("-84 33, -84 inf, -83 33, -84 33")
    rows = "".join(f'{number},"POLYGON(({one}))"\n' for number, one in enumerate(places))
    (tmp_path / "a.csv").write_text(f"id,WKT\n{rows}")
    assert "CRS" in refused(tmp_path, "a.csv", CrsError)


def test_a_raster_whose_blocks_do_not_fit(tmp_path: Path) -> None:
    """A header of a strip 2 x 10^9 cells wide; its few bytes are never enough."""
    place = Affine(30.0, 0.0, 0.0, 0.0, -30.0, 1e6)
    profile = {"driver": "GTiff", "width": 1_000_000_000, "height": 1, "count": 1, "dtype": "uint8", "crs": ALBERS,
               "transform": place, "SPARSE_OK": True}  # fmt: skip
    with rasterio.open(tmp_path / "wide.tif", "w", **profile):
        pass
    with pytest.raises(InputError, match=r"1,000,000,000 x 1 cells in blocks of 1,000 MB, at most 537 MB"):
        open_raster("wide.tif", "land_cover", tmp_path)


@pytest.mark.parametrize(
    ("place", "crs"),
    [(Affine(1e300, 0, 0, 0, -1e300, 0), ALBERS), (Affine(30.0, 0, 1e12, 0, -30.0, 0), ALBERS),
     (Affine(1.0, 0, 700.0, 0, -1.0, 30.0), "EPSG:4326"), (Affine(30.0, 0, 7e5, 0, -30.0, 3e6), "EPSG:4326")],
)  # fmt: skip
def test_a_raster_nowhere_on_earth(tmp_path: Path, place: Affine, crs: str) -> None:
    write_raster(tmp_path / "cover.tif", classes(), crs=crs, transform=place)
    with pytest.raises(CrsError, match=r"cover\.tif.*(nowhere|on Earth)"):
        open_raster("cover.tif", "land_cover", tmp_path)


def test_a_raster_whose_coordinate_system_cannot_be_read(tmp_path: Path, monkeypatch) -> None:
    """Found by fuzzing an .img: the library then raises an error that is not of its own tree."""
    write_raster(tmp_path / "cover.tif", classes())

    def broken(*_: object) -> None:
        raise rasterio.errors.CRSError("The WKT could not be parsed")

    monkeypatch.setattr(rasterio, "open", broken)
    with pytest.raises(InputError, match=r"inputs\.land_cover \(cover\.tif\).*WKT could not be parsed"):
        open_raster("cover.tif", "land_cover", tmp_path)


def test_a_line_without_length_is_left_out_by_name(tmp_path: Path) -> None:
    good = shapely.LineString([(400_000, 1_200_000), (403_000, 1_200_000)])
    flat = shapely.LineString([(400_000, 1_200_000)] * 2)
    write(gpd.GeoDataFrame({"n": [1, 2]}, geometry=[good, flat], crs=ALBERS), tmp_path / "a.gpkg")
    layer = read_vector("a.gpkg", None, "roads", tmp_path)
    assert len(layer.frame) == 1 and "1 line without length: record 2" in layer.problems[0].message


def test_a_flat_line_among_long_ones_is_projected_as_it_is() -> None:
    flat, long = shapely.LineString([(4e5, 1.2e6)] * 2), shapely.LineString([(4e5, 1.2e6), (41e4, 1.2e6)])
    shapes = np.array([flat, long])
    made = project_shapes(shapes, CRS.from_user_input(ALBERS), CRS.from_epsg(4326).to_wkt(), "here")
    assert shapely.get_num_coordinates(made).tolist() == [2, 6]  # 10 km in pieces of 2 km
    assert shapes[1].equals(shapely.LineString([(4e5, 1.2e6), (41e4, 1.2e6)]))


def test_a_raster_cut_short_is_told_by_its_name(tmp_path: Path) -> None:
    write_raster(tmp_path / "cover.tif", classes())
    data = (tmp_path / "cover.tif").read_bytes()
    (tmp_path / "cover.tif").write_bytes(data[: len(data) // 2])
    problems = check_study(write_study(tmp_path))
    told = [p for p in problems if p.severity == "error"]
    assert len(told) == 1 and "cover.tif" in told[0].source and "only partly copied" in told[0].message


@pytest.mark.parametrize("odd", ["(a+)+$", "[", "*", "a\\", "%s%n", "{0}", "x" * 200, "'; DROP TABLE", '"'])
def test_odd_names_are_names(tmp_path: Path, odd: str) -> None:
    """Ids, columns and layers are compared as text, never as patterns or queries."""
    write(tracts().rename(columns={"tract": odd}), tmp_path / "a.gpkg", "land")
    frame = read_vector("a.gpkg", None, "properties", tmp_path, columns={"id": odd}).frame
    assert frame[odd].tolist() == ["T1", "T2", "T3", "T4"]
    with pytest.raises(InputError, match="there is no layer"):
        read_vector("a.gpkg", odd, "properties", tmp_path)
    land = tracts().to_crs(4326)
    (tmp_path / "a.kml").write_text(kml_of({odd: land.iloc[:1], "others": land.iloc[1:]}), encoding="utf-8")
    assert read_vector("a.kml", odd, "properties", tmp_path).frame.shape[0] == 1


def test_a_name_too_long_for_a_file(tmp_path: Path) -> None:
    assert "cannot be a file name" in refused(tmp_path, "x" * 5000 + ".gpkg")
