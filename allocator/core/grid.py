"""Where cells lie: one value for origin, cell size, shape and coordinate system."""

from dataclasses import dataclass

from allocator.core.arrays import Bools, Floats, Ints


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of cells of a grid; it may stick out of the grid, where every cell is blank.

    Parameters
    ----------
    row, column : int
        First row (from the north) and first column (from the west).
    rows, columns : int
        Shape.
    """

    row: int
    column: int
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    def widened(self, cells: int) -> "Window":
        """The window with a halo of so many cells on each side.

        Parameters
        ----------
        cells : int
            Width of the halo.

        Returns
        -------
        Window
            The wider window.

        Examples
        --------
        >>> Window(0, 0, 10, 10).widened(2)
        Window(row=-2, column=-2, rows=14, columns=14)
        """
        return Window(self.row - cells, self.column - cells, self.rows + 2 * cells, self.columns + 2 * cells)

    @property
    def slices(self) -> tuple[slice, slice]:
        """Where the window lies in an array of the whole grid; only for windows inside it."""
        return slice(self.row, self.row + self.rows), slice(self.column, self.column + self.columns)

    def holds(self, row: Ints, column: Ints) -> Bools:
        """Which cells of the grid lie in the window.

        Parameters
        ----------
        row, column : array of int64
            Cells of the grid.

        Returns
        -------
        array of bool
            True inside.

        Examples
        --------
        >>> import numpy as np
        >>> Window(2, 2, 3, 3).holds(np.array([1, 4]), np.array([2, 4])).tolist()
        [False, True]
        """
        is_row = (row >= self.row) & (row < self.row + self.rows)
        return is_row & (column >= self.column) & (column < self.column + self.columns)


@dataclass(frozen=True, slots=True)
class Grid:
    """Square cells in an equal-area coordinate system, counted from the north-west corner.

    Parameters
    ----------
    crs_wkt : str
        Coordinate system as WKT; equal-area, in metres.
    west_m, north_m : float
        Outer corner of the first cell.
    cell_m : float
        Side of a cell.
    rows, columns : int
        Shape.
    """

    crs_wkt: str
    west_m: float
    north_m: float
    cell_m: float
    rows: int
    columns: int

    @property
    def cell_area_m2(self) -> float:
        """Area of one cell in square metres."""
        return self.cell_m * self.cell_m

    @property
    def window(self) -> Window:
        """The whole grid."""
        return Window(0, 0, self.rows, self.columns)

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north in metres."""
        south = self.north_m - self.rows * self.cell_m
        return self.west_m, south, self.west_m + self.columns * self.cell_m, self.north_m

    def to_cells(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        """Columns and rows (with fractions) of points in metres.

        Parameters
        ----------
        x_m, y_m : array
            Coordinates in the grid's system.

        Returns
        -------
        columns, rows : array
            0.0 is the outer edge of the first cell, 0.5 its centre.
        """
        return (x_m - self.west_m) / self.cell_m, (self.north_m - y_m) / self.cell_m

    def centres(self, rows: Ints | Floats, columns: Ints | Floats) -> tuple[Floats, Floats]:
        """Coordinates in metres of the centres of cells.

        Parameters
        ----------
        rows, columns : array
            Cells; a fraction lies between two centres.

        Returns
        -------
        x_m, y_m : array
            Centres in the grid's system.

        Examples
        --------
        >>> Grid("", 100.0, 200.0, 10.0, 5, 5).centres(0, 1)
        (115.0, 195.0)
        """
        return self.west_m + (columns + 0.5) * self.cell_m, self.north_m - (rows + 0.5) * self.cell_m

    def tiles(self, tile_cells: int) -> tuple[Window, ...]:
        """Windows of at most tile_cells by tile_cells that cover the grid, row by row.

        Parameters
        ----------
        tile_cells : int
            Side of a tile in cells.

        Returns
        -------
        tuple of Window
            From north-west to south-east.

        Examples
        --------
        >>> len(Grid("", 0.0, 0.0, 10.0, 5, 9).tiles(4))
        6
        """
        return tuple(
            Window(row, column, min(tile_cells, self.rows - row), min(tile_cells, self.columns - column))
            for row in range(0, self.rows, tile_cells)
            for column in range(0, self.columns, tile_cells)
        )
