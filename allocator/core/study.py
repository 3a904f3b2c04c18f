"""A study: all inputs read, checked and brought into one coordinate system. What the computation starts from."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from allocator.core.arrays import Bools
from allocator.core.grid import Grid, Window
from allocator.core.overlaps import Overlaps, find_overlaps
from allocator.core.settings import Settings

Severity = Literal["error", "warning", "note"]
Shade = Literal["open", "partial", "closed"]
Shapes = NDArray[np.object_]
BLANK_CLASS = 255


@dataclass(frozen=True, slots=True)
class Problem:
    """Something found in an input, and what was done about it.

    Parameters
    ----------
    severity : str
        error (nothing is planned), warning (the user should act), note (for the record).
    source : str
        Which input or setting, with the file's name.
    message : str
        What was found and what was done or expected.
    """

    severity: Severity
    source: str
    message: str


@dataclass(frozen=True, slots=True)
class InputRecord:
    """One input file as it was used.

    Parameters
    ----------
    role : str
        Which part it plays, such as ``land_cover``.
    path_name : str
        File name and layer, without folders.
    crs : str
        Its coordinate system in short.
    features : int
        Records or cells read.
    sha256 : str
        Hash of the file's bytes.
    """

    role: str
    path_name: str
    crs: str
    features: int
    sha256: str


@dataclass(frozen=True, slots=True)
class CoverClass:
    """One class of the land-cover scheme.

    Parameters
    ----------
    code, name : str
        As in the legend.
    score : float
        Cover index, 0 to 1, after the user's changes; NaN: background, never scored.
    is_water : bool
        Whether its cells count as water.
    shade : str
        open, partial or closed.
    source : str
        Where code, name and score come from.
    """

    code: str
    name: str
    score: float
    is_water: bool
    shade: Shade
    source: str


class CellReader(Protocol):
    """Gives the values of a raster on the cells of the study's grid."""

    def read(self, window: Window) -> NDArray[np.generic]:
        """Values of a window; blank outside the source.

        Parameters
        ----------
        window : Window
            Part of the grid, or around it.

        Returns
        -------
        array, shape (window.rows, window.columns)
            Class positions (uint8, 255 blank) for land cover; metres (float32, NaN blank) for elevation.
        """
        ...


@dataclass(frozen=True)
class PolygonCover:
    """Land cover held as polygons in the study's coordinate system.

    Parameters
    ----------
    shapes : array of shapely polygons
        In file order; where two overlap the later counts.
    class_positions : array of uint8
        Position of each polygon's class in the study's classes; 255 blank.
    """

    shapes: Shapes
    class_positions: NDArray[np.uint8]


@dataclass(frozen=True)
class Properties:
    """Property boundaries, sorted by id.

    Parameters
    ----------
    ids, names : tuple of str
        Unique ids and names to show.
    enrolled : array of bool
        Whether the owner has signed.
    shapes : array of shapely polygons or multipolygons
        In the study's coordinate system; valid, not empty.
    """

    ids: tuple[str, ...]
    names: tuple[str, ...]
    enrolled: Bools
    shapes: Shapes

    @cached_property
    def overlaps(self) -> Overlaps:
        """Pairs of properties that share ground; looked for once."""
        return find_overlaps(self.shapes)


@dataclass(frozen=True)
class Roads:
    """Road lines in the study's coordinate system.

    Parameters
    ----------
    shapes : array of shapely lines
        Centre lines.
    names : tuple of str
        Name of each, or what kind of road it is.
    truck : tuple of str
        yes, dry (dry weather only) or no: whether a truck may drive and stop there.
    """

    shapes: Shapes
    names: tuple[str, ...]
    truck: tuple[str, ...]


@dataclass(frozen=True)
class Study:
    """Everything that a plan is made from.

    Parameters
    ----------
    settings : Settings
        All settings.
    grid : Grid
        The cells that are scored.
    properties : Properties
        Boundaries.
    cover : CellReader or PolygonCover
        Land cover; a reader gives positions in ``classes``.
    classes : tuple of CoverClass
        The scheme with the user's scores.
    has_water : bool
        Whether any water is known near the study at all.
    water : array of shapely shapes or None
        Lines and polygons; None: only water classes of the land cover.
    roads : Roads or None
        None: no sites are chosen.
    elevation : CellReader or None
        Metres.
    buildings, exclusions : array of shapely shapes or None
        Setbacks and forbidden ground.
    sightings : pandas.DataFrame or None
        Columns x_m, y_m and date, count, kind as text; drawn, not counted.
    inputs : tuple of InputRecord
        The files used.
    problems : tuple of Problem
        What was repaired, ignored or doubted.
    """

    settings: Settings
    grid: Grid
    properties: Properties
    cover: CellReader | PolygonCover
    classes: tuple[CoverClass, ...]
    has_water: bool
    water: Shapes | None = None
    roads: Roads | None = None
    elevation: CellReader | None = None
    buildings: Shapes | None = None
    exclusions: Shapes | None = None
    sightings: pd.DataFrame | None = None
    inputs: tuple[InputRecord, ...] = ()
    problems: tuple[Problem, ...] = field(default=())
