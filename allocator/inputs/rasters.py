"""Raster files: what their headers say."""

import math
import warnings
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import ColorInterp
from rasterio.errors import CRSError as RasterioCRSError
from rasterio.errors import RasterioError

from allocator.core.crs import Bounds, describe
from allocator.core.errors import CrsError, InputError
from allocator.core.study import InputRecord, Problem
from allocator.inputs.files import find_file, sha256_of, zip_members
from allocator.inputs.findings import input_name, some_of
from allocator.inputs.guards import MOST_BLOCK_BYTES, refuse_impossible_raster
from allocator.inputs.remote import PREFIX, is_remote, network, remote_dataset, without_keys

RASTER_SUFFIXES = (".tif", ".tiff", ".img", ".vrt", ".asc", ".bil", ".flt", ".nc", ".jp2", ".dem", ".hgt", ".adf")
OPENING_FAULTS = (RasterioError, RasterioCRSError, UnicodeError)
WHOLE_CELL = 1e-6


@dataclass(frozen=True)
class RasterFile:
    """A raster and what its header says.

    Parameters
    ----------
    path : Path
        The file, or the zip that holds it.
    dataset : str
        How the raster library opens it.
    role : str
        Table of the study file.
    crs_wkt : str
        Coordinate system.
    transform : tuple of six floats
        Column and row to coordinates: a, b, c, d, e, f.
    width, height : int
        Columns and rows.
    dtype : str
        Type of the values.
    nodata : float or None
        Value that means blank, where declared.
    sheets : tuple of RasterFile
        The files, where several make this one; ``path`` is then the first of them.
    """

    path: Path
    dataset: str
    role: str
    crs_wkt: str
    transform: tuple[float, float, float, float, float, float]
    width: int
    height: int
    dtype: str
    nodata: float | None
    sheets: tuple["RasterFile", ...] = ()

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        more = f" and {len(self.sheets) - 1} more" if self.sheets else ""
        return input_name(self.role, f"{self.path.name}{more}")

    @property
    def is_remote(self) -> bool:
        """Whether any of it is read over the network."""
        return PREFIX in self.dataset

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north in its own system, also where it is rotated."""
        a, b, c, d, e, f = self.transform
        corners = [(col, row) for col in (0, self.width) for row in (0, self.height)]
        x = [a * col + b * row + c for col, row in corners]
        y = [d * col + e * row + f for col, row in corners]
        return min(x), min(y), max(x), max(y)

    @property
    def is_north_up_square(self) -> bool:
        """Whether rows run south and columns east, with square cells."""
        a, b, _, d, e, _ = self.transform
        return b == 0 and d == 0 and a > 0 > e and abs(a + e) <= 1e-9 * a

    def records(self, cells: int) -> tuple[InputRecord, ...]:
        """The files as they were used.

        Parameters
        ----------
        cells : int
            Cells read; of each of several sheets its own are told.

        Returns
        -------
        tuple of InputRecord
            With the hash of each file; blank where it is read over the network, for that would take all of it.
        """
        if self.sheets:
            return tuple(record for one in self.sheets for record in one.records(one.width * one.height))
        digest = "" if self.is_remote else sha256_of(self.path)
        return (InputRecord(self.role, self.path.name, describe(self.crs_wkt), cells, digest),)


def is_raster(path: Path) -> bool:
    """Whether a file is read as a raster.

    Parameters
    ----------
    path : Path
        An existing file.

    Returns
    -------
    bool
        From the extension; a zip or GeoPackage may hold either and is looked into.

    Raises
    ------
    InputError
        A zip that cannot be trusted.
    """
    suffix = path.suffix.casefold()
    if suffix == ".zip":
        return any(_has_raster_suffix(member) for member in zip_members(path, input_name("land_cover", path.name)))
    if suffix == ".gpkg":
        try:
            with rasterio.open(path):
                return True
        except OPENING_FAULTS:
            return False
    return _has_raster_suffix(path.name)


def _has_raster_suffix(file_name: str) -> bool:
    return PurePosixPath(file_name).suffix.casefold() in RASTER_SUFFIXES


def open_raster(path_text: str, role: str, folder: Path) -> tuple[RasterFile, list[Problem]]:
    """What the header of a raster says.

    Parameters
    ----------
    path_text : str
        File, or a zip that holds one raster; relative to the folder. Or the address of a GeoTIFF.
    role : str
        Table of the study file.
    folder : Path
        Folder of the study file.

    Returns
    -------
    raster : RasterFile
        The file.
    problems : list of Problem
        Notes.

    Raises
    ------
    InputError
        The file is missing, empty, unreadable, or a picture.
    CrsError
        It has no coordinate system or no place.
    """
    if is_remote(path_text):
        return _open_remote(path_text, role)
    path, _ = find_file(path_text, role, folder)
    name = input_name(role, path.name)
    dataset = str(path)
    if path.suffix.casefold() == ".zip":
        rasters = [member for member in zip_members(path, name) if _has_raster_suffix(member)]
        if len(rasters) != 1:
            raise InputError(f"{name}: the zip holds {len(rasters)} rasters ({some_of(rasters)}); one is expected.")
        dataset = f"/vsizip/{path.as_posix()}/{rasters[0]}"
    try:
        return _header(dataset, path, role)
    except OPENING_FAULTS as error:
        raise InputError(
            f"{name}: the raster cannot be read ({error}). Expected GeoTIFF or another GIS raster; it may be damaged."
        ) from None


def _open_remote(address: str, role: str) -> tuple[RasterFile, list[Problem]]:
    file_name, dataset = remote_dataset(address, role)
    name = input_name(role, file_name.name)
    try:
        with network():
            raster, problems = _header(dataset, Path(file_name), role)
    except OPENING_FAULTS as error:
        raise InputError(
            f"{name}: the raster cannot be read over the network ({without_keys(str(error))}). Check the address and "
            "the connection, or download the file and name its path."
        ) from None
    message = "read over the network: no hash of it is kept, and it may change under the same address."
    return raster, [*problems, Problem("note", name, message)]


def _header(dataset: str, path: Path, role: str) -> tuple[RasterFile, list[Problem]]:
    # A file without a place makes the library warn; the messages say it better.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(dataset) as source:
            return _described(source, path, dataset, role)


def _described(source: Any, path: Path, dataset: str, role: str) -> tuple[RasterFile, list[Problem]]:
    name = input_name(role, path.name)
    transform = source.transform
    if source.crs is None:
        raise CrsError(
            f"{name}: the raster has no coordinate reference system (CRS), so nobody can say where it lies. "
            "Find out its projection, set it in a GIS and save the raster again."
        )
    if transform == Affine.identity() or transform.determinant == 0:
        raise CrsError(f"{name}: the raster is not placed on the map (no geotransform). Georeference it first.")
    try:
        crs = CRS.from_wkt(source.crs.to_wkt())
    except (CRSError, RasterioCRSError):
        raise CrsError(
            f"{name}: its coordinate reference system (CRS) cannot be understood. Set it in a GIS and save it again."
        ) from None
    colours = set(source.colorinterp)
    if {ColorInterp.red, ColorInterp.green, ColorInterp.blue} <= colours:
        raise InputError(f"{name}: this is a picture (red, green, blue bands), not values. Use the original raster.")
    block_bytes = math.prod(source.block_shapes[0]) * np.dtype(source.dtypes[0]).itemsize
    if block_bytes > MOST_BLOCK_BYTES:
        raise InputError(
            f"{name}: {source.width:,} x {source.height:,} cells in blocks of {block_bytes / 1e6:,.0f} MB, at most "
            f"{MOST_BLOCK_BYTES / 1e6:,.0f} MB can be read at once. Save it as a tiled GeoTIFF."
        )
    problems = []
    if source.count > 1:
        problems.append(Problem("warning", name, f"the raster has {source.count} bands; the first one is used."))
    raster = RasterFile(
        path=path, dataset=dataset, role=role, crs_wkt=str(crs.to_wkt()),
        transform=(transform.a, transform.b, transform.c, transform.d, transform.e, transform.f),
        width=source.width, height=source.height, dtype=source.dtypes[0], nodata=source.nodata,
    )  # fmt: skip
    refuse_impossible_raster(name, crs, raster.bounds)
    return raster, problems
