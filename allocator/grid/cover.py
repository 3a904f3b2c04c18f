"""Land cover, water and other marked ground in a window of cells."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools, Ints, sum_by_key
from allocator.core.grid import Grid, Window
from allocator.core.study import BLANK_CLASS, CoverClass, PolygonCover, Shapes, Study
from allocator.grid.edges import WHOLE, Edges, cut_at_centres, line_edges, polygon_edges
from allocator.grid.shares import cells_touched, shares_of
from allocator.grid.targets import Target

CLASSES = BLANK_CLASS + 1
SLIVER = WHOLE >> 10
"""Pieces of a cell smaller than this are rounding."""
TINY_M = 0.01
"""Half the side of the square that stands for a point."""


@dataclass(frozen=True)
class Marks:
    """Shapes ready to mark every cell that they touch.

    Parameters
    ----------
    rims : Edges
        Lines, and rims of polygons.
    surfaces : Edges or None
        Polygons.
    """

    rims: Edges
    surfaces: Edges | None

    def paint(self, window: Window, marked: Bools) -> None:
        """Mark the cells of a window that the shapes touch.

        Parameters
        ----------
        window : Window
            Part of the grid or around it.
        marked : array of bool, shape (window.rows, window.columns)
            Changed in place; contiguous.
        """
        marked |= cells_touched(self.rims, window)
        if self.surfaces is not None:
            marked.ravel()[shares_of(self.surfaces, window).cell] = True


def marks_of(shapes: Shapes | None, grid: Grid) -> Marks | None:
    """Shapes made ready to mark cells.

    Parameters
    ----------
    shapes : array of shapely shapes or None
        Points, lines and polygons.
    grid : Grid
        The cells.

    Returns
    -------
    Marks or None
        None where there are no shapes.
    """
    if shapes is None or not len(shapes):
        return None
    kind = shapely.get_type_id(shapes)
    is_point = np.isin(kind, (0, 4))
    shapes = (
        np.where(is_point, shapely.buffer(shapes, TINY_M, cap_style="square"), shapes) if is_point.any() else shapes
    )
    surfaces = shapes[np.isin(kind, (3, 6))]
    return Marks(line_edges(shapes, grid), polygon_edges(surfaces, grid) if len(surfaces) else None)


@dataclass(frozen=True)
class Pieces:
    """Cells that hold the edge of a land-cover polygon, and what part of each is which class.

    Parameters
    ----------
    cell, position, share : array of int64
        Cell of the window, class position (255 blank) and part of the cell, in parts of ``WHOLE``; sorted by cell, then
        position.
    """

    cell: Ints
    position: Ints
    share: Ints


def positions_on_cells(edges: Edges, positions: NDArray[np.uint8], window: Window) -> NDArray[np.uint8]:
    """Which polygon's class holds the centre of each cell.

    Parameters
    ----------
    edges : Edges
        Of polygons.
    positions : array of uint8
        Class position of each polygon; 255 blank.
    window : Window
        Part of the grid or around it.

    Returns
    -------
    array of uint8, shape (window.rows, window.columns)
        255 where no polygon holds the centre; of two that overlap, the later in the file.
    """
    crossings = cut_at_centres(edges.near(window), window)
    way, at = (crossings.drop // WHOLE).astype(np.int32), (crossings.row, crossings.column)
    found = np.zeros((2, window.rows, window.columns + 1), np.int32)
    for begun, step in zip(found, (way, way * (crossings.owner + 1).astype(np.int32)), strict=True):
        np.add.at(begun, at, step)
        np.cumsum(begun, axis=1, out=begun)
    held, owner = found[:, :, :-1]
    if held.max(initial=0) > 1:  # overlaps: one polygon after the other
        shares = shares_of(edges, window, "centre")
        owner = np.zeros(window.shape, np.int32)
        np.maximum.at(owner.reshape(-1), shares.cell, shares.owner.astype(np.int32) + 1)
    return np.asarray(np.append(np.uint8(BLANK_CLASS), positions)[owner], np.uint8)


def class_table(classes: tuple[CoverClass, ...], wanted: set[int]) -> Bools:
    """A table of class positions, true for those wanted; blank is never wanted.

    Parameters
    ----------
    classes : tuple of CoverClass
        The scheme.
    wanted : set of int
        Positions.

    Returns
    -------
    array of bool, shape (256,)
        By position.
    """
    table = np.zeros(BLANK_CLASS + 1, bool)
    table[[at for at in range(len(classes)) if at in wanted]] = True
    return table


@dataclass(frozen=True)
class CoverSource:
    """Land cover and marked ground of a study, ready to be put on the cells of any window.

    Parameters
    ----------
    study : Study
        Where they come from.
    cover_edges : Edges or None
        Edges of land-cover polygons; None for a raster.
    water : mapping
        Kind of water to its shapes.
    escape, buildings : Marks or None
        None where no shapes are given.
    """

    study: Study
    cover_edges: Edges | None
    water: Mapping[str, Marks]
    escape: Marks | None
    buildings: Marks | None

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
        return positions_on_cells(self.cover_edges, source.class_positions, window)

    def pieces(self, window: Window) -> Pieces | None:
        """Cells of a window that hold the edges of land-cover polygons.

        Parameters
        ----------
        window : Window
            Part of the grid.

        Returns
        -------
        Pieces or None
            None where the land cover is a raster, or cells count by their centre.
        """
        source = self.study.cover
        if self.cover_edges is None or self.study.settings.study.property_lines == "centre":
            return None
        assert isinstance(source, PolygonCover)
        held, cells = shares_of(self.cover_edges, window), window.rows * window.columns
        # Nearly all cells lie in one polygon as a whole.
        is_whole = (np.bincount(held.cell, minlength=cells) == 1) & (np.bincount(held.cell, held.share, cells) == WHOLE)
        mixed = np.flatnonzero(~is_whole[held.cell])
        owner, cell, share = held.owner[mixed], held.cell[mixed], held.share[mixed]
        order = np.lexsort((-owner, cell))  # of two that overlap, the later takes its share first
        owner, cell, share = owner[order], cell[order], share[order]
        first = np.r_[True, cell[1:] != cell[:-1]][: len(cell)]
        before = np.cumsum(share) - share
        before -= np.maximum.accumulate(np.where(first, before, 0))
        share = np.clip(WHOLE - before, 0, share)
        key, share = sum_by_key(cell * CLASSES + source.class_positions[owner], share)
        cell = key // CLASSES
        known = np.bincount(cell, share, cells).astype(np.int64)
        # Ground that no polygon covers is a blank piece; a sliver is the rounding of a shared line.
        blank = np.flatnonzero((known > 0) & (known < WHOLE - SLIVER))
        key = np.concatenate([key, blank * CLASSES + BLANK_CLASS])
        key, share = sum_by_key(key, np.concatenate([share, WHOLE - known[blank]]))
        kept = share > SLIVER
        key, share = key[kept], share[kept]
        cell = key // CLASSES
        several = np.bincount(cell, minlength=cells)[cell] > 1
        return Pieces(cell[several], (key % CLASSES)[several], share[several])

    def marked(self, target: Target, window: Window, cover: NDArray[np.uint8]) -> Bools:
        """Cells that a target's shapes touch or whose class belongs to it.

        Parameters
        ----------
        target : Target
            What to mark.
        window : Window
            Part of the grid or around it.
        cover : array of uint8, shape (window.rows, window.columns)
            Class positions of the same window.

        Returns
        -------
        array of bool, shape (window.rows, window.columns)
            True where it is.
        """
        classes, values = self.study.classes, cover
        shapes: list[Marks | None] = []
        match target.kind:
            case "water":
                wanted = {at for at, one in enumerate(classes) if one.water in target.which}
                shapes += [self.water.get(kind) for kind in target.which]
            case "crops":
                if self.study.crops is not None:
                    classes, values = self.study.crops.classes, np.asarray(self.study.crops.cells.read(window))
                wanted = {at for at, one in enumerate(classes) if set(one.crops) & set(target.which)}
            case "developed":
                wanted = {at for at, one in enumerate(classes) if one.group == "developed"}
                shapes.append(self.buildings)
            case "escape":
                wanted = set()
                shapes.append(self.escape)
        marked: Bools = class_table(classes, wanted)[values]
        for part in shapes:
            if part is not None:
                part.paint(window, marked)
        return marked


def cover_source(study: Study) -> CoverSource:
    """Land cover and marked ground of a study, with all edges worked out once.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    CoverSource
        Reads any window.
    """
    cover, grid, water = study.cover, study.grid, {}
    if study.water is not None:
        for kind in sorted(set(study.water.kinds.tolist())):
            marks = marks_of(study.water.shapes[study.water.kinds == kind], grid)
            if marks is not None:
                water[kind] = marks
    return CoverSource(
        study,
        polygon_edges(cover.shapes, grid) if isinstance(cover, PolygonCover) else None,
        water,
        escape=marks_of(study.escape_cover, grid),
        buildings=marks_of(study.buildings, grid),
    )
