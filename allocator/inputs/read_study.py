"""The border post: every file of a study read, checked and brought into one coordinate system, once.

Behind this module nothing checks an input again. An error in one input does not stop the others from being
checked: all problems are gathered, then raised together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import shapely

from allocator.core.crs import Bounds
from allocator.core.errors import InputError, SettingsError
from allocator.core.grid import Grid
from allocator.core.settings import LandCoverInput, Settings
from allocator.core.study import CellReader, InputRecord, PolygonCover, Problem, Properties, Roads, Shapes, Study
from allocator.inputs.checks import (
    blank_on_properties,
    part_outside_polygons,
    part_outside_raster,
    refuse_elsewhere,
    refuse_far_reach,
)
from allocator.inputs.cover import (
    CoverPolygons,
    has_water_class,
    place_polygons,
    place_raster,
    read_cover_polygons,
)  # fmt: skip
from allocator.inputs.features import FeatureTable, place_features, place_sightings, read_features
from allocator.inputs.files import find_file
from allocator.inputs.findings import Findings, input_name
from allocator.inputs.projecting import working_crs
from allocator.inputs.properties import PropertyTable, overlaps_between, read_properties
from allocator.inputs.raster_cells import ElevationCells
from allocator.inputs.rasters import GridCells, RasterFile, is_raster, offset_in, open_raster
from allocator.inputs.roads import RoadTable, place_roads, read_roads
from allocator.inputs.schemes import Scheme, read_scheme
from allocator.inputs.settings_file import read_settings
from allocator.inputs.study_grid import cell_m_of, chosen_cell_m, new_grid, raster_grid, warped_cell_m, widened

FEATURE_ROLES = ("water", "buildings", "exclusions", "sightings")
METRES_PER_DEGREE = 110_000.0
SPARE_M = 1_000.0
"""Read this much farther than needed, so that the box in degrees is never too small."""
LEFT_OUT = {
    "water": "it is left out.",
    "buildings": "no building setback applies.",
    "exclusions": "nothing is excluded.",
}


def read_study(path: Path | str, overrides: Sequence[str] = ()) -> Study:
    """A study, ready to plan.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    overrides : sequence of str
        ``KEY=VALUE``, over the file's values.

    Returns
    -------
    Study
        Everything in one equal-area coordinate system in metres; warnings and notes in ``problems``.

    Raises
    ------
    AllocatorError
        Every problem of every input at once: of one class where all share it, else an InputError.
    """
    findings = Findings()
    study = _read(Path(path), overrides, findings)
    findings.raise_errors()
    if study is None:  # only an error kept above leaves a study unfinished
        raise InputError(f"{path}: the study could not be read.")
    return study


def check_study(path: Path | str, overrides: Sequence[str] = ()) -> list[Problem]:
    """Every problem of a study, errors too; never raises for a user's mistake.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    overrides : sequence of str
        ``KEY=VALUE``, over the file's values.

    Returns
    -------
    list of Problem
        In the order found; empty where nothing was.
    """
    findings = Findings()
    _read(Path(path), overrides, findings)
    return list(findings.problems)


@dataclass
class _Sources:
    """What was read, each in its own coordinate system; None where absent or refused."""

    properties: PropertyTable | None = None
    scheme: Scheme | None = None
    cover: RasterFile | CoverPolygons | None = None
    roads: RoadTable | None = None
    elevation: RasterFile | None = None
    features: dict[str, FeatureTable] = field(default_factory=dict)


def _read(path: Path, overrides: Sequence[str], findings: Findings) -> Study | None:
    with findings.gathering(path.name):
        settings = read_settings(path, overrides)
        sources = _read_files(settings, path.parent, findings)
        return _place(settings, sources, findings)
    return None


def _read_files(settings: Settings, folder: Path, findings: Findings) -> _Sources:
    """Every file on its own; the properties first, so that large files are read near them only."""
    inputs, sources = settings.inputs, _Sources()
    with findings.gathering("inputs.properties"):
        sources.properties, found = read_properties(inputs.properties, folder)
        findings.extend(found)
    near = _box_to_read(settings, sources.properties.degrees) if sources.properties is not None else None
    with findings.gathering("inputs.land_cover.scheme"):
        sources.scheme = read_scheme(inputs.land_cover.scheme, folder, settings.habitat.cover)
    with findings.gathering("inputs.land_cover"):
        sources.cover = _read_cover(inputs.land_cover, folder, near, findings)
    if inputs.elevation is not None:
        with findings.gathering("inputs.elevation"):
            sources.elevation, found = open_raster(inputs.elevation.path, "elevation", folder)
            findings.extend(found)
    if inputs.roads is not None:
        with findings.gathering("inputs.roads"):
            sources.roads, found = read_roads(inputs.roads, folder, near)
            findings.extend(found)
    for role in FEATURE_ROLES:
        setting = getattr(inputs, role)
        if setting is not None:
            with findings.gathering(f"inputs.{role}"):
                table, found = read_features(role, setting, folder, near)
                findings.extend(found)
                sources.features[role] = table
    return sources


def _read_cover(
    setting: LandCoverInput, folder: Path, near: Bounds | None, findings: Findings
) -> RasterFile | CoverPolygons:
    path, _ = find_file(setting.paths[0], "land_cover", folder)
    source: RasterFile | CoverPolygons
    if not is_raster(path):
        source, found = read_cover_polygons(setting, folder, near)
    elif len(setting.paths) > 1:
        name = input_name("land_cover", path.name)
        raise SettingsError(
            f"{name}: {len(setting.paths)} rasters are listed; one is read. Make a mosaic of them first."
        )
    else:
        source, found = open_raster(setting.paths[0], "land_cover", folder)
        if setting.class_field is not None:
            message = f"class_field = {setting.class_field!r} is not used: the land cover is a raster."
            findings.add("note", source.name, message)
    findings.extend(found)
    return source


def _box_to_read(settings: Settings, degrees: Bounds) -> Bounds:
    """Rectangle in degrees that holds all land that matters to the plan."""
    far_m = _wide_m(settings) + SPARE_M
    west, south, east, north = degrees
    high = far_m / METRES_PER_DEGREE
    wide = high / max(math.cos(math.radians(min(max(abs(south), abs(north)) + high, 89.0))), 0.01)
    return west - wide, max(south - high, -90.0), east + wide, min(north + high, 90.0)


def _wide_m(settings: Settings) -> float:
    """How far beyond the properties anything can matter, metres."""
    sites = settings.sites
    near_site = max(sites.road_distance_m[1], sites.water_distance_m[1], sites.building_setback_m)
    return settings.study.margin_m + max(settings.habitat.reach_m, near_site, settings.service_radius_m)


def _place(settings: Settings, sources: _Sources, findings: Findings) -> Study | None:
    """Everything on one grid in one system; None where an error was kept on the way."""
    table, cover, scheme = sources.properties, sources.cover, sources.scheme
    if table is None:
        return None
    raster = cover if isinstance(cover, RasterFile) else None
    crs_wkt = working_crs(settings.study.crs, table.degrees, raster.crs_wkt if raster is not None else None)
    properties = table.projected(crs_wkt)
    findings.extend(overlaps_between(properties, table.name))
    wide_m = widened(_bounds(properties), _wide_m(settings))
    parts = _place_features(sources, crs_wkt, wide_m, findings)
    if cover is None or scheme is None:
        return None
    with findings.gathering(cover.name):
        placed = _place_cover(settings, sources, properties, crs_wkt, wide_m)
        findings.extend(placed.problems)
        elevation = _place_elevation(settings, sources, placed.grid, properties, findings)
        has_water = placed.has_water or parts.water is not None
        if not has_water:
            message = "no water near the properties in any input: distance to water is left out of the score."
            findings.add("warning", "inputs.water", message)
        return Study(
            settings=settings, grid=placed.grid, properties=properties, cover=placed.cover, classes=scheme.classes,
            has_water=has_water, water=parts.water, roads=parts.roads, elevation=elevation, buildings=parts.buildings,
            exclusions=parts.exclusions, sightings=parts.sightings,
            inputs=_records(sources, placed.grid), problems=findings.problems,
        )  # fmt: skip
    return None


def _bounds(properties: Properties) -> Bounds:
    west, south, east, north = shapely.total_bounds(properties.shapes)
    return float(west), float(south), float(east), float(north)


@dataclass
class _Parts:
    """Features near the study in the working system; None where there are none."""

    water: Shapes | None = None
    roads: Roads | None = None
    buildings: Shapes | None = None
    exclusions: Shapes | None = None
    sightings: pd.DataFrame | None = None


def _place_features(sources: _Sources, crs_wkt: str, wide_m: Bounds, findings: Findings) -> _Parts:
    parts = _Parts()
    for role, table in sources.features.items():
        with findings.gathering(table.name):
            if role == "sightings":
                parts.sightings, found = place_sightings(table, crs_wkt, wide_m)
            else:
                shapes, found = place_features(table, crs_wkt, wide_m, LEFT_OUT[role])
                setattr(parts, role, shapes)
            findings.extend(found)
    if sources.roads is not None:
        with findings.gathering(sources.roads.name):
            parts.roads, found = place_roads(sources.roads, crs_wkt, wide_m)
            findings.extend(found)
    return parts


@dataclass(frozen=True)
class _PlacedCover:
    """Land cover on the grid."""

    grid: Grid
    cover: CellReader | PolygonCover
    has_water: bool
    problems: list[Problem]


def _place_cover(
    settings: Settings, sources: _Sources, properties: Properties, crs_wkt: str, wide_m: Bounds
) -> _PlacedCover:
    table, cover, scheme = sources.properties, sources.cover, sources.scheme
    assert table is not None and cover is not None and scheme is not None  # the caller has looked
    setting, bounds_m = settings.inputs.land_cover, widened(_bounds(properties), settings.study.margin_m)
    if isinstance(cover, RasterFile):
        refuse_elsewhere(cover.name, cover.bounds, cover.crs_wkt, table.degrees)
        grid = _raster_cells(cover, settings.study.cell_m, crs_wkt, bounds_m, table.degrees)
        refuse_far_reach(settings.water_reach_m, grid.cell_m)
        outside = part_outside_raster(cover, properties, crs_wkt)
        raster = place_raster(cover, scheme, setting, grid=grid, reach_m=settings.water_reach_m)
        problems = outside + raster.problems
        if raster.blank_inside:
            problems += blank_on_properties(raster.reader.cells, properties)
        positions, _ = scheme.positions(list(raster.codes))
        return _PlacedCover(grid, raster.reader, has_water_class(positions, scheme), problems)
    refuse_elsewhere(cover.name, cover.bounds, cover.frame.crs.to_wkt(), table.degrees)
    polygons, problems = place_polygons(cover, scheme, setting, crs_wkt=crs_wkt, wide_m=wide_m)
    grid = new_grid(crs_wkt, bounds_m, settings.study.cell_m or chosen_cell_m(bounds_m))
    refuse_far_reach(settings.water_reach_m, grid.cell_m)
    problems += part_outside_polygons(polygons, properties, cover.name)
    return _PlacedCover(grid, polygons, has_water_class(polygons.class_positions, scheme), problems)


def _raster_cells(raster: RasterFile, cell_m: float | None, crs_wkt: str, bounds_m: Bounds, degrees: Bounds) -> Grid:
    """The raster's own cells where they can be used, else new ones of the size set or parts of its own."""
    if raster.is_north_up_square and (cell_m is None or math.isclose(cell_m, raster.transform[0], rel_tol=1e-9)):
        own = raster_grid(raster, crs_wkt, bounds_m)
        if offset_in(raster, own) is not None:
            return own
    centre = (degrees[0] + degrees[2]) / 2, (degrees[1] + degrees[3]) / 2
    return new_grid(crs_wkt, bounds_m, cell_m or warped_cell_m(cell_m_of(raster, crs_wkt, centre), bounds_m))


