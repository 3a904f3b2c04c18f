"""Escape cover, buildings, exclusions, sightings, existing traps: shapes near the study in the working system."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Ints
from allocator.core.crs import Bounds
from allocator.core.settings import FileInput
from allocator.core.study import InputRecord, Problem
from allocator.inputs.boundaries import keep_kinds, mend_polygons
from allocator.inputs.columns import as_text
from allocator.inputs.cover import touches_box
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.projecting import project_shapes
from allocator.inputs.vectors import KINDS, read_vector, record_labels

SIGHTING_COLUMNS = ("date", "count", "kind")
TRAP_NAMES = ("id", "name")
OPTIONAL_COLUMNS = {"sightings": SIGHTING_COLUMNS, "existing_traps": TRAP_NAMES}


@dataclass(frozen=True)
class FeatureTable:
    """Features of one role as read, each file in its own coordinate system.

    Parameters
    ----------
    role : str
        Table of the study file.
    frames : tuple of GeoDataFrame
        One for each file; kinds that do not fit are gone, polygons are valid.
    records : tuple of InputRecord
        The files.
    features_in_files : int
        Records before those far away were left out.
    """

    role: str
    frames: tuple[gpd.GeoDataFrame, ...]
    records: tuple[InputRecord, ...]
    features_in_files: int

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        return input_name(self.role, self.records[0].path_name)


def read_features(
    role: str, setting: FileInput, folder: Path, near: Bounds | None, columns: Mapping[str, str] | None = None,
    optional: Sequence[str] = (),
) -> tuple[FeatureTable, list[Problem]]:  # fmt: skip
    """The features of all files of a role.

    Parameters
    ----------
    role : str
        escape_cover, soils, buildings, exclusions, sightings, existing_traps or site_decisions.
    setting : FileInput
        Its table of the study file.
    folder : Path
        Folder of the study file.
    near : tuple of float or None
        Rectangle in degrees; features wholly outside are left out.
    columns : mapping, optional
        Key of the study file to the column that every file must have.
    optional : sequence of str
        Columns taken where they exist, beside those of the role.

    Returns
    -------
    table : FeatureTable
        As read.
    problems : list of Problem
        What was repaired or left out.

    Raises
    ------
    InputError
        A file cannot be used.
    """
    optional = (*OPTIONAL_COLUMNS.get(role, ()), *optional)
    frames, records, total = [], [], 0
    problems: list[Problem] = []
    for path_text in setting.paths:
        layer = read_vector(path_text, setting.layer, role, folder, columns=columns or {}, optional=optional, near=near)
        frame, left_out = keep_kinds(layer.frame, KINDS[role], layer.name)
        frame, mended = mend_polygons(frame, layer.name)
        frames.append(frame)
        records.append(layer.record)
        total += layer.features_in_file
        problems += layer.problems + left_out + mended
    return FeatureTable(role, tuple(frames), tuple(records), total), problems


def place_features(
    table: FeatureTable, crs_wkt: str, wide_m: Bounds, otherwise: str
) -> tuple[NDArray[np.object_] | None, list[Problem]]:
    """The shapes of a role near the study.

    Parameters
    ----------
    table : FeatureTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Shapes wholly outside are left out.
    otherwise : str
        What it means for the plan that there are none.

    Returns
    -------
    shapes : array of shapely shapes or None
        None where nothing lies there.
    problems : list of Problem
        A warning where the file holds features but none near.
    """
    shapes, _, problems = near_shapes(table, crs_wkt, wide_m, otherwise)
    return shapes, problems


def near_shapes(
    table: FeatureTable, crs_wkt: str, wide_m: Bounds, otherwise: str
) -> tuple[NDArray[np.object_] | None, Ints, list[Problem]]:
    """The shapes of a role near the study, and which records they come from.

    Parameters
    ----------
    table : FeatureTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Shapes wholly outside are left out.
    otherwise : str
        What it means for the plan that there are none.

    Returns
    -------
    shapes : array of shapely shapes or None
        None where nothing lies there.
    index : array of int64
        Place of each among the records of all files.
    problems : list of Problem
        A warning where the file holds features but none near.
    """
    shapes = np.concatenate(
        [project_shapes(frame.geometry.to_numpy(), frame.crs, crs_wkt, table.name) for frame in table.frames]
    )
    index = np.flatnonzero(touches_box(shapes, wide_m))
    if len(index):
        return _valid(shapes[index]), index, []
    if not table.features_in_files:
        return None, index, []
    message = f"none of its {count_of(table.features_in_files, 'feature')} lies near the properties: {otherwise}"
    return None, index, [Problem("warning", table.name, message)]


def _valid(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    broken = np.flatnonzero(~shapely.is_valid(shapes) & np.isin(shapely.get_type_id(shapes), (3, 6)))
    if not len(broken):
        return shapes
    mended = shapes.copy()
    mended[broken] = shapely.buffer(shapely.make_valid(mended[broken]), 0)
    return mended


def place_sightings(table: FeatureTable, crs_wkt: str, wide_m: Bounds) -> tuple[pd.DataFrame, list[Problem]]:
    """The sightings near the study as a table.

    Parameters
    ----------
    table : FeatureTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Points outside are left out.

    Returns
    -------
    sightings : pandas.DataFrame
        Columns x_m, y_m in the working system; date, count, kind as text, empty where unknown.
    problems : list of Problem
        How many were left out.
    """
    parts = []
    for frame in table.frames:
        single = frame.explode(index_parts=False)
        points = project_shapes(single.geometry.to_numpy(), single.crs, crs_wkt, table.name)
        texts = {name: as_text(single[name]) if name in single else [""] * len(single) for name in SIGHTING_COLUMNS}
        parts.append(pd.DataFrame({"x_m": shapely.get_x(points), "y_m": shapely.get_y(points), **texts}))
    everything = pd.concat(parts, ignore_index=True)
    west, south, east, north = wide_m
    inside = everything["x_m"].between(west, east) & everything["y_m"].between(south, north)
    far = max(table.features_in_files - int(inside.sum()), 0)
    problems = []
    if far:
        message = f"{count_of(far, 'sighting')} left out: not near the properties, or without a place."
        problems.append(Problem("note", table.name, message))
    return everything[inside].reset_index(drop=True), problems


def place_existing_traps(
    table: FeatureTable, crs_wkt: str, wide_m: Bounds
) -> tuple[NDArray[np.object_] | None, list[Problem]]:
    """The traps already in place near the study as single points.

    Parameters
    ----------
    table : FeatureTable
        As read, far ones too.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Traps outside are left out.

    Returns
    -------
    traps : array of shapely points or None
        In the working system, in file order; None where there are none.
    problems : list of Problem
        Which were left out.
    """
    single = tuple(frame.explode(index_parts=False) for frame in table.frames)
    traps, index, problems = near_shapes(
        replace(table, frames=single), crs_wkt, wide_m, "no habitat counts as served by a trap in place."
    )
    labels = [label for frame in single for label in _trap_labels(frame)]
    far = [labels[at] for at in np.setdiff1d(np.arange(len(labels)), index)]
    if len(index) and far:
        message = f"{count_of(len(far), 'trap')} left out, not near the properties: {some_of(far)}."
        problems.append(Problem("note", table.name, message))
    return traps, problems


def _trap_labels(frame: gpd.GeoDataFrame) -> list[str]:
    return record_labels(frame, next((column for column in TRAP_NAMES if column in frame), None))
