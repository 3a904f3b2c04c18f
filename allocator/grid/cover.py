"""Land cover and water of a window of cells."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools
from allocator.core.grid import Window
from allocator.core.study import BLANK_CLASS, PolygonCover, Study
from allocator.grid.edges import Edges, line_edges, polygon_edges
from allocator.grid.shares import cells_touched, shares_of


@dataclass(frozen=True)
class CoverSource:
    """Land cover and water shapes of a study, ready to be put on the cells of any window.

    Parameters
    ----------
    study : Study
        Where they come from.
    cover_edges : Edges or None
        Edges of land-cover polygons; None for a raster.
    rims : Edges or None
        Lines and rims of water shapes; None where no shapes are given.
    surfaces : Edges or None
        Water polygons.
    """

    study: Study
    cover_edges: Edges | None
    rims: Edges | None
    surfaces: Edges | None

    def cover(self, window: Window) -> NDArray[np.uint8]:
        """Position of each cell's class in the study's classes.

        Parameters
        ----------
        window : Window
            Part of the grid or around it.

        Returns
        -------
        array of uint8, shape (window.rows, window.columns)
            255 where the land cover is blank. Polygons count where they hold the cell's centre; of two that overlap,
            the later in the file.
        """
        source = self.study.cover
        if not isinstance(source, PolygonCover):
            return np.asarray(source.read(window), np.uint8)
        assert self.cover_edges is not None
        held = shares_of(self.cover_edges, window, "centre")
        last = np.full(window.rows * window.columns, -1, np.int64)
        np.maximum.at(last, held.cell, held.owner)
        positions = np.append(source.class_positions, np.uint8(BLANK_CLASS))
        return positions[last].reshape(window.shape)

    def is_water(self, window: Window, cover: NDArray[np.uint8]) -> Bools:
        """Cells that a water shape touches or whose class is water.

        Parameters
        ----------
        window : Window
            Part of the grid or around it.
        cover : array of uint8, shape (window.rows, window.columns)
            Class positions of the same window.

        Returns
        -------
        array of bool, shape (window.rows, window.columns)
            True where there is water.
        """
        table = np.zeros(256, bool)
        table[[position for position, cover_class in enumerate(self.study.classes) if cover_class.is_water]] = True
        wet: Bools = table[cover]
        if self.rims is not None:
            wet |= cells_touched(self.rims, window)
        if self.surfaces is not None:
            wet.ravel()[shares_of(self.surfaces, window).cell] = True
        return wet


def cover_source(study: Study) -> CoverSource:
    """Land cover and water of a study, with their edges worked out once.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    CoverSource
        Reads any window.
    """
    cover, water = study.cover, study.water
    edges = polygon_edges(cover.shapes, study.grid) if isinstance(cover, PolygonCover) else None
    if water is None or not len(water):
        return CoverSource(study, edges, None, None)
    surfaces = water[np.isin(shapely.get_type_id(water), (3, 6))]
    return CoverSource(
        study,
        edges,
        rims=line_edges(water, study.grid),
        surfaces=polygon_edges(surfaces, study.grid) if len(surfaces) else None,
    )
