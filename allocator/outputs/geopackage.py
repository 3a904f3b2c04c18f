"""A plan as a GeoPackage 1.3: every layer and table, each column explained inside the file.

The same plan gives the same bytes. GDAL writes the layers first and closes the file; only then does Python's own
SQLite add the explanations, because two copies of SQLite in one process must never hold one file at once.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS

from allocator.core.results import Plan
from allocator.outputs.columns import Column, documented_values, read_columns
from allocator.outputs.plan_json import versions
from allocator.outputs.settings_toml import settings_as_toml
from allocator.outputs.tables import cautions, plan_tables

GEOMETRY_TYPES = {
    "properties": "MultiPolygon",
    "habitat": "MultiPolygon",
    "complexes": "MultiPolygon",
    "sites": "Point",
    "candidates": "Point",
    "service_areas": "Polygon",
    "access_paths": "LineString",
    "rounds": "LineString",
}
"""The layers and the geometry that each declares; every other table has none."""
_FITTING = {
    "MultiPolygon": {"Polygon", "MultiPolygon"},
    "Polygon": {"Polygon"},
    "Point": {"Point"},
    "LineString": {"LineString"},
}
_DATE = "2026-01-01T00:00:00.000Z"
_SPECIFICATION = "http://www.geopackage.org/spec130/"

# As the specification's annex "Table Definition SQL" gives them for version 1.3.
_DEFINITIONS = (
    """CREATE TABLE gpkg_data_columns (
        table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
        constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
        CONSTRAINT gdc_tn UNIQUE (table_name, name))""",
    """CREATE TABLE gpkg_data_column_constraints (
        constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
        min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
        CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))""",
    """CREATE TABLE gpkg_metadata (
        id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
        md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml',
        metadata TEXT NOT NULL DEFAULT '')""",
    """CREATE TABLE gpkg_metadata_reference (
        reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
        timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL,
        md_parent_id INTEGER, CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
        CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id))""",
)


@dataclass(frozen=True)
class Layer:
    """One layer or table of the file.

    Parameters
    ----------
    name : str
        Its name.
    values : pandas.DataFrame
        Typed as :func:`allocator.outputs.columns.documented_values` gives them, without geometry.
    kind : str or None
        The geometry declared, such as ``MultiPolygon``; None for a table without.
    shapes : array of bytes or None
        Geometry of each row as WKB; None for a table without.
    """

    name: str
    values: pd.DataFrame
    kind: str | None = None
    shapes: np.ndarray | None = None


def write_geopackage(plan: Plan, path: Path) -> None:
    """Write every table of a plan into one new GeoPackage.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : pathlib.Path
        A file that does not exist yet: a file that another program holds open must never be written over.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it, or a layer has another coordinate system or geometry.
    FileExistsError
        The file exists.
    OSError, pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, sqlite3.Error
        The file cannot be written.
    """
    crs_wkt = plan.study.grid.crs_wkt
    layers = (plan_layer(name, frame, crs_wkt) for name, frame in plan_tables(plan).items())
    settings = ("dataset", "https://toml.io/en/v1.0.0", "application/toml", settings_as_toml(plan.study.settings))
    write_layers(layers, path, crs_wkt=crs_wkt, columns=read_columns(), more_metadata=[settings])


def write_layers(
    layers: Iterable[Layer], path: Path, *, crs_wkt: str, columns: Sequence[Column],
    more_metadata: Sequence[tuple[str, str, str, str]] = (),
) -> None:  # fmt: skip
    """Write layers and tables into one new GeoPackage that explains its columns and carries the cautions.

    Parameters
    ----------
    layers : iterable of Layer
        What to write, in this order.
    path : pathlib.Path
        A file that does not exist yet.
    crs_wkt : str
        Coordinate system of every layer.
    columns : sequence of Column
        The columns, explained inside the file.
    more_metadata : sequence of tuple
        Scope, standard, media type and text of what else the file says of itself.

    Raises
    ------
    FileExistsError
        The file exists.
    OSError, pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, sqlite3.Error
        The file cannot be written.
    """
    if path.exists():
        raise FileExistsError(f"{path.name} exists already")
    rows = {}
    with _fixed_date():
        for layer in layers:
            _write_layer(layer, path, crs_wkt)
            rows[layer.name] = len(layer.values)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("BEGIN")
        _explain(connection, columns, more_metadata)
        connection.execute("COMMIT")
    check_geopackage(path, rows)


@contextmanager
def _fixed_date() -> Iterator[None]:
    """The date that GDAL notes as the last change, fixed so that the same plan gives the same bytes."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _DATE})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def plan_layer(name: str, frame: pd.DataFrame, crs_wkt: str) -> Layer:
    """A documented table of a plan as a layer of the file.

    Parameters
    ----------
    name : str
        Name of the table.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows.
    crs_wkt : str
        The coordinate system that its geometry must be in.

    Returns
    -------
    Layer
        Ready to be written.

    Raises
    ------
    ValueError
        It is not as ``columns.csv`` documents it, or has another coordinate system or geometry.
    """
    kind = GEOMETRY_TYPES.get(name)
    shapes = _geometry(name, frame, crs_wkt) if kind else None
    return Layer(name, documented_values(name, frame), kind, shapes)