def _place_elevation(
    settings: Settings, sources: _Sources, grid: Grid, properties: Properties, findings: Findings
) -> ElevationCells | None:
    raster, setting = sources.elevation, settings.inputs.elevation
    if raster is None or setting is None or sources.properties is None:
        return None
    with findings.gathering(raster.name):
        refuse_elsewhere(raster.name, raster.bounds, raster.crs_wkt, sources.properties.degrees)
        findings.extend(part_outside_raster(raster, properties, grid.crs_wkt, without="no height is known there."))
        halo = math.ceil(settings.water_reach_m / grid.cell_m) + 1
        cells = GridCells(raster, grid, is_smooth=True, halo_cells=halo)
        findings.extend(blank_on_properties(cells, properties, without="no height is known there."))
        return ElevationCells(cells, setting.vertical_unit)
    return None


def _records(sources: _Sources, grid: Grid) -> tuple[InputRecord, ...]:
    """Records of all files, in the order of the study file."""
    cells = grid.rows * grid.columns
    cover, table = sources.cover, sources.properties
    records = list(table.records) if table is not None else []
    if cover is not None:
        records += [cover.record(cells)] if isinstance(cover, RasterFile) else cover.records
    water = sources.features.get("water")
    records += water.records if water is not None else ()
    records += sources.roads.records if sources.roads is not None else ()
    records += [sources.elevation.record(cells)] if sources.elevation is not None else []
    for role, features in sources.features.items():
        records += features.records if role != "water" else ()
    return tuple(records)
