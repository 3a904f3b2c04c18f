"""Rasters and land cover brought onto the study's grid, their values checked."""

import math
from dataclasses import dataclass

import numpy as np

from allocator.core.crs import Bounds
from allocator.core.errors import InputError
from allocator.core.grid import Grid, Window
from allocator.core.settings import Settings, WaterKind
from allocator.core.study import CellReader, CoverClass, Crops, PolygonCover, Properties
from allocator.inputs.checks import (
    blank_on_properties,
    part_outside_polygons,
    part_outside_raster,
    refuse_elsewhere,
    refuse_far_reach,
)
from allocator.inputs.cover import CoverPolygons, place_polygons, place_raster, water_kinds
from allocator.inputs.findings import Findings
from allocator.inputs.grid_cells import GridCells, offset_in
from allocator.inputs.properties import PropertyTable
from allocator.inputs.raster_cells import CELLS_AT_ONCE, CanopyCells, ElevationCells
from allocator.inputs.rasters import RasterFile
from allocator.inputs.schemes import Scheme
from allocator.inputs.sources import Sources
from allocator.inputs.study_grid import cell_m_of, chosen_cell_m, new_grid, raster_grid, warped_cell_m, widened


@dataclass(frozen=True)
class PlacedCover:
    """Land cover on the grid.

    Parameters
    ----------
    grid : Grid
        The cells that are scored.
    cover : CellReader or PolygonCover
        Gives positions in ``classes``.
    classes : tuple of CoverClass
        The scheme, as far as the file needs it.
    water_kinds : set of str
        Kinds of water among its classes near the study.
    """

    grid: Grid
    cover: CellReader | PolygonCover
    classes: tuple[CoverClass, ...]
    water_kinds: set[WaterKind]


def place_cover(
    settings: Settings, cover: RasterFile | CoverPolygons, scheme: Scheme, *, table: PropertyTable,
    properties: Properties, crs_wkt: str, wide_m: Bounds, findings: Findings,
) -> PlacedCover:  # fmt: skip
    """Land cover on cells of the working system.

    Parameters
    ----------
    settings : Settings
        Cell size, margin, codes.
    cover : RasterFile or CoverPolygons
        As read.
    scheme : Scheme
        Its scheme.
    table, properties : PropertyTable, Properties
        Boundaries as read and in the working system.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Land that can matter.
    findings : Findings
        Gathers warnings.

    Returns
    -------
    PlacedCover
        With the grid that follows from it.

    Raises
    ------
    InputError
        The file lies elsewhere, is blank here, or has unknown codes.
    SettingsError
        Too many cells, or too far a reach.
    """
    setting, bounds_m = settings.inputs.land_cover, widened(properties.bounds_m, settings.study.margin_m)
    if isinstance(cover, RasterFile):
        refuse_elsewhere(cover.name, cover.bounds, cover.crs_wkt, table.degrees)
        grid = _raster_cells(cover, settings.study.cell_m, crs_wkt, bounds_m, table.degrees)
        refuse_far_reach(settings.reach_m, grid.cell_m)
        findings.extend(part_outside_raster(cover, properties, crs_wkt))
        raster = place_raster(cover, scheme, setting, grid=grid, reach_m=settings.reach_m)
        findings.extend(raster.problems)
        if raster.blank_inside:
            findings.extend(blank_on_properties(raster.reader.cells, properties))
        positions, _ = scheme.positions(list(raster.codes))
        return PlacedCover(grid, raster.reader, scheme.classes, water_kinds(positions, scheme.classes))
    refuse_elsewhere(cover.name, cover.bounds, cover.frame.crs.to_wkt(), table.degrees)
    polygons, classes, problems = place_polygons(cover, scheme, setting, crs_wkt=crs_wkt, wide_m=wide_m)
    findings.extend(problems)
    grid = new_grid(crs_wkt, bounds_m, settings.study.cell_m or chosen_cell_m(bounds_m))
    refuse_far_reach(settings.reach_m, grid.cell_m)
    findings.extend(part_outside_polygons(polygons, properties, cover.name))
    return PlacedCover(grid, polygons, classes, water_kinds(polygons.class_positions, classes))


