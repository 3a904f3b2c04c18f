"""The habitat score as a picture that lies right on a map in spherical Mercator."""

import base64
import struct
import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, SCORE_STEPS, ScoreMap

MERCATOR = "EPSG:3857"
MOST_PIXELS = 1_600
"""Longest side of the picture."""
RAMP = ("#f2e7bf", "#c6cb8f", "#8aab78", "#4b7f69", "#123f47")
"""Colours of scores 0, 0.25, 0.5, 0.75 and 1: ever darker, so that they keep their order without any colour."""
CLEAR = 0
"""Palette number of cells without a score; the others are 1 (score 0) to 255 (score 1)."""


@dataclass(frozen=True, slots=True)
class Overlay:
    """A picture and where its corners lie.

    Parameters
    ----------
    uri : str
        PNG as a data URI.
    bounds : tuple of float
        West, south, east, north in degrees.
    """

    uri: str
    bounds: tuple[float, float, float, float]


def score_overlay(score: ScoreMap) -> Overlay | None:
    """The score as a picture, at most ``MOST_PIXELS`` a side, clear where there is no score.

    Parameters
    ----------
    score : ScoreMap
        The score of every cell.

    Returns
    -------
    Overlay or None
        None when the grid has no cells.
    """
    if score.score.size == 0:
        return None
    cells_a_side = -(-max(score.score.shape) // MOST_PIXELS)
    shades = shrink(score.score, cells_a_side)
    west, south, east, north = _mercator_bounds(score.grid)
    pixel_m = max(east - west, north - south) / max(shades.shape)
    shape = max(1, round((north - south) / pixel_m)), max(1, round((east - west) / pixel_m))
    picture = np.append(shades, np.uint8(CLEAR))[_blocks_under(score.grid, cells_a_side, shape)]
    longitude, latitude = transform_points(np.array([west, east]), np.array([south, north]), MERCATOR, GEOGRAPHIC)
    corners = (float(longitude[0]), float(latitude[0]), float(longitude[1]), float(latitude[1]))
    return Overlay("data:image/png;base64," + base64.b64encode(png(picture, palette())).decode("ascii"), corners)


def shrink(score: NDArray[np.uint16], cells_a_side: int) -> NDArray[np.uint8]:
    """Palette numbers of square blocks of cells: the mean of the cells that have a score.

    Parameters
    ----------
    score : array of uint16
        Ten-thousandths; 65535 blank.
    cells_a_side : int
        Side of a block; blocks at the south and east edge may be smaller.

    Returns
    -------
    array of uint8
        0 where no cell of a block has a score, else 1 (score 0) to 255 (score 1).

    Examples
    --------
    >>> shrink(np.array([[0, 10000, 65535], [65535, 5000, 65535]], np.uint16), 2)
    array([[128,   0]], dtype=uint8)
    """
    rows, columns = (-(-side // cells_a_side) for side in score.shape)
    shades = np.zeros((rows, columns), np.uint8)
    for row in range(rows):
        band = score[row * cells_a_side : (row + 1) * cells_a_side]
        starts = np.arange(columns) * cells_a_side
        known = band != BLANK_SCORE
        total = np.add.reduceat(np.where(known, band, 0).sum(axis=0, dtype=np.int64), starts)
        count = np.add.reduceat(known.sum(axis=0, dtype=np.int64), starts)
        mean = total / np.maximum(count, 1) / SCORE_STEPS
        shades[row] = np.where(count > 0, 1 + np.rint(np.clip(mean, 0, 1) * 254), CLEAR)
    return shades


def palette() -> NDArray[np.uint8]:
    """Red, green and blue of every palette number.

    Returns
    -------
    array of uint8, shape (256, 3)
        Number 0 is never seen.
    """
    stops = np.array([[int(colour[at : at + 2], 16) for at in (1, 3, 5)] for colour in RAMP])
    where = np.linspace(0, 1, len(RAMP))
    score = np.concatenate([[0.0], np.linspace(0, 1, 255)])
    return np.column_stack([np.rint(np.interp(score, where, stops[:, band])) for band in range(3)]).astype(np.uint8)


def png(picture: NDArray[np.uint8], colours: NDArray[np.uint8]) -> bytes:
    """A picture of palette numbers as the bytes of a PNG file; number 0 is clear.

    Parameters
    ----------
    picture : array of uint8, shape (rows, columns)
        Palette numbers.
    colours : array of uint8, shape (256, 3)
        Red, green, blue of each number.

    Returns
    -------
    bytes
        The file; equal pictures give equal bytes.
    """
    rows, columns = picture.shape
    unfiltered = np.hstack([np.zeros((rows, 1), np.uint8), picture]).tobytes()
    return b"".join((
        b"\x89PNG\r\n\x1a\n",
        _chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)),
        _chunk(b"PLTE", colours.tobytes()),
        _chunk(b"tRNS", b"\x00"),
        _chunk(b"IDAT", zlib.compress(unfiltered, 6)),
        _chunk(b"IEND", b""),
    ))  # fmt: skip


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _mercator_bounds(grid: Grid) -> tuple[float, float, float, float]:
    west, south, east, north = grid.bounds_m
    along = np.linspace(0, 1, 33)
    across, up = west + along * (east - west), south + along * (north - south)
    x = np.concatenate([across, across, np.full(33, west), np.full(33, east)])
    y = np.concatenate([np.full(33, south), np.full(33, north), up, up])
    x, y = transform_points(x, y, grid.crs_wkt, MERCATOR)
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


@lru_cache(maxsize=1)
def _blocks_under(grid: Grid, cells_a_side: int, shape: tuple[int, int]) -> NDArray[np.int32]:
    """Block under the centre of every pixel, counted row by row, and -1 beside the grid; seasons share it."""
    west, south, east, north = _mercator_bounds(grid)
    rows, columns = shape
    x = west + (np.arange(columns) + 0.5) * (east - west) / columns
    y = north - (np.arange(rows) + 0.5) * (north - south) / rows
    stride = -(-grid.columns // cells_a_side)
    blocks = np.full(shape, -1, np.int32)
    for row, northing in enumerate(y):  # row by row, so that little memory is used
        x_m, y_m = transform_points(x, np.full(columns, northing), MERCATOR, grid.crs_wkt)
        across, down = grid.to_cells(x_m, y_m)
        is_inside = (across >= 0) & (across < grid.columns) & (down >= 0) & (down < grid.rows)
        below, beside = (part[is_inside].astype(np.int32) // cells_a_side for part in (down, across))
        blocks[row, is_inside] = below * stride + beside
    return blocks
