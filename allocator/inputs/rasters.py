"""Raster files on the cells of the study's grid: read window by window, never whole."""

import math
import threading
import warnings
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import CRSError as RasterioCRSError
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window as FileWindow

from allocator.core.crs import Bounds, describe
from allocator.core.errors import CrsError, InputError
from allocator.core.grid import Grid, Window
from allocator.core.study import InputRecord, Problem
from allocator.inputs.files import find_file, sha256_of, zip_members
from allocator.inputs.findings import input_name, some_of
from allocator.inputs.guards import MOST_BLOCK_BYTES, refuse_impossible_raster

RASTER_SUFFIXES = (".tif", ".tiff", ".img", ".vrt", ".asc", ".bil", ".flt", ".nc", ".jp2", ".dem", ".hgt", ".adf")
OPENING_FAULTS = (RasterioError, RasterioCRSError, UnicodeError)
EXACT_TOLERANCE = 1e-6
"""Warping finds each cell's place in the source to this part of a source cell; 0 is refused by the library."""
LARGEST_REAL_VALUE = 1e30
"""Larger floats are undeclared nodata marks such as 3.4e38."""
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
            With the hash of each file.
        """
        if self.sheets:
            return tuple(record for one in self.sheets for record in one.records(one.width * one.height))
        return (InputRecord(self.role, self.path.name, describe(self.crs_wkt), cells, sha256_of(self.path)),)


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
        File, or a zip that holds one raster; relative to the folder.
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
    path, _ = find_file(path_text, role, folder)
    name = input_name(role, path.name)
    dataset = str(path)
    if path.suffix.casefold() == ".zip":
        rasters = [member for member in zip_members(path, name) if _has_raster_suffix(member)]
        if len(rasters) != 1:
            raise InputError(f"{name}: the zip holds {len(rasters)} rasters ({some_of(rasters)}); one is expected.")
        dataset = f"/vsizip/{path.as_posix()}/{rasters[0]}"
    try:
        # A file without a place makes the library warn; the message below says it better.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.open(dataset) as source:
                return _described(source, path, dataset, role)
    except OPENING_FAULTS as error:
        raise InputError(
            f"{name}: the raster cannot be read ({error}). Expected GeoTIFF or another GIS raster; it may be damaged."
        ) from None


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


class GridCells:
    """Values of a raster's first band on the cells of a grid.

    Where the raster's own cells are the grid's, they are read as they are; otherwise the raster is warped onto
    the grid. Each thread opens the file for itself, because datasets cannot be shared between threads.

    Parameters
    ----------
    raster : RasterFile
        The file.
    grid : Grid
        The study's grid.
    is_smooth : bool
        Whether warping interpolates (heights) or takes the nearest cell (classes).
    halo_cells : int
        How far around the grid a warped raster gives values.
    """

    def __init__(self, raster: RasterFile, grid: Grid, *, is_smooth: bool, halo_cells: int) -> None:
        self.raster = raster
        self.grid = grid
        self.is_smooth = is_smooth
        self.halo_cells = halo_cells
        self._offset = offset_in(raster, grid)
        self._start()

    def _start(self) -> None:
        self._mine = threading.local()
        self._lock = threading.Lock()
        self._open: list[ExitStack] = []

    def __getstate__(self) -> dict[str, Any]:
        private = ("_mine", "_lock", "_open")
        return {key: value for key, value in self.__dict__.items() if key not in private}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._start()

    @property
    def is_aligned(self) -> bool:
        """Whether the grid's cells are the raster's own."""
        return self._offset is not None

    def close(self) -> None:
        """Close the file in every thread; the next read opens it again."""
        with self._lock:
            stacks, self._open = self._open, []
            self._mine = threading.local()
        for stack in stacks:
            stack.close()

    def read(self, window: Window) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Values of a window and where they are blank.

        Parameters
        ----------
        window : Window
            Part of the grid, or around it.

        Returns
        -------
        values : array, shape (window.rows, window.columns)
            In the file's type (float32 where warped smoothly); meaningless where blank.
        is_blank : array of bool, same shape
            True for nodata, NaN and cells outside the file.

        Raises
        ------
        InputError
            The file is damaged there.
        """
        try:
            return self._read(self._source(), window)
        except (RasterioError, MemoryError) as error:
            raise InputError(
                f"{self.raster.name}: cells near the properties cannot be read ({error}). The raster is damaged or "
                "only partly copied; copy or export it again."
            ) from None

    def _read(self, source: Any, window: Window) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        if self._offset is not None:
            row, column = window.row + self._offset[0], window.column + self._offset[1]
        else:
            row, column = window.row + self.halo_cells, window.column + self.halo_cells
        top, left = max(row, 0), max(column, 0)
        bottom, right = min(row + window.rows, source.height), min(column + window.columns, source.width)
        dtype = np.dtype(source.dtypes[0])
        values = np.zeros(window.shape, dtype=dtype)
        is_blank = np.ones(window.shape, dtype=bool)
        if top < bottom and left < right:
            here = np.s_[top - row : bottom - row, left - column : right - column]
            part = FileWindow(left, top, right - left, bottom - top)
            values[here] = source.read(1, window=part)
            is_blank[here] = self._blank(source, part, values[here])
        return values, is_blank

    def _blank(self, source: Any, part: FileWindow, values: NDArray[Any]) -> NDArray[np.bool_]:
        if not self.is_aligned and not self.is_smooth:
            is_blank = source.read(2, window=part) == 0  # the alpha band that warping adds
        elif self.is_aligned and self.raster.nodata is not None and math.isfinite(self.raster.nodata):
            is_blank = values == self.raster.nodata
        else:
            is_blank = np.zeros(values.shape, dtype=bool)
        if values.dtype.kind == "f":
            is_blank = is_blank | ~(np.abs(values) < LARGEST_REAL_VALUE)
        return np.asarray(is_blank)

    def _source(self) -> Any:
        source = getattr(self._mine, "source", None)
        if source is None:
            with ExitStack() as stack:
                # Not entered as contexts: that would tie closing to the thread that opened.
                source = rasterio.open(self.raster.dataset)
                stack.callback(source.close)
                if not self.is_aligned:
                    source = self._warped(source)
                    stack.callback(source.close)
                self._mine.source = source
                with self._lock:
                    self._open.append(stack.pop_all())
        return source

    def _warped(self, source: Any) -> WarpedVRT:
        grid, halo = self.grid, self.halo_cells
        cell = grid.cell_m
        place = Affine(cell, 0.0, grid.west_m - halo * cell, 0.0, -cell, grid.north_m + halo * cell)
        shape = {"width": grid.columns + 2 * halo, "height": grid.rows + 2 * halo}
        target = rasterio.crs.CRS.from_wkt(grid.crs_wkt)
        if self.is_smooth:
            # Whole-number heights must be interpolated as floats, and blanks need a mark of their own: NaN.
            how = {"resampling": Resampling.bilinear, "dtype": "float32", "src_nodata": source.nodata, "nodata": np.nan}
        else:
            how = {"resampling": Resampling.nearest, "add_alpha": True}
        return WarpedVRT(source, crs=target, transform=place, tolerance=EXACT_TOLERANCE, **shape, **how)


def offset_in(raster: RasterFile, grid: Grid) -> tuple[int, int] | None:
    """Where the grid's first cell lies among the raster's cells.

    Parameters
    ----------
    raster : RasterFile
        The file.
    grid : Grid
        The study's grid.

    Returns
    -------
    tuple of int or None
        Row and column; None where the grid's cells are not cells of the raster.
    """
    a, _, west, _, _, north = raster.transform
    if not raster.is_north_up_square or abs(a - grid.cell_m) > 1e-9 * a:
        return None
    if not CRS.from_wkt(raster.crs_wkt).equals(CRS.from_wkt(grid.crs_wkt), ignore_axis_order=True):
        return None
    row, column = (north - grid.north_m) / a, (grid.west_m - west) / a
    if abs(row - round(row)) > WHOLE_CELL or abs(column - round(column)) > WHOLE_CELL:
        return None
    return round(row), round(column)
