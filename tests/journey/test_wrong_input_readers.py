"""Awkward and malformed files, and real open data, end as they should at the border post.

The files lie beside the project and are not part of it; without them these tests are skipped.
"""

import csv
import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from allocator.core.grid import Window
from allocator.core.study import Problem
from allocator.inputs.read_study import check_study, read_study

DATA = Path(__file__).parents[2].parent / "shared" / "data"
BAD = DATA / "bad_inputs"
pytestmark = pytest.mark.skipif(not BAD.is_dir(), reason=f"the data set given to developers is not at {DATA}")

ID_COLUMNS = {"d09_phone_3d.kml": "Name", "d10_nested_folders.kmz": "Name", "d24_walked_track.gpx": "name",
              "d29_truncated_field_names.zip": "PARCEL_NUM"}  # fmt: skip


def manifest() -> list[dict[str, str]]:
    if not BAD.is_dir():
        return []
    with (BAD / "MANIFEST.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def study_file(folder: Path, row: dict[str, str], *, with_id: bool) -> Path:
    """A study of good files with the bad one in its role."""
    files = {"parcels": "good/parcels.geojson", "landcover": "good/landcover.tif", "roads": "good/roads.geojson"}
    files[row["role"]] = row["file"]
    column = ID_COLUMNS.get(row["file"], "parcel_id")
    path = folder / "study.toml"
    path.write_text(
        f"[study]\nname = 'Zoo'\n[inputs.properties]\npath = '{BAD / files['parcels']}'\n"
        + (f"id = '{column}'\n" if with_id else "")
        + f"[inputs.land_cover]\npath = '{BAD / files['landcover']}'\nscheme = 'nlcd'\n"
        f"[inputs.roads]\npath = '{BAD / files['roads']}'\n",
        encoding="utf-8",
    )
    return path


def about(problems: list[Problem], file_name: str) -> str:
    return "\n".join(p.message for p in problems if file_name in p.source)


@pytest.mark.parametrize("with_id", [True, False], ids=["ids", "numbered"])
@pytest.mark.parametrize("row", manifest(), ids=lambda row: row["file"])
def test_every_bad_file_ends_as_the_manifest_says(tmp_path, row, with_id):
    path = study_file(tmp_path, row, with_id=with_id)
    problems = check_study(path)
    errors = [p for p in problems if p.severity == "error"]
    told = about(problems, row["file"])
    assert bool(errors) == (row["expected"] == "reject"), told
    assert all(row["file"] in p.source for p in errors)
    mentions = row["message_mentions"]
    if not with_id:
        mentions = mentions.replace("P002.*|", "").replace("P002|", "").replace("P003|", "")
    if row["expected"] != "accept":
        assert re.search(mentions, told, re.IGNORECASE), told
    if not errors:
        study = read_study(path)
        assert len(study.properties.ids) and shapely.is_valid(study.properties.shapes).all()


def test_unknown_codes_are_told_and_refused_when_asked(tmp_path):
    row = next(row for row in manifest() if row["file"].startswith("d18"))
    path = study_file(tmp_path, row, with_id=True)
    assert "left blank" in about(check_study(path), row["file"])
    told = about(check_study(path, ["inputs.land_cover.unknown_codes=refuse"]), row["file"])
    # 3,000 of the raster's 14,400 cells; its UTM cells are read onto finer ones, so only the share is its own.
    assert "77 (" in told and "250 (" in told and "20.83% of all cells" in told and "unknown_codes" in told


def test_names_of_every_alphabet_and_formulas_stay_text(tmp_path):
    rows = {row["file"][:3]: row for row in manifest()}
    path = study_file(tmp_path, rows["d02"], with_id=True)
    assert "Łukasz Farm" in read_study(path, ["inputs.properties.name=owner"]).properties.names
    path = study_file(tmp_path, rows["d22"], with_id=True)
    study = read_study(path, ["inputs.properties.name=owner"])
    assert study.properties.ids == ("00123", "1-2", "1E5", "3/4")
    assert "=1+1" in study.properties.names


def test_a_south_up_raster_gives_the_classes_of_its_twin(tmp_path):
    rows = {row["file"][:3]: row for row in manifest()}
    turned = read_study(study_file(tmp_path, rows["d28"], with_id=True))
    straight = read_study(study_file(tmp_path, {**rows["d28"], "file": "good/landcover.tif"}, with_id=True))
    assert turned.grid == straight.grid
    assert np.array_equal(turned.cover.read(turned.grid.window), straight.cover.read(straight.grid.window))


def real_study(folder: Path, inputs: str) -> Path:
    path = folder / "study.toml"
    path.write_text(f"[study]\nname = 'Real'\n{inputs}".replace("DATA", DATA.as_posix()), encoding="utf-8")
    return path


DURHAM_COVER = "[inputs.land_cover]\npath = 'DATA/area_durham_nc/durham_nlcd_30m.tif'\nscheme = 'nlcd'\n"


@pytest.mark.parametrize(
    "file", ["durham_nc.gpkg:city_parks_2019", "durham_parks_shapefile.zip"], ids=["geopackage", "zip"]
)
def test_city_parks_read_without_preparation(tmp_path, file):
    study = read_study(
        real_study(tmp_path, f"[inputs.properties]\npath = 'DATA/area_durham_nc/{file}'\n{DURHAM_COVER}")
    )
    assert len(study.properties.ids) == 78  # 79 records, one has no geometry
    told = "\n".join(p.message for p in study.problems)
    assert "no geometry (null or empty) in 1 record: record 54" in told
    assert "of the property area (43 property records) lies outside" in told


def test_a_watershed_with_all_its_inputs(tmp_path):
    study = read_study(real_study(
        tmp_path, "[inputs.properties]\npath = 'DATA/area_durham_nc/durham_nc.gpkg:watershed_huc12'\nid = 'HUC_12'\n"
        f"{DURHAM_COVER}[inputs.water]\npath = ['DATA/area_durham_nc/durham_nc.gpkg:nhd_flowline_hires_third_fork', "
        "'DATA/area_durham_nc/durham_nc.gpkg:osm_water_areas']\n"
        "[inputs.roads]\npath = 'DATA/area_durham_nc/durham_nc.gpkg:osm_roads_tertiary_and_above'\n"
        "class_field = 'type'\nscheme = 'osm'\nname_field = 'name'\n"
        "[inputs.elevation]\npath = 'DATA/area_durham_nc/durham_ned_1arcsec.tif'\n"))  # fmt: skip
    assert study.properties.ids == ("030300020602",)
    # Published on the record: 10,628.358361 acres.
    assert study.properties.shapes[0].area / 4046.8564224 == pytest.approx(10_628.358, rel=2e-6)
    assert study.cover.cells.is_aligned and study.water_kinds and set(study.roads.truck) <= {"yes", "dry", "no"}
    whole = study.elevation.read(study.grid.window)
    part = study.elevation.read(Window(101, 77, 90, 83))
    assert np.array_equal(part, whole[101:191, 77:160], equal_nan=True)
    assert 60 < np.nanmin(whole) < np.nanmax(whole) < 140


def test_land_cover_stored_as_floats_with_a_huge_nodata_value(tmp_path):
    ring = "-119.09 36.34,-119.03 36.34,-119.03 36.38,-119.09 36.38,-119.09 36.34"
    (tmp_path / "ranch.csv").write_text(f'no,WKT\n7,"POLYGON(({ring}))"\n')
    study = read_study(real_study(
        tmp_path, "[inputs.properties]\npath = 'ranch.csv'\nid = 'no'\n[inputs.land_cover]\n"
        "path = 'DATA/landcover/lindcove_ca_nlcd_float32_awkward.tif'\nscheme = 'nlcd'\n"))  # fmt: skip
    positions = study.cover.read(study.grid.window)
    assert positions.dtype == np.uint8
    assert 0.3 < (positions == 255).mean() < 0.8
    assert any("is nodata" in p.message for p in study.problems)


def test_polygons_in_survey_feet(tmp_path):
    (tmp_path / "vmap.csv").write_text("code,name,score\nMarsh/Swamp,Swamp,0.9\nTrees,Trees,0.5\n")
    place = "DATA/area_alaska_feet/alaska_vmap0_feet.gpkg"
    path = real_study(
        tmp_path,
        f"[inputs.properties]\npath = '{place}:builtups'\n[inputs.land_cover]\nscheme = 'vmap.csv'\n"
        f"path = ['{place}:swamp', '{place}:trees']\nclass_field = 'F_CODEDESC'\n"
        f"[inputs.water]\npath = '{place}:rivers'\n",
    )
    # 18 built-up places over all of Alaska: cells of 10 m would be too many, and the tool says so.
    assert "cells over" in "".join(p.message for p in check_study(path) if p.severity == "error")
    study = read_study(path, ["study.cell_m=1000"])
    assert len(study.properties.ids) == 18 and study.water_kinds
    # The largest polygon has 75,148.859 km2 in the file's own column AREA_KM2.
    assert shapely.area(study.cover.shapes).max() / 1e6 == pytest.approx(75_148.859, rel=5e-4)
    assert any("NAD27" in p.message for p in study.problems)
