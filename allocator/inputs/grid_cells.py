"""Cells of a raster file on the study's grid: read window by window, never whole."""

import math
import threading
from contextlib import ExitStack, nullcontext
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window as FileWindow

from allocator.core.errors import InputError
from allocator.core.grid import Grid, Window
from allocator.inputs.rasters import WHOLE_CELL, RasterFile
from allocator.inputs.remote import network, without_keys

EXACT_TOLERANCE = 1e-6
"""Warping finds each cell's place in the source to this part of a source cell; 0 is refused by the library."""
LARGEST_REAL_VALUE = 1e30
"""Larger floats are undeclared nodata marks such as 3.4e38."""


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
            with network() if self.raster.is_remote else nullcontext():
                return self._read(self._source(), window)
        except (RasterioError, MemoryError) as error:
            why = "The raster is damaged or only partly copied; copy or export it again."
            if self.raster.is_remote:
                why = "The connection may have broken: give the command again, or download the file and name its path."
            words = without_keys(str(error)) if self.raster.is_remote else str(error)
            raise InputError(f"{self.raster.name}: cells near the properties cannot be read ({words}). {why}") from None

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
            values[here] = self._band(source, 1, part)
            is_blank[here] = self._blank(source, part, values[here])
        return values, is_blank

    def _band(self, source: Any, band: int, part: FileWindow) -> NDArray[Any]:
        """Values of a part. What is warped comes in whole blocks: in the last bit it depends on where a warp begins."""
        if self.is_aligned:
            return np.asarray(source.read(band, window=part))
        rows, columns = source.block_shapes[band - 1]
        values = np.empty((part.height, part.width), source.dtypes[band - 1])
        for top in range(part.row_off // rows * rows, part.row_off + part.height, rows):
            for left in range(part.col_off // columns * columns, part.col_off + part.width, columns):
                whole = FileWindow(left, top, min(columns, source.width - left), min(rows, source.height - top))
                common = whole.intersection(part)
                values[_within(common, part)] = source.read(band, window=whole)[_within(common, whole)]
        return values

    def _blank(self, source: Any, part: FileWindow, values: NDArray[Any]) -> NDArray[np.bool_]:
        if not self.is_aligned and not self.is_smooth:
            is_blank = self._band(source, 2, part) == 0  # the alpha band that warping adds
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


def _within(inner: FileWindow, outer: FileWindow) -> tuple[slice, slice]:
    row, column = inner.row_off - outer.row_off, inner.col_off - outer.col_off
    return slice(row, row + inner.height), slice(column, column + inner.width)


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
