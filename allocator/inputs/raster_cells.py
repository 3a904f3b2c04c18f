"""Readers that the computation calls: classes, heights and canopy on the study's cells, and the codes in them."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.errors import InputError
from allocator.core.grid import Window
from allocator.core.study import BLANK_CLASS
from allocator.core.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.schemes import LARGE_TABLE, Scheme

CELLS_AT_ONCE = 4_000_000
ROWS_OF_BLOCKS = 512
METRES_PER_UNIT = {"m": 1.0, "ft": METRES_PER_FOOT, "us_ft": METRES_PER_US_SURVEY_FOOT}
HIGHEST_GROUND_M = 1e5
"""No height on Earth comes near; larger values are nodata that the file does not declare."""


class CoverCells:
    """Class positions of a land-cover raster.

    Parameters
    ----------
    cells : GridCells
        The raster on the grid.
    scheme : Scheme
        Its classes.
    """

    def __init__(self, cells: GridCells, scheme: Scheme) -> None:
        self.cells = cells
        self._table = scheme.raster_table()

    def read(self, window: Window) -> NDArray[np.generic]:
        """Class positions of a window.

        Parameters
        ----------
        window : Window
            Part of the grid, or around it.

        Returns
        -------
        array of uint8, shape (window.rows, window.columns)
            255 where blank, outside the file, or where the scheme does not know the code.
        """
        values, is_blank = self.cells.read(window)
        if values.dtype == np.uint8:
            positions = self._table[:256][values]
        else:
            if values.dtype.kind == "f":
                values = np.rint(np.where(is_blank, 0, values))
            is_blank = is_blank | (values < 0) | (values >= LARGE_TABLE)
            positions = self._table[np.where(is_blank, 0, values).astype(np.int64)]
        positions[is_blank] = BLANK_CLASS
        return np.asarray(positions)

    def close(self) -> None:
        """Close the file."""
        self.cells.close()


class ElevationCells:
    """Heights in metres of an elevation raster.

    Parameters
    ----------
    cells : GridCells
        The raster on the grid.
    vertical_unit : str
        m, ft or us_ft.
    """

    def __init__(self, cells: GridCells, vertical_unit: str) -> None:
        self.cells = cells
        self.metres_per_unit = METRES_PER_UNIT[vertical_unit]

    def read(self, window: Window) -> NDArray[np.generic]:
        """Heights of a window.

        Parameters
        ----------
        window : Window
            Part of the grid, or around it.

        Returns
        -------
        array of float32, shape (window.rows, window.columns)
            Metres; NaN where blank or outside the file.
        """
        values, is_blank = self.cells.read(window)
        heights = np.where(is_blank, np.nan, values).astype(np.float32)
        heights[~(np.abs(heights) < HIGHEST_GROUND_M)] = np.nan
        return np.asarray(heights * np.float32(self.metres_per_unit))

    def close(self) -> None:
        """Close the file."""
        self.cells.close()


class CanopyCells:
    """Tree canopy in percent.

    Parameters
    ----------
    cells : GridCells
        The raster on the grid.
    """

    def __init__(self, cells: GridCells) -> None:
        self.cells = cells

    def read(self, window: Window) -> NDArray[np.generic]:
        """Canopy of a window.

        Parameters
        ----------
        window : Window
            Part of the grid, or around it.

        Returns
        -------
        array of float32, shape (window.rows, window.columns)
            0 to 100; NaN where blank, outside the file, or not a percent (such as 254 and 255, which mean no data).
        """
        values, is_blank = self.cells.read(window)
        percent = np.where(is_blank, np.nan, values).astype(np.float32)
        percent[~((percent >= 0) & (percent <= 100))] = np.nan
        return np.asarray(percent)

    def close(self) -> None:
        """Close the file."""
        self.cells.close()


@dataclass(frozen=True)
class CodesFound:
    """Which codes a land-cover raster holds around the study.

    Parameters
    ----------
    counts : dict
        Code to number of cells.
    blank : int
        Cells without a value.
    """

    counts: dict[int, int]
    blank: int

    @property
    def cells(self) -> int:
        """All cells looked at."""
        return self.blank + sum(self.counts.values())


def codes_found(cells: GridCells, window: Window) -> CodesFound:
    """Count the codes of a window, block by block.

    Parameters
    ----------
    cells : GridCells
        The raster on the grid.
    window : Window
        Part of the grid, or around it; cells outside the file are not counted.

    Returns
    -------
    CodesFound
        Codes in ascending order.

    Raises
    ------
    InputError
        Values are not whole numbers.
    """
    counts: Counter[int] = Counter()
    blank = 0
    rows_at_once = max(CELLS_AT_ONCE // max(window.columns, 1) // ROWS_OF_BLOCKS, 1) * ROWS_OF_BLOCKS
    for row in range(window.row, window.row + window.rows, rows_at_once):
        rows = min(rows_at_once, window.row + window.rows - row)
        values, is_blank = cells.read(Window(row, window.column, rows, window.columns))
        known = values[~is_blank]
        blank += int(is_blank.sum())
        counts.update(_count(known, cells.raster.name))
    return CodesFound(dict(sorted(counts.items())), blank)


def _count(values: NDArray[Any], name: str) -> dict[int, int]:
    if values.dtype.kind == "f":
        whole = np.rint(values)
        odd = values[np.abs(values - whole) > 1e-6]
        if len(odd):
            raise InputError(
                f"{name}: {len(odd):,} cells hold values that are not whole numbers, such as {float(odd[0]):g}. "
                "Land cover needs class codes; perhaps the raster was smoothed when it was reprojected "
                "(use nearest neighbour) or is another kind of map."
            )
        values = whole.astype(np.int64)
    if values.dtype == np.uint8 and len(values):
        # Counts are kept as float32, which is exact for so few cells at once; bincount would widen every cell first.
        found = cv2.calcHist([values], [0], None, [256], [0, 256]).ravel()
        return {int(code): int(found[code]) for code in np.flatnonzero(found)}
    if values.dtype == np.uint16:
        found = np.bincount(values)
        return {int(code): int(found[code]) for code in np.flatnonzero(found)}
    codes, found = np.unique(values, return_counts=True)
    return {int(code): int(count) for code, count in zip(codes, found, strict=True)}
