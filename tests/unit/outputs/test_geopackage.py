"""The GeoPackage: types, explanations, the rules of the format, the same bytes for the same plan."""

import csv
import sqlite3
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import CRS

from allocator.core.results import Plan
from allocator.core.settings import Settings
from allocator.outputs import geopackage
from allocator.outputs.columns import columns_of, documented_values, read_columns, table_names
from allocator.outputs.geopackage import GEOMETRY_TYPES, write_geopackage
from allocator.outputs.tables import cautions, plan_tables, write_tables
from tests.unit.outputs.plan_builder import CRS_WKT, NAMES, make_plan

SQL_TYPES = {"text": "TEXT", "yes/no": "TEXT", "number": "REAL", "whole number": "INTEGER"}


@pytest.fixture(params=[2, 0], ids=["two sites", "no sites"])
def plan(request: pytest.FixtureRequest) -> Plan:
    return make_plan(request.param)


@pytest.fixture
def database(plan: Plan, tmp_path: Path) -> Iterator[sqlite3.Connection]:
    write_geopackage(plan, tmp_path / "plan.gpkg")
    with closing(sqlite3.connect(tmp_path / "plan.gpkg")) as connection:
        yield connection


def test_the_header_says_geopackage_1_3(plan: Plan, tmp_path: Path) -> None:
    write_geopackage(plan, tmp_path / "plan.gpkg")
    header = (tmp_path / "plan.gpkg").read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert header[68:72] == b"GPKG"
    assert int.from_bytes(header[60:64], "big") == 10300
    assert [path.name for path in tmp_path.iterdir()] == ["plan.gpkg"]


def test_the_file_is_sound(database: sqlite3.Connection) -> None:
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert database.execute("PRAGMA foreign_key_check").fetchall() == []
    assert database.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_every_table_is_there_with_its_geometry(database: sqlite3.Connection) -> None:
    contents = dict(database.execute("SELECT table_name, data_type FROM gpkg_contents").fetchall())
    assert contents == {name: "features" if name in GEOMETRY_TYPES else "attributes" for name in table_names()}
    declared = database.execute("SELECT table_name, geometry_type_name, z, m FROM gpkg_geometry_columns").fetchall()
    assert sorted(declared) == sorted((name, kind.upper(), 0, 0) for name, kind in GEOMETRY_TYPES.items())


def test_columns_have_the_documented_types_also_when_empty(database: sqlite3.Connection) -> None:
    for name in table_names():
        found = {row[1]: row[2] for row in database.execute(f'PRAGMA table_info("{name}")')}
        for column in columns_of(name):
            assert found[column.column] == SQL_TYPES[column.type]


def test_every_layer_has_a_spatial_index(database: sqlite3.Connection) -> None:
    found = database.execute("SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")
    assert {row[0] for row in found} == set(GEOMETRY_TYPES)


def test_every_column_is_explained(database: sqlite3.Connection) -> None:
    found = database.execute("SELECT table_name, column_name, name, title, description FROM gpkg_data_columns")
    assert sorted(found.fetchall()) == sorted(
        (part.table, part.column, part.column, part.title, part.description) for part in read_columns()
    )
    for name in table_names():
        present = {row[1] for row in database.execute(f'PRAGMA table_info("{name}")')} - {"fid", "geom"}
        assert present == {column.column for column in columns_of(name)}


def test_extensions_are_declared_with_the_definitions_of_1_3(database: sqlite3.Connection) -> None:
    found = database.execute(
        "SELECT table_name, column_name, extension_name, definition, scope FROM gpkg_extensions "
        "WHERE extension_name IN ('gpkg_schema', 'gpkg_metadata') ORDER BY table_name"
    ).fetchall()
    schema, metadata = (f"http://www.geopackage.org/spec130/#extension_{name}" for name in ("schema", "metadata"))
    assert found == [
        ("gpkg_data_column_constraints", None, "gpkg_schema", schema, "read-write"),
        ("gpkg_data_columns", None, "gpkg_schema", schema, "read-write"),
        ("gpkg_metadata", None, "gpkg_metadata", metadata, "read-write"),
        ("gpkg_metadata_reference", None, "gpkg_metadata", metadata, "read-write"),
    ]


def test_cautions_versions_and_settings_are_inside(database: sqlite3.Connection, plan: Plan) -> None:
    texts = dict(
        database.execute(
            "SELECT mime_type, metadata FROM gpkg_metadata JOIN gpkg_metadata_reference ON id = md_file_id "
            "WHERE reference_scope = 'geopackage'"
        ).fetchall()
    )
    assert texts["text/plain"].splitlines() == list(cautions())
    assert '"python"' in texts["application/json"]
    assert Settings.model_validate(tomllib.loads(texts["application/toml"])) == plan.study.settings


def test_no_time_of_day_is_inside(database: sqlite3.Connection) -> None:
    fixed = [("2026-01-01T00:00:00.000Z",)]
    assert database.execute("SELECT DISTINCT last_change FROM gpkg_contents").fetchall() == fixed
    assert database.execute("SELECT DISTINCT timestamp FROM gpkg_metadata_reference").fetchall() == fixed


def test_the_same_plan_gives_the_same_bytes(plan: Plan, tmp_path: Path) -> None:
    write_geopackage(plan, tmp_path / "first.gpkg")
    time.sleep(0.01)
    write_geopackage(make_plan(len(plan.sites)), tmp_path / "second.gpkg")
    assert (tmp_path / "first.gpkg").read_bytes() == (tmp_path / "second.gpkg").read_bytes()