def _raster_cells(raster: RasterFile, cell_m: float | None, crs_wkt: str, bounds_m: Bounds, degrees: Bounds) -> Grid:
    """The raster's own cells where they can be used, else new ones of the size set or parts of its own."""
    if raster.is_north_up_square and (cell_m is None or math.isclose(cell_m, raster.transform[0], rel_tol=1e-9)):
        own = raster_grid(raster, crs_wkt, bounds_m)
        if offset_in(raster, own) is not None:
            return own
    centre = (degrees[0] + degrees[2]) / 2, (degrees[1] + degrees[3]) / 2
    return new_grid(crs_wkt, bounds_m, cell_m or warped_cell_m(cell_m_of(raster, crs_wkt, centre), bounds_m))


@dataclass
class PlacedRasters:
    """Elevation, canopy and crops on the grid; None where absent or refused.

    Parameters
    ----------
    elevation, canopy : CellReader or None
        Metres; percent.
    crops : Crops or None
        With their scheme.
    """

    elevation: CellReader | None = None
    canopy: CellReader | None = None
    crops: Crops | None = None


def place_rasters(
    settings: Settings, sources: Sources, grid: Grid, properties: Properties, findings: Findings
) -> PlacedRasters:
    """Elevation, canopy and crops on the study's grid.

    Parameters
    ----------
    settings : Settings
        Units and codes.
    sources : Sources
        What was read.
    grid : Grid
        The cells that are scored.
    properties : Properties
        In the working system.
    findings : Findings
        Gathers problems, errors too.

    Returns
    -------
    PlacedRasters
        Readers.
    """
    placed, inputs = PlacedRasters(), settings.inputs
    halo = math.ceil(settings.reach_m / grid.cell_m) + 1
    for role, raster in sources.rasters.items():
        with findings.gathering(raster.name):
            without = {"elevation": "no height is known there.", "canopy": "no canopy is known there."}.get(
                role, "no crops are known there."
            )
            assert sources.properties is not None
            refuse_elsewhere(raster.name, raster.bounds, raster.crs_wkt, sources.properties.degrees)
            findings.extend(part_outside_raster(raster, properties, grid.crs_wkt, without=without))
            if role == "crops":
                if inputs.crops is not None and sources.crops_scheme is not None:
                    found = place_raster(
                        raster, sources.crops_scheme, inputs.crops, grid=grid, reach_m=settings.reach_m
                    )
                    findings.extend(found.problems)
                    placed.crops = Crops(found.reader, sources.crops_scheme.classes)
                continue
            cells = GridCells(raster, grid, is_smooth=role == "elevation", halo_cells=halo)
            findings.extend(blank_on_properties(cells, properties, without=without))
            if role == "canopy":
                placed.canopy = CanopyCells(cells)
                _refuse_no_percent(cells, raster.name)
            elif inputs.elevation is not None:
                placed.elevation = ElevationCells(cells, inputs.elevation.vertical_unit)
    return placed


def _refuse_no_percent(cells: GridCells, name: str) -> None:
    """Refuse a canopy raster whose values cannot be percent: all blank or above 100, or fractions."""
    grid, most, known = cells.grid, -np.inf, 0
    rows_at_once = max(CELLS_AT_ONCE // max(grid.columns, 1), 1)
    for row in range(0, grid.rows, rows_at_once):
        percent = CanopyCells(cells).read(Window(row, 0, min(rows_at_once, grid.rows - row), grid.columns))
        inside = percent[~np.isnan(percent)]
        known += inside.size
        most = max(most, float(inside.max(initial=-np.inf)))
    cells.close()
    if not known:
        raise InputError(
            f"{name}: no cell around the properties holds a value from 0 to 100; expected percent of canopy."
        )
    if 0 < most <= 1:
        raise InputError(
            f"{name}: the highest value around the properties is {most:g}; expected percent, 0 to 100. "
            "Multiply a raster of fractions by 100."
        )
