"""Several rasters that count as one: neighbouring sheets read through one list, never copied into a mosaic."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from pyproj import CRS
from rasterio.dtypes import dtype_rev, typename_fwd

from allocator.core.errors import CrsError, InputError
from allocator.core.study import Problem
from allocator.inputs.guards import refuse_impossible_raster
from allocator.inputs.rasters import WHOLE_CELL, RasterFile, open_raster

WIDER = {"uint8": "int16", "int8": "int16", "uint16": "int32", "int16": "int32"}
"""Type that has room for a mark of blank ground where the sheets have none, or not the same."""


def open_rasters(paths: Sequence[str], role: str, folder: Path) -> tuple[RasterFile, list[Problem]]:
    """What the headers of one raster, or of several sheets that make one, say.

    Parameters
    ----------
    paths : sequence of str
        Files as the study names them.
    role : str
        Table of the study file.
    folder : Path
        Folder of the study file.

    Returns
    -------
    raster : RasterFile
        One raster; of several sheets it spans all, its ``sheets`` are the files, and where two overlap the later one
        counts. Ground between sheets is blank.
    problems : list of Problem
        Notes and warnings of all.

    Raises
    ------
    InputError
        A file cannot be used.
    CrsError
        The sheets have not all the same coordinate system, cell size and lattice.
    """
    sheets, problems = [], []
    for path in paths:
        sheet, found = open_raster(path, role, folder)
        sheets.append(sheet)
        problems += found
    if len(sheets) == 1:
        return sheets[0], problems
    for sheet in sheets:
        _check_lattice(sheet, sheets[0])
    raster = _joined(sheets)
    refuse_impossible_raster(raster.name, CRS.from_wkt(raster.crs_wkt), raster.bounds)
    return raster, problems


def _check_lattice(sheet: RasterFile, first: RasterFile) -> None:
    """Refuse a sheet whose cells are not cells of the first one, continued."""
    cell, _, west, _, _, north = first.transform
    if not sheet.is_north_up_square or abs(sheet.transform[0] - cell) > 1e-9 * cell:
        raise CrsError(
            f"{sheet.name}: cells of {sheet.transform[0]:g} where {first.path.name} has {cell:g}, or turned. Sheets "
            "that count as one raster need the same cells; save it on the cells of the first."
        )
    if not CRS.from_wkt(sheet.crs_wkt).equals(CRS.from_wkt(first.crs_wkt), ignore_axis_order=True):
        raise CrsError(
            f"{sheet.name}: another coordinate system than {first.path.name}. Sheets that count as one raster need the "
            "same one; save it in the system of the first."
        )
    off = ((sheet.transform[2] - west) / cell, (north - sheet.transform[5]) / cell)
    if max(abs(one - round(one)) for one in off) > WHOLE_CELL * max(map(abs, (*off, 1.0))):
        raise CrsError(
            f"{sheet.name}: its cells are shifted against those of {first.path.name} by part of a cell. Save it on the "
            "cells of the first."
        )


def _joined(sheets: Sequence[RasterFile]) -> RasterFile:
    cell = sheets[0].transform[0]
    west, north = min(one.bounds[0] for one in sheets), max(one.bounds[3] for one in sheets)
    east, south = max(one.bounds[2] for one in sheets), min(one.bounds[1] for one in sheets)
    kind, blank = _type_and_blank(sheets)
    whole = replace(
        sheets[0], transform=(cell, 0.0, west, 0.0, -cell, north), width=round((east - west) / cell),
        height=round((north - south) / cell), dtype=kind, nodata=blank, sheets=tuple(sheets),
    )  # fmt: skip
    return replace(whole, dataset=_listed(whole))


def _type_and_blank(sheets: Sequence[RasterFile]) -> tuple[str, float]:
    """A type that holds the values of all sheets, and a value that is blank in none of their data."""
    kind = np.result_type(*(one.dtype for one in sheets))
    declared = {one.nodata for one in sheets}
    if kind.kind == "f":
        return str(kind), float("nan")
    if len(declared) == 1 and (blank := declared.pop()) is not None:
        return str(kind), float(blank)
    if str(kind) not in WIDER:
        raise InputError(
            f"{sheets[0].name}: sheets of {kind} with different nodata values, or none. Give all the same nodata value."
        )
    wide = WIDER[str(kind)]
    return wide, float(np.iinfo(wide).min)


def _listed(whole: RasterFile) -> str:
    """The sheets as the raster library's own description of a virtual raster (GDAL, "VRT file format")."""
    cell, _, west, _, _, north = whole.transform
    sources = []
    for sheet in whole.sheets:
        column, row = round((sheet.transform[2] - west) / cell), round((north - sheet.transform[5]) / cell)
        size = f'xSize="{sheet.width}" ySize="{sheet.height}"'
        blank = "" if sheet.nodata is None else f"<NODATA>{sheet.nodata!r}</NODATA>"
        sources.append(
            f'<ComplexSource><SourceFilename relativeToVRT="0">{escape(sheet.dataset)}</SourceFilename>'
            f'<SourceBand>1</SourceBand><SrcRect xOff="0" yOff="0" {size}/>'
            f'<DstRect xOff="{column}" yOff="{row}" {size}/>'
            f"{blank}</ComplexSource>"
        )
    kind = typename_fwd[dtype_rev[whole.dtype]]
    return (
        f'<VRTDataset rasterXSize="{whole.width}" rasterYSize="{whole.height}"><SRS>{escape(whole.crs_wkt)}</SRS>'
        f"<GeoTransform>{west!r},{cell!r},0,{north!r},0,{-cell!r}</GeoTransform>"
        f'<VRTRasterBand dataType="{kind}" band="1"><NoDataValue>{whole.nodata!r}</NoDataValue>'
        f"{''.join(sources)}</VRTRasterBand></VRTDataset>"
    )