def _write_layer(layer: Layer, path: Path, crs_wkt: str) -> None:
    """Add one table to the file.

    Plain arrays with masks rather than a frame: types stay as documented when a table is empty or a column blank, and
    the coordinate system is written as the grid has it, not as the nearest code.
    """
    values, kind = layer.values, layer.kind
    pyogrio.raw.write(
        path,
        geometry=layer.shapes,
        field_data=[_filled(values[column]) for column in values.columns],
        fields=list(values.columns),
        field_mask=[values[column].isna().to_numpy(dtype=bool) for column in values.columns],
        layer=layer.name,
        driver="GPKG",
        encoding="UTF-8",
        crs=crs_wkt if kind else None,
        geometry_type=kind,
        promote_to_multi=kind == "MultiPolygon",
        dataset_options=None if path.exists() else {"VERSION": "1.3"},
        layer_options={"SPATIAL_INDEX": "YES"} if kind else None,
    )


def _filled(values: "pd.Series[Any]") -> np.ndarray:
    if values.dtype == "Int64":
        return values.to_numpy(dtype="int64", na_value=0)
    return values.to_numpy()


def _geometry(name: str, frame: pd.DataFrame, crs_wkt: str) -> np.ndarray:
    if not isinstance(frame, gpd.GeoDataFrame):
        raise ValueError(f"layer {name} has no geometry")
    crs = frame.crs
    if crs is not None and not CRS.from_user_input(crs).equals(CRS.from_wkt(crs_wkt), ignore_axis_order=True):
        raise ValueError(f"layer {name} is in {crs.name}, not in the coordinate system of the study's grid")
    shapes = frame.geometry
    other = set(shapes.geom_type.dropna().unique()) - _FITTING[GEOMETRY_TYPES[name]]
    if other:
        raise ValueError(f"layer {name} is declared {GEOMETRY_TYPES[name]} but holds {', '.join(sorted(other))}")
    return np.asarray(shapely.to_wkb(shapes.to_numpy(), output_dimension=2), dtype=object)


def _explain(
    connection: sqlite3.Connection, columns: Sequence[Column], more_metadata: Sequence[tuple[str, str, str, str]]
) -> None:
    """Add meaning and unit of every column, the cautions, the versions and what else the file says of itself."""
    for definition in _DEFINITIONS:
        connection.execute(definition)
    extensions = (
        ("gpkg_data_columns", "gpkg_schema", "schema"),
        ("gpkg_data_column_constraints", "gpkg_schema", "schema"),
        ("gpkg_metadata", "gpkg_metadata", "metadata"),
        ("gpkg_metadata_reference", "gpkg_metadata", "metadata"),
    )
    connection.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')",
        [(table, extension, f"{_SPECIFICATION}#extension_{anchor}") for table, extension, anchor in extensions],
    )
    connection.executemany(
        "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)",
        [(part.table, part.column, part.column, part.title, part.description) for part in columns],
    )
    texts = (
        ("dataset", "http://purl.org/dc/terms/description", "text/plain", "\n".join(cautions())),
        ("software", "https://www.rfc-editor.org/rfc/rfc8259", "application/json", json.dumps(versions(), indent=2)),
        *more_metadata,
    )
    for number, text in enumerate(texts, start=1):
        connection.execute("INSERT INTO gpkg_metadata VALUES (?, ?, ?, ?, ?)", (number, *text))
        connection.execute(
            "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, ?, NULL)", (_DATE, number)
        )


def check_geopackage(path: Path, rows: Mapping[str, int]) -> None:
    """Refuse a file that is damaged or has lost rows, as a full disk can leave it without any error.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    rows : mapping
        Table to the rows that it must have; no other table may be listed in the file.

    Raises
    ------
    OSError
        The file is not as it should be.
    sqlite3.Error
        It cannot be read at all.
    """
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        damage = [row[0] for row in connection.execute("PRAGMA integrity_check") if row[0] != "ok"]
        if damage or connection.execute("PRAGMA foreign_key_check").fetchall():
            raise OSError(f"the GeoPackage came out damaged: {'; '.join(damage) or 'a reference leads nowhere'}")
        listed = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")}
        if listed != set(rows):
            raise OSError(f"the GeoPackage lists other tables than the plan has: {', '.join(listed ^ set(rows))}")
        for name, expected in rows.items():
            # S608: the name is one of this tool's own tables; names cannot be bound as values.
            found = connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608
            if found != expected:
                raise OSError(f"the GeoPackage holds {found} of the {expected} rows of {name}")
