"""Traps already in place: points from any file, near the study only."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from allocator.core.errors import CrsError, InputError
from allocator.inputs.read_study import check_study, read_study
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, square, write, write_study

NEAR = [shapely.Point(WEST + 900, NORTH - 900), shapely.Point(WEST + 1500, NORTH - 1300)]
FAR = shapely.Point(WEST + 90_000, NORTH)
FORMATS = [("traps.gpkg", "GPKG", ALBERS), ("traps.shp", None, 26915), ("traps.geojson", "GeoJSON", 4326),
           ("traps.kml", "KML", 4326), ("traps.gpx", "GPX", 4326), ("traps.fgb", "FlatGeobuf", 3434)]  # fmt: skip


def traps(shapes, crs=ALBERS, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=ALBERS).to_crs(crs)


def study_of(folder, path="traps.gpkg"):
    return write_study(folder, f"[inputs.existing_traps]\npath = {path!r}\n")


def told(path, severity):
    return "\n".join(f"{one.source}: {one.message}" for one in check_study(path) if one.severity == severity)


@pytest.mark.parametrize(("name", "driver", "crs"), FORMATS)
def test_every_format_and_system(tmp_path, name, driver, crs):
    """EPSG:26915 is UTM 15N in metres, EPSG:3434 Arkansas South in feet (EPSG registry, through pyproj)."""
    traps(NEAR, crs).to_file(tmp_path / name, driver=driver)
    study = read_study(study_of(tmp_path, name))
    found = sorted(shapely.get_coordinates(study.existing_traps).tolist())  # a FlatGeobuf has an order of its own
    assert np.array(found) == pytest.approx(shapely.get_coordinates(NEAR), abs=0.01)
    assert (shapely.get_type_id(study.existing_traps) == 0).all()
    assert [(one.role, one.path_name, one.features) for one in study.inputs][-1] == ("existing_traps", name, 2)


def test_absent_is_none(tmp_path):
    assert read_study(write_study(tmp_path)).existing_traps is None


def test_a_spreadsheet_with_longitude_and_latitude(tmp_path):
    places = traps(NEAR, 4326).geometry
    rows = "".join(f"{name},{at.y!r},{at.x!r}\n" for name, at in zip(("A", "B"), places, strict=True))
    (tmp_path / "traps.csv").write_text(f"name,Lat,Long\n{rows}C,,\n")
    path = study_of(tmp_path, "traps.csv")
    assert shapely.get_coordinates(read_study(path).existing_traps) == pytest.approx(
        shapely.get_coordinates(NEAR), abs=0.01
    )
    assert "no geometry (null or empty) in 1 record" in told(path, "warning")


def test_multipoints_are_single_traps_and_far_ones_are_named(tmp_path):
    shapes = [shapely.MultiPoint([*NEAR, FAR]), FAR, FAR]
    write(traps(shapes, ID=["M", "far away", None]), tmp_path / "traps.gpkg")
    path = study_of(tmp_path)
    assert shapely.get_coordinates(read_study(path).existing_traps).tolist() == shapely.get_coordinates(NEAR).tolist()
    assert told(path, "note").endswith(
        "inputs.existing_traps (traps.gpkg): 3 traps left out, not near the properties: M, far away, record 3."
    )


def test_a_name_serves_where_there_is_no_id(tmp_path):
    write(traps([NEAR[0], FAR], Name=["near", "river bend"]), tmp_path / "traps.gpkg")
    assert "1 trap left out, not near the properties: river bend." in told(study_of(tmp_path), "note")


def test_none_near_is_a_warning(tmp_path):
    write(traps([FAR]), tmp_path / "traps.gpkg")
    path = study_of(tmp_path)
    assert read_study(path).existing_traps is None
    assert told(path, "warning") == (
        "inputs.existing_traps (traps.gpkg): none of its 1 feature lies near the properties: no habitat counts as "
        "served by a trap in place."
    )
    assert "left out" not in told(path, "note")


def test_what_is_no_point_is_ignored(tmp_path):
    write(traps([NEAR[0], square(1, 1, 100.0)]), tmp_path / "traps.geojson")
    path = study_of(tmp_path, "traps.geojson")
    assert len(read_study(path).existing_traps) == 1
    assert "1 record ignored, not a point but polygon: record 2" in told(path, "warning")


def test_an_empty_file_is_a_warning(tmp_path):
    empty = gpd.GeoDataFrame({"id": np.array([], dtype=object)}, geometry=[], crs=ALBERS)
    empty.to_file(tmp_path / "traps.gpkg", geometry_type="Point")
    path = study_of(tmp_path)
    assert read_study(path).existing_traps is None
    assert "the layer is empty (0 features)" in told(path, "warning")


def test_several_files_in_their_own_systems_count_as_one(tmp_path):
    write(traps(NEAR[:1], 4326), tmp_path / "one.geojson")
    write(traps(NEAR[1:], 26915), tmp_path / "two.gpkg")
    study = read_study(write_study(tmp_path, '[inputs.existing_traps]\npath = ["one.geojson", "two.gpkg"]\n'))
    assert shapely.get_coordinates(study.existing_traps) == pytest.approx(shapely.get_coordinates(NEAR), abs=0.01)


def test_wrong_files_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"inputs\.existing_traps \(none\.gpkg\): the file none\.gpkg does not exist"):
        read_study(study_of(tmp_path, "none.gpkg"))
    write(traps(NEAR), tmp_path / "traps.shp")
    (tmp_path / "traps.prj").unlink()
    with pytest.raises(CrsError, match=r"inputs\.existing_traps \(traps\.shp\).*no \.prj file"):
        read_study(study_of(tmp_path, "traps.shp"))
    write(traps(NEAR), tmp_path / "traps.gpkg", "here")
    write(traps(NEAR), tmp_path / "traps.gpkg", "sites")
    with pytest.raises(InputError, match="2 layers could be meant: here, sites"):
        read_study(study_of(tmp_path))