def test_the_date_option_is_put_back(tmp_path: Path) -> None:
    write_geopackage(make_plan(), tmp_path / "a.gpkg")
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-02-03T00:00:00.000Z"})
    try:
        with pytest.raises(ValueError, match="undocumented"):
            write_geopackage(make_plan(inputs=pd.DataFrame({"owner": []})), tmp_path / "b.gpkg")
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2001-02-03T00:00:00.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def test_layers_read_back_as_they_were(plan: Plan, tmp_path: Path) -> None:
    write_geopackage(plan, tmp_path / "plan.gpkg")
    for name, frame in plan_tables(plan).items():
        back = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer=name)
        assert len(back) == len(frame)
        if name in GEOMETRY_TYPES:
            assert CRS(back.crs) == CRS.from_wkt(CRS_WKT)
            assert shapely.equals(back.geometry.to_numpy(), frame.geometry.to_numpy()).all()
            assert set(back.geom_type) <= {GEOMETRY_TYPES[name]}


def test_text_stays_as_typed_and_ids_stay_text(tmp_path: Path) -> None:
    write_geopackage(make_plan(), tmp_path / "plan.gpkg")
    back = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="properties")
    assert back["property_id"].tolist() == ["00123", "00124", "7"]
    assert back["name"].tolist() == list(NAMES)
    assert back["enrolled"].tolist() == ["yes", "yes", "no"]
    assert pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="candidates")["is_chosen"].tolist() == ["yes", "yes"]


def test_blank_is_null_and_zero_is_zero(tmp_path: Path) -> None:
    frame = make_plan().properties.assign(traps=pd.array([0, None, 2], dtype="Int64"), name=["a", None, ""])
    write_geopackage(make_plan(properties=frame), tmp_path / "plan.gpkg")
    with closing(sqlite3.connect(tmp_path / "plan.gpkg")) as connection:
        rows = connection.execute("SELECT traps, name, blank_percent FROM properties ORDER BY fid").fetchall()
    assert rows == [(0, "a", 0.0), (None, None, 100.0), (2, "", None)]


def test_a_system_with_a_code_keeps_its_code(tmp_path: Path) -> None:
    wkt = CRS.from_epsg(5070).to_wkt()
    plan = make_plan()
    study = replace(plan.study, grid=replace(plan.study.grid, crs_wkt=wkt))
    layers = {name: getattr(plan, name).set_crs(wkt, allow_override=True) for name in GEOMETRY_TYPES}
    write_geopackage(replace(plan, study=study, **layers), tmp_path / "plan.gpkg")
    assert pyogrio.read_info(tmp_path / "plan.gpkg", layer="sites")["crs"] == "EPSG:5070"


def test_heights_are_dropped(tmp_path: Path) -> None:
    frame = make_plan().properties
    frame = frame.set_geometry(gpd.GeoSeries(shapely.force_3d(frame.geometry.to_numpy(), 5.0), crs=CRS_WKT))
    write_geopackage(make_plan(properties=frame), tmp_path / "plan.gpkg")
    assert not pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="properties").has_z.any()


def test_a_layer_in_another_system_is_refused(tmp_path: Path) -> None:
    sites = make_plan().sites.set_crs("EPSG:4326", allow_override=True)
    with pytest.raises(ValueError, match="layer sites is in WGS 84"):
        write_geopackage(replace(make_plan(), sites=sites), tmp_path / "plan.gpkg")


def test_a_layer_with_other_geometry_is_refused(tmp_path: Path) -> None:
    sites = make_plan().sites.set_geometry(make_plan().sites.buffer(1))
    with pytest.raises(ValueError, match="declared Point but holds Polygon"):
        write_geopackage(replace(make_plan(), sites=sites), tmp_path / "plan.gpkg")


def test_a_layer_without_geometry_is_refused(tmp_path: Path) -> None:
    plan = make_plan(habitat=pd.DataFrame(make_plan().habitat.drop(columns="geometry")))
    with pytest.raises(ValueError, match="layer habitat has no geometry"):
        write_geopackage(plan, tmp_path / "plan.gpkg")


def test_a_file_that_exists_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "plan.gpkg").write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        write_geopackage(make_plan(), tmp_path / "plan.gpkg")
    assert (tmp_path / "plan.gpkg").read_bytes() == b"mine"


def test_lost_rows_are_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = geopackage.write_layer

    def lose_a_row(name: str, frame: pd.DataFrame, path: Path, crs_wkt: str) -> None:
        whole(name, frame.iloc[1:] if name == "properties" else frame, path, crs_wkt)

    monkeypatch.setattr(geopackage, "write_layer", lose_a_row)
    with pytest.raises(OSError, match="holds 2 of the 3 rows of properties"):
        write_geopackage(make_plan(), tmp_path / "plan.gpkg")


def test_csv_tables_hold_the_same_values(tmp_path: Path) -> None:
    plan = make_plan()
    write_geopackage(plan, tmp_path / "plan.gpkg")
    write_tables(plan, tmp_path)
    for name in table_names():
        back = documented_values(name, _without_geometry(pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer=name)))
        with (tmp_path / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(back)
        for column in columns_of(name):
            cells = [row[column.column] for row in rows]
            _assert_same(column.type, cells, back[column.column].tolist())


def _without_geometry(frame: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))


def _assert_same(kind: str, cells: list[str], values: list[object]) -> None:
    if kind in ("text", "yes/no"):
        assert [cell.removeprefix("'") for cell in cells] == ["" if value is None else value for value in values]
    else:
        found = np.array([float(cell) if cell else np.nan for cell in cells])
        assert np.array_equal(
            found, pd.Series(values, dtype="Float64").to_numpy(float, na_value=np.nan), equal_nan=True
        )
