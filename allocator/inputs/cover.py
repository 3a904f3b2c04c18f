"""Land cover on the study: a raster's cells or polygons, its codes checked against the scheme."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.crs import Bounds
from allocator.core.errors import InputError, MissingColumnError
from allocator.core.grid import Grid
from allocator.core.settings import CropsInput, LandCoverInput, WaterKind
from allocator.core.study import BLANK_CLASS, CoverClass, InputRecord, PolygonCover, Problem
from allocator.inputs.boundaries import clean_polygons
from allocator.inputs.columns import as_text
from allocator.inputs.cowardin import classes_of
from allocator.inputs.findings import count_of, input_name, some_of
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.projecting import project_shapes
from allocator.inputs.raster_cells import CoverCells, codes_found
from allocator.inputs.rasters import RasterFile
from allocator.inputs.schemes import Scheme, doubts_about_scheme
from allocator.inputs.vectors import read_vector

MOST_TOLD = 10
"""Records with a mistyped code that a message spells out."""
UNKNOWN_SHARE = 0.5
"""Where so much of a file has codes that its scheme lacks, the scheme is taken to be the wrong one."""


@dataclass(frozen=True)
class CoverPolygons:
    """Land-cover polygons as read, in the coordinate system of their file.

    Parameters
    ----------
    frame : GeoDataFrame
        Valid polygons; index: record number in its file, from 1.
    codes : list of str
        Class code of each, blank where the file has none.
    name : str
        Name of the input.
    records : tuple of InputRecord
        The files.
    bounds : tuple of float
        Extent of the polygons near, or of the first file where none is.
    """

    frame: gpd.GeoDataFrame
    codes: list[str]
    name: str
    records: tuple[InputRecord, ...]
    bounds: Bounds


def read_cover_polygons(
    setting: LandCoverInput, folder: Path, near: Bounds | None, *, repair_limit: float = 1.0
) -> tuple[CoverPolygons, list[Problem]]:
    """Land cover held as polygons.

    Parameters
    ----------
    setting : LandCoverInput
        ``[inputs.land_cover]``.
    folder : Path
        Folder of the study file.
    near : tuple of float or None
        Rectangle in degrees; polygons wholly outside are left out.
    repair_limit : float
        Largest share of a file's area that mending broken polygons may change; 1: any.

    Returns
    -------
    polygons : CoverPolygons
        In the system of the first file.
    problems : list of Problem
        What was repaired or left out.

    Raises
    ------
    InputError
        A file cannot be used, or ``class_field`` is not given.
    """
    if setting.class_field is None:
        raise MissingColumnError(
            f"{input_name('land_cover', setting.paths[0])}: land cover held as polygons needs "
            'class_field = "..." under [inputs.land_cover]: the column with the class code.'
        )
    problems: list[Problem] = []
    frames: list[gpd.GeoDataFrame] = []
    records: list[InputRecord] = []
    bounds: Bounds | None = None
    for path_text in setting.paths:
        columns = {"class_field": setting.class_field}
        layer = read_vector(path_text, setting.layer, "land_cover", folder, columns=columns, near=near)
        frame, cleaned = clean_polygons(layer.frame, layer.name, repair_limit=repair_limit)
        if frames:
            shapes = project_shapes(frame.geometry.to_numpy(), frame.crs, frames[0].crs.to_wkt(), layer.name)
            frame = frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frames[0].crs))
        bounds = bounds or layer.file_bounds
        frames.append(frame)
        records.append(layer.record)
        problems += layer.problems + cleaned
    codes = [text for frame in frames for text in as_text(frame[setting.class_field])]
    shapes = np.concatenate([frame.geometry.to_numpy() for frame in frames])
    # The index goes on to number the records of each file.
    numbers = np.concatenate([frame.index.to_numpy() for frame in frames])
    joined = gpd.GeoDataFrame(geometry=shapes, crs=frames[0].crs, index=numbers)
    name = input_name("land_cover", records[0].path_name)
    if len(joined):
        west, south, east, north = joined.total_bounds
        bounds = (float(west), float(south), float(east), float(north))
    return CoverPolygons(joined, codes, name, tuple(records), bounds or (0.0, 0.0, 0.0, 0.0)), problems


def place_polygons(
    polygons: CoverPolygons, scheme: Scheme, setting: LandCoverInput, *, crs_wkt: str, wide_m: Bounds
) -> tuple[PolygonCover, tuple[CoverClass, ...], list[Problem]]:
    """The polygons near the study in the working system, with their classes.

    Parameters
    ----------
    polygons : CoverPolygons
        As read.
    scheme : Scheme
        Declared scheme.
    setting : LandCoverInput
        Says what to do with unknown codes.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Properties, margin and reach: polygons wholly outside are left out.

    Returns
    -------
    cover : PolygonCover
        In file order.
    classes : tuple of CoverClass
        What its class positions point to.
    problems : list of Problem
        Codes left blank, and doubts about the scheme.

    Raises
    ------
    InputError
        Unknown codes, unless the settings say to leave them blank.
    """
    shapes = project_shapes(polygons.frame.geometry.to_numpy(), polygons.frame.crs, crs_wkt, polygons.name)
    near = touches_box(shapes, wide_m)
    shapes = shapes[near]
    broken = np.flatnonzero(~shapely.is_valid(shapes))
    if len(broken):
        shapes[broken] = shapely.buffer(shapely.make_valid(shapes[broken]), 0)
    codes = np.array(polygons.codes, dtype=object)[near]
    typing_errors = ""
    if scheme.name == "cowardin":
        records = polygons.frame.index.to_numpy()[near]
        scheme, positions, unknown, typing_errors = _wetland_positions(polygons.name, codes, records, scheme)
    else:
        positions, unknown = scheme.positions(codes)
    blank = int((codes == "").sum())
    labels, counts = np.unique(codes[codes != ""].astype(str), return_counts=True)
    found = dict(zip(labels.tolist(), counts.tolist(), strict=True))
    problems = check_codes(
        found, unknown, scheme, setting, name=polygons.name, thing="polygon", typing_errors=typing_errors
    )
    if blank:
        message = f"{count_of(blank, 'polygon')} without a class code: blank, never habitat."
        problems.append(Problem("warning", polygons.name, message))
    return PolygonCover(shapes, positions), scheme.classes, problems


def _wetland_positions(
    name: str, codes: NDArray[np.object_], records: NDArray[np.intp], scheme: Scheme
) -> tuple[Scheme, NDArray[np.uint8], dict[str, int], str]:
    """Wetland codes read part by part: classes that they need, positions, codes that are none, and why."""
    classes, place, faults = classes_of(list(dict.fromkeys(code for code in codes if code)), scheme.classes)
    if len(classes) > BLANK_CLASS:
        raise InputError(f"{name}: its codes make {len(classes)} classes; at most {BLANK_CLASS} can be used.")
    positions = np.array([place.get(code, BLANK_CLASS) for code in codes], np.uint8)
    unknown = {code: int((codes == code).sum()) for code in faults}
    told = [f"record {records[row]}: {codes[row]} {faults[codes[row]]}" for row in np.flatnonzero(
        np.isin(codes.astype(str), list(faults))
    )]  # fmt: skip
    more = f"; and {len(told) - MOST_TOLD} more" if len(told) > MOST_TOLD else ""
    return Scheme(scheme.name, classes), positions, unknown, "; ".join(told[:MOST_TOLD]) + more


def touches_box(shapes: NDArray[np.object_], box: Bounds) -> NDArray[np.bool_]:
    """Which shapes' own boxes meet a rectangle.

    Parameters
    ----------
    shapes : array of shapely shapes
        Any kind.
    box : tuple of float
        West, south, east, north.

    Returns
    -------
    array of bool
        One for each shape.
    """
    if not len(shapes):
        return np.zeros(0, dtype=bool)
    west, south, east, north = shapely.bounds(shapes).T
    return np.asarray((west <= box[2]) & (east >= box[0]) & (south <= box[3]) & (north >= box[1]))


@dataclass(frozen=True)
class RasterCover:
    """A land-cover raster on the grid.

    Parameters
    ----------
    reader : CoverCells
        Gives class positions.
    codes : dict
        Class code to number of cells, in the grid and as far around it as water matters.
    blank_inside : int
        Cells of the grid without a value.
    problems : list of Problem
        Codes left blank, doubts about the scheme.
    """

    reader: CoverCells
    codes: dict[str, int]
    blank_inside: int
    problems: list[Problem]


def place_raster(
    raster: RasterFile, scheme: Scheme, setting: LandCoverInput | CropsInput, *, grid: Grid, reach_m: float
) -> RasterCover:
    """A land-cover raster on the grid, all its codes looked at once.

    Parameters
    ----------
    raster : RasterFile
        The file.
    scheme : Scheme
        Declared scheme.
    setting : LandCoverInput
        Says what to do with unknown codes.
    grid : Grid
        The study's grid.
    reach_m : float
        How far around the grid water matters, metres.

    Returns
    -------
    RasterCover
        With problems.

    Raises
    ------
    InputError
        Nothing but blank cells, unknown codes, or values that are no codes.
    """
    halo = int(np.ceil(reach_m / grid.cell_m)) + 1
    cells = GridCells(raster, grid, is_smooth=False, halo_cells=halo)
    try:
        inside = codes_found(cells, grid.window)
        if not inside.counts:
            raise InputError(
                f"{raster.name}: every cell around the properties is nodata ({inside.blank:,} cells): the raster is "
                "empty there. Check the nodata value and which tile of the map this is."
            )
        around = codes_found(cells, grid.window.widened(halo)) if halo else inside
    finally:
        cells.close()
    codes = {str(code): count for code, count in around.counts.items()}
    _, unknown_once = scheme.positions(list(codes))
    unknown = {code: codes[code] for code in unknown_once}
    problems = check_codes(codes, unknown, scheme, setting, name=raster.name, thing="cell")
    return RasterCover(CoverCells(cells, scheme), codes, inside.blank, problems)


def check_codes(
    found: Mapping[str, int], unknown: Mapping[str, int], scheme: Scheme, setting: LandCoverInput | CropsInput, *,
    name: str, thing: str, typing_errors: str = "",
) -> list[Problem]:  # fmt: skip
    """What to say about the class codes of a file.

    Parameters
    ----------
    found : mapping
        All codes and how often each is found.
    unknown : mapping
        Those that the scheme does not have.
    scheme : Scheme
        Declared scheme.
    setting : LandCoverInput
        ``unknown_codes``: auto, refuse or blank.
    name, thing : str
        Name of the input, and what has the codes: cell or polygon.
    typing_errors : str
        Record by record, what is wrong with codes that are none; empty where nothing is known.

    Returns
    -------
    list of Problem
        Warnings.

    Raises
    ------
    InputError
        There are unknown codes and the settings refuse them; with auto: another scheme has all codes, some are typing
        errors, or at least ``UNKNOWN_SHARE`` of the file has them.
    """
    doubts = doubts_about_scheme(scheme.name, found)
    if not unknown:
        return [Problem("warning", name, doubt) for doubt in doubts]
    number = sum(unknown.values())
    listed = some_of([f"{code} ({count_of(count, thing)})" for code, count in unknown.items()], 10)
    share = number / max(sum(found.values()), 1)
    message = f"codes that are not in the scheme {scheme.name}: {listed}; {share:.2%} of all {thing}s."
    hint = " ".join(doubts) + (f" {typing_errors}." if typing_errors else "")
    is_doubtful = bool(hint) or share >= UNKNOWN_SHARE
    if setting.unknown_codes == "blank" or (setting.unknown_codes == "auto" and not is_doubtful):
        return [Problem("warning", name, f"{message} They are left blank, never habitat. {hint}".strip())]
    advice = (
        'Name the right scheme, give a CSV table with these codes (scheme = "my_classes.csv"), or set '
        'unknown_codes = "blank" to leave them out.'
    )
    raise InputError(f"{name}: {message} {hint}{' ' if hint else ''}{advice}")


def water_kinds(positions: NDArray[np.uint8], classes: Sequence[CoverClass]) -> set[WaterKind]:
    """Kinds of water among some classes.

    Parameters
    ----------
    positions : array of uint8
        Class positions; 255 blank.
    classes : sequence of CoverClass
        The scheme.

    Returns
    -------
    set of str
        permanent, seasonal, wetland.
    """
    found = {classes[at].water for at in np.unique(positions).tolist() if at != BLANK_CLASS}
    return {kind for kind in found if kind != "no"}
