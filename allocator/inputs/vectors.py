"""Vector files become tables of shapes with a known coordinate system; what was wrong is reported."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from pyogrio.errors import GeometryError as ReadGeometryError
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from allocator.core.crs import GEOGRAPHIC, Bounds, describe
from allocator.core.errors import CrsError, GeometryError, InputError
from allocator.core.study import InputRecord, Problem
from allocator.inputs.columns import SHAPEFILE_NAME_LENGTH, as_text, find_column
from allocator.inputs.csv_points import coordinate_columns, points_of_table
from allocator.inputs.csv_text import doubts_about_text
from allocator.inputs.files import find_file, sha256_of
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.guards import refuse_endless_shapes, refuse_impossible_places
from allocator.inputs.layers import Kind, Layer, choose_layers, list_layers, reader_message
from allocator.inputs.parquet import is_parquet, parquet_fields, read_parquet
from allocator.inputs.shapefiles import missing_parts, text_encoding

KINDS: dict[str, tuple[Kind, ...]] = {
    "properties": ("polygon",),
    "land_cover": ("polygon",),
    "water": ("polygon", "line"),
    "roads": ("line",),
    "escape_cover": ("polygon",),
    "soils": ("polygon",),
    "buildings": ("polygon", "point"),
    "exclusions": ("polygon",),
    "sightings": ("point",),
    "existing_traps": ("point",),
    "site_decisions": ("point",),
}
MAY_BE_EMPTY = tuple(role for role in KINDS if role not in ("properties", "land_cover"))
USUAL_LAYERS = {"site_decisions": "sites"}
"""Layer meant where several fit and none is named: a plan holds its sites beside its candidates."""
LINE_TYPES = (1, 5)
WITHOUT_TABLE = ("id", "name", "name_field")
"""Columns that a shapefile without its .dbf can do without; records are numbered instead."""
IGNORED_WARNINGS = ("Measured (M) geometry", "driver supports", "Non closed ring", "organizePolygons", "column names",
                    "invalid value encountered")  # fmt: skip


@dataclass(frozen=True)
class VectorLayer:
    """A layer as read: shapes in their own coordinate system.

    Parameters
    ----------
    frame : GeoDataFrame
        Columns under the names of the study file; index: record number, from 1. No record lacks a shape.
    record : InputRecord
        The file.
    problems : list of Problem
        What was repaired or ignored.
    features_in_file : int
        Records before any were left out because they lie far away.
    file_bounds : tuple of float
        West, south, east, north of the records read, or of the whole file where none lies near; in its own system.
    """

    frame: gpd.GeoDataFrame
    record: InputRecord
    problems: list[Problem]
    features_in_file: int
    file_bounds: Bounds

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        return input_name(self.record.role, self.record.path_name)


def read_vector(
    path_text: str,
    layer: str | None,
    role: str,
    folder: Path,
    *,
    columns: Mapping[str, str] | None = None,
    optional: Sequence[str] = (),
    near: Bounds | None = None,
) -> VectorLayer:
    """One vector input.

    Parameters
    ----------
    path_text : str
        ``FILE`` or ``FILE:LAYER``, relative to the folder.
    layer : str or None
        Layer named apart.
    role : str
        Table of the study file; decides which geometry fits.
    folder : Path
        Folder of the study file.
    columns : mapping, optional
        Setting to the column that it names; every one must exist.
    optional : sequence of str
        Columns taken where they exist, whatever their case, in a shapefile also cut to ten letters. In a table without
        shapes the columns that give its points are not taken.
    near : tuple of float, optional
        West, south, east, north in degrees: records wholly outside are left out.

    Returns
    -------
    VectorLayer
        Shapes in the file's own coordinate system, heights dropped.

    Raises
    ------
    InputError
        The file is missing, empty, unreadable, or its layer is not clear.
    CrsError
        No coordinate system, or coordinates that cannot be in it.
    GeometryError
        A required input has no shapes.
    MissingColumnError
        A column is missing.
    """
    path, split = find_file(path_text, role, folder)
    wanted = layer or split
    file_name = f"{path.name}:{wanted}" if wanted else path.name
    name = input_name(role, file_name)
    layers, usual = list_layers(path, name), USUAL_LAYERS.get(role)
    chosen = choose_layers(layers, wanted, KINDS[role], path=path, name=name, usual=usual, role=role)
    reading = _Reading(name, role, columns or {}, optional, near)
    parts = [reading.read(one) for one in chosen]
    frame = _one_frame([part for part, _ in parts])
    total = sum(count for _, count in parts)
    if total == 0 and role not in MAY_BE_EMPTY:
        raise GeometryError(f"{name}: the layer is empty (0 features). Check the layer and any filter of the export.")
    if total == 0:
        reading.problems.append(Problem("warning", name, "the layer is empty (0 features); it is left out."))
    refuse_endless_shapes(name, frame.geometry.to_numpy())
    frame = _drop_missing_shapes(frame, reading)
    if len(frame):  # again, for a record whose place is no number hid the bounds of the others
        reading.check_coordinates(frame.crs, frame.total_bounds)
    crs = describe(frame.crs.to_wkt())
    record = InputRecord(role, file_name, crs, len(frame), sha256_of(path))
    return VectorLayer(frame, record, reading.problems, total, reading.file_bounds)


@dataclass
class _Reading:
    """How layers of one input are read; gathers problems."""

    name: str
    role: str
    columns: Mapping[str, str]
    optional: Sequence[str]
    near: Bounds | None

    def __post_init__(self) -> None:
        self.problems: list[Problem] = []
        self.file_bounds: Bounds = (float("nan"),) * 4

    def read(self, layer: Layer) -> tuple[gpd.GeoDataFrame, int]:
        """Frame near the study, and how many features the layer holds in all."""
        if layer.shapefile is not None:
            self.problems += missing_parts(layer.shapefile, self.name)
        self.problems += doubts_about_text(layer.dataset, self.name)
        try:
            with layer.opened() as dataset, warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always")
                frame, total = self._read_dataset(dataset, layer)
        except (DataSourceError, DataLayerError, FeatureError, ReadGeometryError, UnicodeError) as error:
            raise InputError(f"{self.name}: the file cannot be read. {reader_message(error)}") from None
        told = dict.fromkeys(str(warning.message) for warning in caught)
        self.problems += [Problem("note", self.name, f"the reader says: {text}") for text in list(told)[:3]
                          if not any(word in text for word in IGNORED_WARNINGS)]  # fmt: skip
        return frame, total

    def _read_dataset(self, dataset: str, layer: Layer) -> tuple[gpd.GeoDataFrame, int]:
        if is_parquet(dataset):
            return self._read_parquet(Path(dataset), layer)
        encoding = text_encoding(layer.shapefile) if layer.shapefile is not None else None
        info = pyogrio.read_info(dataset, layer=layer.name, encoding=encoding)
        names = self._names(list(info["fields"]), layer)
        if layer.kind is None:
            frame = self._table(dataset, layer, names)
            return frame, len(frame)
        crs = self._declared_crs(info, layer)
        box = _box_in(crs, self.near) if crs is not None and self.near is not None else None
        frame = self._frame(dataset, layer, encoding, box, names)
        total = int(info["features"]) if info["features"] >= 0 else len(frame)
        if crs is None:
            frame = self._as_degrees(frame)
        bounds = frame.total_bounds
        if not len(frame) and total:
            whole = pyogrio.read_info(dataset, layer=layer.name, force_total_bounds=True)["total_bounds"]
            if whole is None or not np.isfinite(whole).any():
                raise InputError(f"{self.name}: none of its {count_of(total, 'record')} has a shape. Export it again.")
            bounds = np.asarray(whole, float)
        self.check_coordinates(frame.crs, bounds)
        if np.isfinite(bounds).all():
            self.file_bounds = _bounds_of(bounds)
        return frame, total

    def _read_parquet(self, path: Path, layer: Layer) -> tuple[gpd.GeoDataFrame, int]:
        names = self._names(parquet_fields(path, self.name), layer)
        frame = read_parquet(path, list(names), self.name).rename(columns=names)
        crs = self._trusted_crs(frame.crs, layer)
        self.check_coordinates(crs, frame.total_bounds)
        self.file_bounds = _bounds_of(frame.total_bounds)
        total, box = len(frame), _box_in(crs, self.near) if self.near is not None else None
        if box is not None:
            west, south, east, north = shapely.bounds(frame.geometry.to_numpy()).T
            # Shapes without bounds stay: they are named later.
            frame = frame[~((west > box[2]) | (east < box[0]) | (south > box[3]) | (north < box[1]))]
        return frame, total

    def _names(self, fields: list[str], layer: Layer) -> dict[str, str]:
        """Columns of the file to the names of the study file."""
        has_table = layer.shapefile is None or layer.shapefile.part(".dbf") is not None
        names = {}
        for setting, column in self.columns.items():
            if has_table or setting not in WITHOUT_TABLE:
                where = f"inputs.{self.role}.{setting}"
                names[find_column(column, fields, name=self.name, setting=where)] = column
        for column in self.optional:
            wanted = column.casefold()
            found = [field for field in fields if field.casefold() == wanted]
            if not found and layer.shapefile is not None:
                found = [field for field in fields if field.casefold() == wanted[:SHAPEFILE_NAME_LENGTH]]
            if found:
                names[found[0]] = column
        return names

    def _table(self, dataset: str, layer: Layer, names: Mapping[str, str]) -> gpd.GeoDataFrame:
        table = pyogrio.read_dataframe(dataset, layer=layer.name, read_geometry=False)
        points = points_of_table(table, self.name)
        used_up = [field for field in coordinate_columns(list(table.columns)) if names.get(str(field)) in self.optional]
        kept = {field: column for field, column in names.items() if field not in used_up}
        frame = gpd.GeoDataFrame(table[list(kept)].rename(columns=kept), geometry=points, crs=GEOGRAPHIC)
        if self.near is not None:
            west, south, east, north = self.near
            frame = frame.cx[west:east, south:north]
        return frame

    def _frame(
        self, dataset: str, layer: Layer, encoding: str | None, box: Bounds | None, names: Mapping[str, str]
    ) -> gpd.GeoDataFrame:
        def load(on_invalid: str) -> gpd.GeoDataFrame:
            table = pyogrio.read_dataframe(
                dataset, layer=layer.name, columns=list(names), bbox=box, encoding=encoding, where=layer.only,
                force_2d=True, on_invalid=on_invalid,
            )  # fmt: skip
            return table if isinstance(table, gpd.GeoDataFrame) else gpd.GeoDataFrame(table, geometry=[], crs=None)

        frame = load("ignore")
        if frame.geometry.isna().any():
            mended = load("fix")
            repaired = np.flatnonzero(frame.geometry.isna().to_numpy() & mended.geometry.notna().to_numpy())
            if len(repaired):
                told = some_of([f"record {row + 1}" for row in repaired])
                self.problems.append(Problem("warning", self.name, f"broken rings were closed in {told}."))
            frame = mended
        return frame.rename(columns=dict(names))

    def _declared_crs(self, info: Mapping[str, object], layer: Layer) -> CRS | None:
        """The layer's system; None for a CSV, which has no place to say it."""
        if info["driver"] == "CSV" and not info["crs"]:
            return None
        return self._trusted_crs(info["crs"], layer)

    def _trusted_crs(self, stated: object, layer: Layer) -> CRS:
        if stated:
            try:
                crs = CRS.from_user_input(stated)
            except CRSError:
                raise CrsError(
                    f"{self.name}: its coordinate reference system (CRS) cannot be understood; it may be damaged. Set "
                    "the CRS in a GIS and export again."
                ) from None
            if crs.is_geographic or crs.is_projected or crs.is_bound or crs.is_compound:
                self._doubt_old_datum(crs)
                return crs
        part = " (no .prj file)" if layer.shapefile is not None else ""
        raise CrsError(
            f"{self.name}: the layer has no coordinate reference system (CRS){part}, so nobody can say where it lies. "
            "Ask where the data come from, set the CRS in a GIS and export again."
        )

    def _doubt_old_datum(self, crs: CRS) -> None:
        datum = crs.geodetic_crs.datum if crs.geodetic_crs is not None else None
        if datum is not None and "North American Datum 1927" in datum.name:
            self.problems.append(
                Problem("warning", self.name, "the datum is NAD27; shapes may lie about 7 m off, more in places.")
            )

    def _as_degrees(self, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        west, south, east, north = frame.total_bounds
        if np.isfinite(west) and not (west >= -180 and east <= 180 and south >= -90 and north <= 90):
            raise CrsError(
                f"{self.name}: a CSV cannot state its coordinate system (CRS) and its coordinates are no longitudes "
                f"and latitudes (x {west:.1f} to {east:.1f}). Export longitude and latitude, or use a GeoPackage."
            )
        self.problems.append(
            Problem("note", self.name, "no coordinate system stated; read as longitude and latitude (EPSG:4326).")
        )
        return frame.set_crs(GEOGRAPHIC)

    def check_coordinates(self, crs: CRS, bounds: np.ndarray) -> None:
        """Refuse coordinates that cannot be in their system; those that are no numbers pass."""
        west, south, east, north = (float(value) for value in bounds)
        refuse_impossible_places(self.name, CRS.from_user_input(crs), (west, south, east, north))
        if not np.isfinite(bounds).all() or not CRS.from_user_input(crs).is_geographic:
            return
        found = f"x {west:.6g} to {east:.6g}, y {south:.6g} to {north:.6g}"
        # Written longitude first, a place in the Americas never lies south of 60 degrees south.
        if (north > 90 or south < -60) and west >= -90 and east <= 90 and south >= -180 and north <= 180:
            raise CrsError(
                f"{self.name}: latitude and longitude look swapped ({found}). Expected longitude first, then "
                "latitude. Swap the two and export again."
            )
        if west < -180.001 or east > 360 or south < -90.001 or north > 90.001:
            raise CrsError(
                f"{self.name}: the coordinates ({found}) cannot be longitude and latitude in degrees, as the file's "
                "CRS says. They look projected (metres or feet): export in longitude and latitude, or declare the CRS."
            )


def _bounds_of(bounds: np.ndarray) -> Bounds:
    return float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3])


