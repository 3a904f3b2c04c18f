"""Roads: centre lines, their names, and whether a truck may use them."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from allocator.core.crs import Bounds
from allocator.core.errors import SettingsError
from allocator.core.settings import RoadsInput
from allocator.core.study import InputRecord, Problem, Properties, Roads
from allocator.core.units import METRES_PER_MILE
from allocator.inputs.boundaries import keep_kinds
from allocator.inputs.columns import as_text
from allocator.inputs.cover import touches_box
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.projecting import project_shapes
from allocator.inputs.road_schemes import (
    ACCESS_KEYS,
    RoadScheme,
    TruckUse,
    read_road_scheme,
    read_tag_rules,
    tags_of_text,
    truck_use,
)
from allocator.inputs.scheme_tables import plain_code
from allocator.inputs.vectors import VectorLayer, read_vector

UNNAMED = "unnamed road"
TAGS_COLUMN = "other_tags"
"""Column in which conversions of OpenStreetMap keep the tags that have no column of their own."""
SHORTEST_M = 0.001
"""Parts of a road cut at property lines that are shorter are float noise."""


@dataclass(frozen=True)
class RoadPart:
    """The roads of one file.

    Parameters
    ----------
    lines : array of shapely lines
        In the file's coordinate system.
    names : list of str
        Name of each.
    uses : list of TruckUse
        Whether a truck may use each.
    crs : CRS
        Coordinate system.
    """

    lines: NDArray[np.object_]
    names: list[str]
    uses: list[TruckUse]
    crs: CRS


@dataclass(frozen=True)
class RoadTable:
    """Roads as read, each file in its own coordinate system.

    Parameters
    ----------
    parts : tuple of RoadPart
        The roads of each file.
    records : tuple of InputRecord
        The files.
    """

    parts: tuple[RoadPart, ...]
    records: tuple[InputRecord, ...]

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        return input_name("roads", self.records[0].path_name)


def read_roads(setting: RoadsInput, folder: Path, near: Bounds | None) -> tuple[RoadTable, list[Problem]]:
    """The roads of all files.

    Parameters
    ----------
    setting : RoadsInput
        ``[inputs.roads]``.
    folder : Path
        Folder of the study file.
    near : tuple of float or None
        Rectangle in degrees; roads wholly outside are left out.

    Returns
    -------
    table : RoadTable
        As read.
    problems : list of Problem
        What was left out or doubted.

    Raises
    ------
    InputError
        A file cannot be used.
    SettingsError
        A scheme without ``class_field``, ``class_field`` without a scheme, or a column of tags that no class uses.
    """
    scheme = _scheme(setting, folder)
    fields = ("class_field", "name_field", "tracktype_field", "access_field")
    columns = {key: value for key in fields if (value := getattr(setting, key)) is not None}
    optional = _tag_columns(setting, columns)
    parts, records, problems = [], [], []
    for path_text in setting.paths:
        layer = read_vector(path_text, setting.layer, "roads", folder, columns=columns, optional=optional, near=near)
        part, found = _part(layer, setting, scheme)
        parts.append(part)
        records.append(layer.record)
        problems += layer.problems + found
    if scheme is None:
        message = "no class_field: a truck is taken to use every road. Name the column with the road class."
        problems.append(Problem("warning", input_name("roads", records[0].path_name), message))
    return RoadTable(tuple(parts), tuple(records)), problems


def _scheme(setting: RoadsInput, folder: Path) -> RoadScheme | None:
    if setting.class_field is None:
        for key in ("scheme", "tracktype_field", "access_field"):
            if getattr(setting, key) is not None:
                raise SettingsError(
                    f"inputs.roads.{key} = {getattr(setting, key)!r} but inputs.roads.class_field is missing: name the "
                    "column with the road class."
                )
        return None
    if setting.scheme is None:
        raise SettingsError(
            f"inputs.roads.class_field = {setting.class_field!r} but inputs.roads.scheme is missing: say mtfcc, osm, "
            "or the path of a CSV (code,name,truck)."
        )
    scheme = read_road_scheme(setting.scheme, folder)
    refined = {code for code, _ in read_tag_rules().tracktype}
    if setting.tracktype_field is not None and not refined & {code.casefold() for code in scheme.truck}:
        raise SettingsError(
            f"inputs.roads.tracktype_field = {setting.tracktype_field!r} but the scheme {scheme.name} has no class "
            f"{' or '.join(sorted(refined))} that it could refine. Leave it out, or name such a class in your CSV."
        )
    return scheme


def _tag_columns(setting: RoadsInput, columns: dict[str, str]) -> tuple[str, ...]:
    """Columns of OpenStreetMap that are read where the file has them, beside those that settings name."""
    if setting.scheme != "osm":
        return ()
    taken = {column.casefold() for column in columns.values()}
    return tuple(name for name in ("tracktype", *ACCESS_KEYS, TAGS_COLUMN) if name not in taken)


def _part(layer: VectorLayer, setting: RoadsInput, scheme: RoadScheme | None) -> tuple[RoadPart, list[Problem]]:
    frame, problems = keep_kinds(layer.frame, ("line",), layer.name)
    names = as_text(frame[setting.name_field]) if setting.name_field in frame else [""] * len(frame)
    uses = [TruckUse("yes")] * len(frame)
    if scheme is not None and setting.class_field is not None:
        codes = as_text(frame[setting.class_field])
        folded = {code.casefold(): code for code in scheme.truck}
        known = [folded.get(plain_code(code).casefold()) for code in codes]
        uses, found = _uses(known, scheme, _tags(frame, setting), layer.name)
        problems += found
        names = [name or ("" if code is None else scheme.names[code]) for name, code in zip(names, known, strict=True)]
        unknown = Counter(text or "blank" for text, code in zip(codes, known, strict=True) if code is None)
        if unknown:
            message = (
                f"{count_of(sum(unknown.values()), 'road')} of a class that the scheme {scheme.name} does not have: "
                f"{_listed(unknown)}; no truck is sent there."
            )
            problems.append(Problem("warning", layer.name, message))
    names = [name or UNNAMED for name in names]
    lines, index = shapely.get_parts(frame.geometry.to_numpy(), return_index=True)
    return RoadPart(lines, [names[at] for at in index], [uses[at] for at in index], frame.crs), problems


def _listed(counts: Counter[str]) -> str:
    return some_of([f"{value} ({count})" for value, count in sorted(counts.items())], 10)


def _tags(frame: gpd.GeoDataFrame, setting: RoadsInput) -> list[dict[str, str]] | None:
    """Tags of each road; None where neither the settings nor the scheme ask for them."""
    if setting.scheme != "osm" and setting.tracktype_field is None and setting.access_field is None:
        return None
    more = as_text(frame[TAGS_COLUMN]) if TAGS_COLUMN in frame else [""] * len(frame)
    tags = [tags_of_text(text) for text in more]
    columns = {key: key for key in ACCESS_KEYS}
    columns |= {"tracktype": setting.tracktype_field or "tracktype", "access": setting.access_field or "access"}
    for key, column in columns.items():
        if column in frame and column != setting.class_field:
            for found, value in zip(tags, as_text(frame[column]), strict=True):
                found.update({key: value} if value else {})
    return tags


def _uses(
    codes: list[str | None], scheme: RoadScheme, tags: list[dict[str, str]] | None, name: str
) -> tuple[list[TruckUse], list[Problem]]:
    """Use of each road by its class, None where the scheme has no such class, and its tags."""
    closed = TruckUse("no")
    if tags is None:
        return [closed if code is None else truck_use(scheme.truck[code]) for code in codes], []
    rules = read_tag_rules()
    uses, unknown = [], Counter[str]()
    for code, found in zip(codes, tags, strict=True):
        uses.append(closed if code is None else rules.refine(code, scheme.truck[code], found))
        unknown.update([] if code is None else rules.unknown(code, found))
    if not unknown:
        return uses, []
    message = f"tags that no rule knows: {_listed(unknown)}; those roads are taken as their class says."
    return uses, [Problem("note", name, message)]


def place_roads(
    table: RoadTable, crs_wkt: str, wide_m: Bounds, properties: Properties
) -> tuple[Roads | None, list[Problem]]:
    """The roads near the study in the working system; private ones cut where enrolled land begins.

    Parameters
    ----------
    table : RoadTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Land around the properties, and on the way to the base: roads wholly outside are left out.
    properties : Properties
        In the working system: a private road is for trucks on enrolled land only.

    Returns
    -------
    roads : Roads or None
        None where there are none. Every one is yes, dry or no.
    problems : list of Problem
        A warning where there are none, or none for a truck; a note on private roads.
    """
    shapes = np.concatenate([project_shapes(one.lines, one.crs, crs_wkt, table.name) for one in table.parts])
    names = np.array([name for one in table.parts for name in one.names], dtype=object)
    uses = [use for one in table.parts for use in one.uses]
    near = np.flatnonzero(touches_box(shapes, wide_m))
    if not len(near):
        message = "no roads near the properties: no sites are chosen. Check that the file covers them."
        return None, [Problem("warning", table.name, message)]
    truck = np.array([uses[at].truck for at in near], dtype=object)
    is_private = np.array([uses[at].is_private for at in near])
    lines, of, allowed = _cut(shapes[near], is_private, properties.shapes[properties.enrolled])
    truck = np.where(allowed, truck[of], "no")
    problems = []
    if is_private.any():
        miles = shapely.length(lines) * is_private[of] / METRES_PER_MILE
        message = (
            f"{count_of(int(is_private.sum()), 'road line')} open with the owner's leave only: "
            f"{miles[allowed].sum():.1f} of {miles.sum():.1f} miles lie on enrolled land, where a truck may use them; "
            "no truck is sent to the rest."
        )
        problems.append(Problem("note", table.name, message))
    if not np.isin(truck, ("yes", "dry")).any():
        message = f"none of the {count_of(len(near), 'road line')} near the properties may be used by a truck."
        problems.append(Problem("warning", table.name, message))
    return Roads(lines, tuple(names[near][of]), tuple(truck)), problems


def _cut(
    lines: NDArray[np.object_], is_private: NDArray[np.bool_], enrolled: NDArray[np.object_]
) -> tuple[NDArray[np.object_], NDArray[np.int64], NDArray[np.bool_]]:
    """Lines, private ones cut at the rim of enrolled land; the line that each comes from; whether a truck may go."""
    public, private = np.flatnonzero(~is_private), np.flatnonzero(is_private)
    inside, outside = np.full(len(private), shapely.LineString(), object), lines[private]
    line, land = shapely.STRtree(enrolled).query(outside, "intersects")
    for at in np.unique(line):
        ground = shapely.union_all(enrolled[land[line == at]])
        inside[at], outside[at] = shapely.intersection(outside[at], ground), shapely.difference(outside[at], ground)
    shapes = np.concatenate([lines[public], shapely.line_merge(inside), shapely.line_merge(outside)])
    of = np.concatenate([public, private, private])
    allowed = np.arange(len(shapes)) < len(lines)
    parts, shape = shapely.get_parts(shapes, return_index=True)
    kept = np.flatnonzero(~is_private[of[shape]] | (shapely.length(parts) > SHORTEST_M))
    order = kept[np.argsort(of[shape[kept]], kind="stable")]
    return parts[order], of[shape[order]], allowed[shape[order]]
