"""Roads: centre lines, their names, and whether a truck may use them."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from allocator.core.crs import Bounds
from allocator.core.errors import SettingsError
from allocator.core.settings import RoadsInput
from allocator.core.study import InputRecord, Problem, Roads
from allocator.inputs.boundaries import keep_kinds
from allocator.inputs.columns import as_text
from allocator.inputs.cover import touches_box
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.projecting import project_shapes
from allocator.inputs.road_schemes import RoadScheme, read_road_scheme
from allocator.inputs.scheme_tables import plain_code
from allocator.inputs.vectors import VectorLayer, read_vector

UNNAMED = "unnamed road"


@dataclass(frozen=True)
class RoadTable:
    """Roads as read, each file in its own coordinate system.

    Parameters
    ----------
    parts : tuple
        For each file: lines, names, truck use, coordinate system.
    records : tuple of InputRecord
        The files.
    """

    parts: tuple[tuple[NDArray[np.object_], list[str], list[str], CRS], ...]
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
        A scheme without ``class_field``, or ``class_field`` without a scheme.
    """
    scheme = _scheme(setting, folder)
    columns = {key: value for key in ("class_field", "name_field") if (value := getattr(setting, key)) is not None}
    parts, records, problems = [], [], []
    for path_text in setting.paths:
        layer = read_vector(path_text, setting.layer, "roads", folder, columns=columns, near=near)
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
        if setting.scheme is not None:
            raise SettingsError(
                f"inputs.roads.scheme = {setting.scheme!r} but inputs.roads.class_field is missing: name the column "
                "with the road class."
            )
        return None
    if setting.scheme is None:
        raise SettingsError(
            f"inputs.roads.class_field = {setting.class_field!r} but inputs.roads.scheme is missing: say mtfcc, osm, "
            "or the path of a CSV (code,name,truck)."
        )
    return read_road_scheme(setting.scheme, folder)


def _part(
    layer: VectorLayer, setting: RoadsInput, scheme: RoadScheme | None
) -> tuple[tuple[NDArray[np.object_], list[str], list[str], CRS], list[Problem]]:
    frame, problems = keep_kinds(layer.frame, ("line",), layer.name)
    names = as_text(frame[setting.name_field]) if setting.name_field in frame else [""] * len(frame)
    if scheme is None or setting.class_field is None:
        truck = ["yes"] * len(frame)
    else:
        codes = as_text(frame[setting.class_field])
        folded = {code.casefold(): code for code in scheme.truck}
        known = [folded.get(plain_code(code).casefold()) for code in codes]
        truck = ["no" if code is None else scheme.truck[code] for code in known]
        names = [name or ("" if code is None else scheme.names[code]) for name, code in zip(names, known, strict=True)]
        unknown = Counter(text or "blank" for text, code in zip(codes, known, strict=True) if code is None)
        if unknown:
            listed = some_of([f"{code} ({count})" for code, count in sorted(unknown.items())], 10)
            message = (
                f"{count_of(sum(unknown.values()), 'road')} of a class that the scheme {scheme.name} does not have: "
                f"{listed}; no truck is sent there."
            )
            problems.append(Problem("warning", layer.name, message))
    names = [name or UNNAMED for name in names]
    lines, index = shapely.get_parts(frame.geometry.to_numpy(), return_index=True)
    return (lines, [names[at] for at in index], [truck[at] for at in index], frame.crs), problems


def place_roads(table: RoadTable, crs_wkt: str, wide_m: Bounds) -> tuple[Roads | None, list[Problem]]:
    """The roads near the study in the working system.

    Parameters
    ----------
    table : RoadTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Land around the properties: roads wholly outside are left out.

    Returns
    -------
    roads : Roads or None
        None where there are none.
    problems : list of Problem
        A warning where there are none, or none for a truck.
    """
    shapes = np.concatenate([project_shapes(lines, crs, crs_wkt, table.name) for lines, _, _, crs in table.parts])
    names = np.array([name for _, part, _, _ in table.parts for name in part], dtype=object)
    truck = np.array([use for _, _, part, _ in table.parts for use in part], dtype=object)
    near = touches_box(shapes, wide_m)
    if not near.any():
        message = "no roads near the properties: no sites are chosen. Check that the file covers them."
        return None, [Problem("warning", table.name, message)]
    roads = Roads(shapes[near], tuple(names[near]), tuple(truck[near]))
    if "yes" in roads.truck or "dry" in roads.truck:
        return roads, []
    message = f"none of the {count_of(len(roads.shapes), 'road line')} near the properties may be used by a truck."
    return roads, [Problem("warning", table.name, message)]