def _box_in(crs: CRS, near: Bounds) -> Bounds | None:
    """A box in degrees as a box in another system; None where it has no place there."""
    try:
        box = Transformer.from_crs(GEOGRAPHIC, crs, always_xy=True).transform_bounds(*near, densify_pts=21)
    except (ProjError, CRSError):
        return None
    return box if np.isfinite(box).all() and box[0] < box[2] and box[1] < box[3] else None


def _one_frame(frames: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    filled = [frame for frame in frames if len(frame)] or list(frames[:1])
    if len(filled) == 1:
        joined = filled[0].reset_index(drop=True)
    else:
        joined = gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), crs=filled[0].crs)
    joined.index = pd.RangeIndex(1, len(joined) + 1)
    return joined


def _drop_missing_shapes(frame: gpd.GeoDataFrame, reading: _Reading) -> gpd.GeoDataFrame:
    shapes = frame.geometry.to_numpy()
    points, of = shapely.get_coordinates(shapes, return_index=True)
    is_placed = np.ones(len(shapes), dtype=bool)
    is_placed[of[~np.isfinite(points).all(axis=1)]] = False
    is_missing = shapely.is_missing(shapes) | shapely.is_empty(shapes) | ~is_placed
    is_flat = (shapely.length(shapes) == 0) & np.isin(shapely.get_type_id(shapes), LINE_TYPES) & ~is_missing
    if is_flat.any():
        labels = record_labels(frame[is_flat], reading.columns.get("id"))
        message = f"{count_of(int(is_flat.sum()), 'line')} without length: {some_of(labels)}; left out."
        reading.problems.append(Problem("warning", reading.name, message))
        frame, is_missing = frame[~is_flat], is_missing[~is_flat]
    if not is_missing.any():
        return frame
    if is_missing.all():
        raise GeometryError(f"{reading.name}: none of its {count_of(len(frame), 'record')} has a geometry.")
    labels = record_labels(frame[is_missing], reading.columns.get("id"))
    message = (
        f"no geometry (null or empty) in {count_of(int(is_missing.sum()), 'record')}: {some_of(labels)}; left out."
    )
    reading.problems.append(Problem("warning", reading.name, message))
    return frame[~is_missing]


def record_labels(frame: gpd.GeoDataFrame, id_column: str | None) -> list[str]:
    """What to call records in messages: by id where there is one, else by number.

    Parameters
    ----------
    frame : GeoDataFrame
        Records; index: record number.
    id_column : str or None
        Column with the id.

    Returns
    -------
    list of str
        One for each record.
    """
    ids = as_text(frame[id_column]) if id_column is not None and id_column in frame else [""] * len(frame)
    return [one or f"record {number}" for number, one in zip(frame.index, ids, strict=True)]
