"""Property boundaries: ids, names and who has signed, one shape for each property."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from allocator.core.crs import GEOGRAPHIC, Bounds
from allocator.core.errors import InputError
from allocator.core.settings import PropertiesInput
from allocator.core.study import InputRecord, Problem, Properties
from allocator.core.units import acres
from allocator.inputs.boundaries import clean_polygons, polygons_from_tracks
from allocator.inputs.columns import as_text
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.meaning import ACRES_COLUMNS, doubts_about_acres
from allocator.inputs.projecting import bounds_of_boxes, project_shapes
from allocator.inputs.vectors import read_vector

SIGNED = {"yes", "y", "true", "t", "1", "signed", "enrolled", "x"}
NOT_SIGNED = {"no", "n", "false", "f", "0", "not signed", "unsigned", "not enrolled"}
MOST_NAMED = 5


@dataclass(frozen=True)
class PropertyTable:
    """Properties in the coordinate system of their file, sorted by id.

    Parameters
    ----------
    ids, names : tuple of str
        Unique ids, and names to show.
    enrolled : array of bool
        Whether the owner has signed.
    shapes : array of shapely polygons
        Valid.
    crs : CRS
        Their system.
    records : tuple of InputRecord
        The files.
    """

    ids: tuple[str, ...]
    names: tuple[str, ...]
    enrolled: NDArray[np.bool_]
    shapes: NDArray[np.object_]
    crs: CRS
    records: tuple[InputRecord, ...]

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        return input_name("properties", self.records[0].path_name)

    @cached_property
    def degrees(self) -> Bounds:
        """Bounds in longitude and latitude."""
        geographic = CRS.from_user_input(GEOGRAPHIC).to_wkt()
        return bounds_of_boxes(shapely.bounds(self.shapes), self.crs, geographic, self.name)

    def projected(self, crs_wkt: str) -> Properties:
        """The properties in the working system.

        Parameters
        ----------
        crs_wkt : str
            Working system.

        Returns
        -------
        Properties
            Sorted by id.
        """
        shapes = project_shapes(self.shapes, self.crs, crs_wkt, self.name)
        # Projecting may move two vertices onto each other; the area does not change measurably.
        broken = np.flatnonzero(~shapely.is_valid(shapes)) if shapes is not self.shapes else []
        if len(broken):
            shapes = shapes.copy()
            shapes[broken] = shapely.buffer(shapely.make_valid(shapes[broken]), 0)
        return Properties(self.ids, self.names, self.enrolled, shapes)


def read_properties(
    setting: PropertiesInput, folder: Path, *, repair_limit: float = 1.0
) -> tuple[PropertyTable, list[Problem]]:
    """The property boundaries, cleaned, one record for each id.

    Parameters
    ----------
    setting : PropertiesInput
        ``[inputs.properties]``.
    folder : Path
        Folder of the study file.
    repair_limit : float
        Largest share of a file's acres that mending broken boundaries may change; 1: any.

    Returns
    -------
    table : PropertyTable
        In the system of the file.
    problems : list of Problem
        What was repaired, merged or left out.

    Raises
    ------
    InputError
        A file cannot be used, mending changes too many acres, an id is blank, or a value of the enrolled column is not
        clear.
    """
    columns = {key: column for key in ("id", "name", "enrolled") if (column := getattr(setting, key)) is not None}
    stated = [column for column in ACRES_COLUMNS if column not in {taken.casefold() for taken in columns.values()}]
    problems: list[Problem] = []
    frames: list[gpd.GeoDataFrame] = []
    records = []
    for path_text in setting.paths:
        layer = read_vector(path_text, setting.layer, "properties", folder, columns=columns, optional=stated)
        frame, found = layer.frame, list(layer.problems)
        if path_text.casefold().endswith(".gpx"):
            frame, closed = polygons_from_tracks(frame, layer.name)
            found += closed
        frame, cleaned = clean_polygons(frame, layer.name, setting.id, repair_limit=repair_limit)
        if frames:
            frame = frame.set_geometry(
                gpd.GeoSeries(project_shapes(frame.geometry.to_numpy(), frame.crs, frames[0].crs.to_wkt(), layer.name),
                              index=frame.index, crs=frames[0].crs)
            )  # fmt: skip
        frames.append(frame)
        records.append(layer.record)
        problems += found + cleaned + doubts_about_acres(frame, layer.name)
    name = input_name("properties", records[0].path_name)
    rows = _Rows.of(frames, setting, name)
    problems += rows.problems
    merged, more = _one_per_id(rows, name)
    return PropertyTable(*merged, crs=frames[0].crs, records=tuple(records)), problems + more


@dataclass
class _Rows:
    """Records of all files, columns as lists."""

    ids: list[str]
    names: list[str]
    enrolled: list[bool]
    shapes: NDArray[np.object_]
    has_ids: bool
    problems: list[Problem]

    @classmethod
    def of(cls, frames: Sequence[gpd.GeoDataFrame], setting: PropertiesInput, name: str) -> "_Rows":
        problems: list[Problem] = []
        numbers = [int(number) for frame in frames for number in frame.index]
        shapes = np.concatenate([frame.geometry.to_numpy() for frame in frames])
        has_ids = setting.id is not None and all(setting.id in frame for frame in frames)
        if has_ids:
            ids = [text for frame in frames for text in as_text(frame[setting.id])]
        else:
            count = len(shapes)
            order = numbers if len(frames) == 1 else range(1, count + 1)
            width = len(str(max(order, default=1)))
            ids = [f"{number:0{width}d}" for number in order]
            problems.append(
                Problem("warning", name, f"no id column: {count_of(count, 'record')} numbered by row. "
                        'Set id = "..." so that ids stay the same when the file changes.')
            )  # fmt: skip
        blank = [f"record {number}" for number, text in zip(numbers, ids, strict=True) if not text]
        if blank:
            raise InputError(
                f"{name}: the id column {setting.id!r} is blank in {count_of(len(blank), 'record')}: {some_of(blank)}. "
                "Give every property an id."
            )
        names = _names(frames, setting, ids)
        enrolled, found = _enrolled(frames, setting, ids, name)
        return cls(ids, names, enrolled, shapes, has_ids, problems + found)


def _names(frames: Sequence[gpd.GeoDataFrame], setting: PropertiesInput, ids: Sequence[str]) -> list[str]:
    if setting.name is None or any(setting.name not in frame for frame in frames):
        return list(ids)
    names = [text for frame in frames for text in as_text(frame[setting.name])]
    return [text or one for text, one in zip(names, ids, strict=True)]


def _enrolled(
    frames: Sequence[gpd.GeoDataFrame], setting: PropertiesInput, ids: Sequence[str], name: str
) -> tuple[list[bool], list[Problem]]:
    if setting.enrolled is None:
        return [True] * len(ids), []
    texts = [text.casefold() for frame in frames for text in as_text(frame[setting.enrolled])]
    odd = [
        f"{one} ({text!r})" for one, text in zip(ids, texts, strict=True) if text and text not in SIGNED | NOT_SIGNED
    ]
    if odd:
        raise InputError(
            f"{name}: column {setting.enrolled!r} holds values that are neither yes nor no in "
            f"{count_of(len(odd), 'record')}: {some_of(odd, MOST_NAMED)}. Expected yes or no (y, n, true, false, 1, 0, "
            "signed)."
        )
    blank = [one for one, text in zip(ids, texts, strict=True) if not text]
    problems = []
    if blank:
        message = f"column {setting.enrolled!r} is blank for {some_of(blank, MOST_NAMED)}: counted as not enrolled."
        problems.append(Problem("note", name, message))
    return [text in SIGNED for text in texts], problems


Merged = tuple[tuple[str, ...], tuple[str, ...], NDArray[np.bool_], NDArray[np.object_]]


def _one_per_id(rows: _Rows, name: str) -> tuple[Merged, list[Problem]]:
    """Exact duplicates dropped, several records of one id merged, sorted by id."""
    # Only shapes with the same box can be the same.
    in_doubt = pd.DataFrame(shapely.bounds(rows.shapes)).duplicated(keep=False).to_numpy()
    if not in_doubt.any() and len(set(rows.ids)) == len(rows.ids):
        order = sorted(range(len(rows.ids)), key=rows.ids.__getitem__)
        ids, names = (tuple(column[row] for row in order) for column in (rows.ids, rows.names))
        return (ids, names, np.array(rows.enrolled, bool)[order], rows.shapes[order]), []
    keys = np.arange(len(rows.shapes)).astype(object)
    keys[in_doubt] = shapely.to_wkb(shapely.normalize(rows.shapes[in_doubt]))
    groups: dict[str, list[int]] = {}
    seen: set[tuple[str, bytes | int]] = set()
    doubled: list[str] = []
    for row, (one, key) in enumerate(zip(rows.ids, keys, strict=True)):
        # Without ids of their own, two records of the same shape are one property drawn twice.
        mark = (one if rows.has_ids else "", key)
        if mark in seen:
            doubled.append(one)
            continue
        seen.add(mark)
        groups.setdefault(one, []).append(row)
    problems = []
    if doubled:
        message = (
            f"{count_of(len(doubled), 'exact duplicate')} left out, so that no acre counts twice: {some_of(doubled)}."
        )
        problems.append(Problem("warning", name, message))
    several = [one for one, members in groups.items() if len(members) > 1]
    if several:
        message = (
            f"{count_of(len(several), 'id')} with several records, each merged into one property: {some_of(several)}."
        )
        problems.append(Problem("note", name, message))
    unclear = [one for one in several if len({rows.enrolled[row] for row in groups[one]}) > 1]
    if unclear:
        raise InputError(
            f"{name}: the records of one id say both enrolled and not: {some_of(unclear)}. Make them agree."
        )
    ids = sorted(groups)
    firsts = [groups[one][0] for one in ids]
    shapes = rows.shapes[firsts].copy()
    for at, one in enumerate(ids):
        if len(groups[one]) > 1:
            shapes[at] = shapely.union_all(rows.shapes[groups[one]])
    enrolled = np.array([rows.enrolled[row] for row in firsts], dtype=bool)
    return (tuple(ids), tuple(rows.names[row] for row in firsts), enrolled, shapes), problems


def overlaps_between(properties: Properties, name: str) -> list[Problem]:
    """A warning where properties overlap.

    Parameters
    ----------
    properties : Properties
        In an equal-area system in metres.
    name : str
        Name of the input.

    Returns
    -------
    list of Problem
        At most one: pairs, acres in all, the largest pairs.
    """
    found = properties.overlaps
    left, right, area_m2 = found.left, found.right, found.area_m2
    if not len(left):
        return []
    order = np.lexsort((right, left, -np.round(area_m2, 3)))
    pairs = [
        f"{properties.ids[left[at]]} and {properties.ids[right[at]]} ({acres(area_m2[at]):,.2f} acres)" for at in order
    ]
    message = (
        f"{count_of(len(pairs), 'pair')} of properties overlap, {acres(float(area_m2.sum())):,.2f} acres in all: "
        f"{some_of(pairs, 3)}. Totals count shared ground once; check the boundaries."
    )
    return [Problem("warning", name, message)]
