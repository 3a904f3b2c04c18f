"""What elevation says of a cell: its slope, and its height above the nearest water."""

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Bools
from allocator.grid.distance import ALL, Part, SquaredCells, nearest_marked

Metres = NDArray[np.float32]


def slope(elevation_m: Metres, cell_m: float) -> NDArray[np.float32]:
    """Slope of the ground as a fraction: 0.08 rises 8 m in 100 m.

    Parameters
    ----------
    elevation_m : array, shape (rows, columns)
        Heights in metres; NaN blank.
    cell_m : float
        Side of a cell.

    Returns
    -------
    array of float32, shape (rows, columns)
        NaN at the rim and next to blank cells.

    Notes
    -----
    Horn, B.K.P. (1981), Hill shading and the reflectance map, Proc. IEEE 69(1):14-47: differences over the 3 by 3
    neighbourhood, the middle row and column counted twice.

    Examples
    --------
    >>> plane = np.arange(5, dtype="f4")[None, :] * np.ones((5, 1), "f4")
    >>> float(slope(plane, 10.0)[2, 2])
    0.10000000149011612
    """
    out = np.full(elevation_m.shape, np.nan, np.float32)
    if min(elevation_m.shape) < 3:
        return out
    z = elevation_m
    across = z[:, 2:] - z[:, :-2]
    down = z[2:, :] - z[:-2, :]
    east = across[:-2] + 2 * across[1:-1] + across[2:]
    south = down[:, :-2] + 2 * down[:, 1:-1] + down[:, 2:]
    out[1:-1, 1:-1] = np.sqrt(east * east + south * south) / np.float32(8 * cell_m)
    # A blank middle cell does not enter the differences.
    out[np.isnan(z)] = np.nan
    return out


def height_above_water(
    elevation_m: Metres, water: Bools, squared: SquaredCells, most_cells: int, part: Part = ALL
) -> NDArray[np.float32]:
    """Height of each cell above its nearest water cell, in metres.

    Parameters
    ----------
    elevation_m : array of float32, shape (rows, columns)
        Heights in metres; NaN blank.
    water : array of bool, shape (rows, columns)
        Water cells.
    squared : array of int32, shape of the part
        Squared distance to water in cells.
    most_cells : int
        Water further than this is out of reach.
    part : tuple of slice
        Rows and columns to give back; absent: all.

    Returns
    -------
    array of float32, shape of the part
        NaN where either elevation is blank; infinite where no water lies within reach (high ground, as far as is
        known).
    """
    here = elevation_m[part]
    if not water.any():
        return np.where(np.isnan(here), np.float32(np.nan), np.float32(np.inf))
    rows, columns = nearest_marked(water, part)
    height = here - elevation_m[rows, columns]
    far = squared > most_cells * most_cells
    height[far] = np.where(np.isnan(here[far]), np.nan, np.inf)
    return height
