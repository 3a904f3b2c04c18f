"""A study: all inputs read, checked and brought into one coordinate system. What the computation starts from."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from allocator.core.arrays import Bools
from allocator.core.crs import Bounds
from allocator.core.grid import Grid, Window
from allocator.core.kit import KitInputs
from allocator.core.overlaps import Overlaps, find_overlaps
from allocator.core.settings import CoverGroup, HabitatSettings, Settings, WaterKind
from allocator.core.visits import SiteDecision

Severity = Literal["error", "warning", "note"]
Shade = Literal["open", "partial", "closed"]
CoverWater = Literal["no", "permanent", "seasonal", "wetland"]
Shapes = NDArray[np.object_]
BLANK_CLASS = 255
WATER_KINDS: tuple[WaterKind, ...] = ("permanent", "seasonal", "wetland")
OPEN_WATER: tuple[WaterKind, ...] = ("permanent", "seasonal")
"""Water that a map shows as water: what a site is measured to. The inside of a swamp is wetland, not this."""


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
        Cover index of the scheme, 0 to 1; NaN: background, never scored.
    water : str
        Which kind of water its cells are: permanent, seasonal, wetland or no.
    shade : str
        open, partial or closed.
    source : str
        Where code, name and score come from.
    group : str
        Kind of land cover that all schemes share.
    crops : tuple of str
        Crops that grow there; two for a double crop.
    parts : tuple of CoverClass
        Classes that share the ground in a mixed class, whose score is their mean; empty for others.
    """

    code: str
    name: str
    score: float
    water: CoverWater
    shade: Shade
    source: str
    group: CoverGroup = "other"
    crops: tuple[str, ...] = ()
    parts: tuple["CoverClass", ...] = ()


@dataclass(frozen=True)
class Season:
    """One season as it is scored.

    Parameters
    ----------
    name : str
        As in the settings.
    habitat : HabitatSettings
        With what the season changes.
    scores : tuple of float
        Cover index of each class of the study, 0 to 1, after the user's changes; NaN: never scored.
    """

    name: str
    habitat: HabitatSettings
    scores: tuple[float, ...]

    @property
    def words(self) -> str:
        """The name as people say it."""
        return self.name.replace("_", " ")


def class_score(one: CoverClass, habitat: HabitatSettings) -> float:
    """Cover index of a class: the scheme's, the group's over it, the code's over both.

    Parameters
    ----------
    one : CoverClass
        The class.
    habitat : HabitatSettings
        With the season's changes.

    Returns
    -------
    float
        0 to 1; NaN: never scored.
    """
    by_code = {code.casefold(): score for code, score in habitat.cover.items()}
    if one.code.casefold() in by_code:
        return by_code[one.code.casefold()]
    if one.parts:
        return float(np.mean([class_score(part, habitat) for part in one.parts]))
    return one.score if np.isnan(one.score) else habitat.groups.get(one.group, one.score)


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
            Class positions (uint8, 255 blank) for land cover and crops; float32 with NaN blank for elevation (metres)
            and canopy (percent).
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
class Water:
    """Water lines and polygons in the study's coordinate system.

    Parameters
    ----------
    shapes : array of shapely shapes
        Lines and polygons.
    kinds : array of str
        permanent, seasonal or wetland, for each.
    """

    shapes: Shapes
    kinds: NDArray[np.object_]


@dataclass(frozen=True)
class Soils:
    """Soil map units in the study's coordinate system.

    Parameters
    ----------
    shapes : array of shapely polygons
        In file order; where two overlap the later counts.
    flooding, drainage : array of uint8, or None
        Position of each unit's class among the settings' classes, in their order; 255 blank. None: not given.
    """

    shapes: Shapes
    flooding: NDArray[np.uint8] | None
    drainage: NDArray[np.uint8] | None


@dataclass(frozen=True)
class Crops:
    """Crops of one year.

    Parameters
    ----------
    cells : CellReader
        Gives positions in ``classes``.
    classes : tuple of CoverClass
        The crops scheme.
    """

    cells: CellReader
    classes: tuple[CoverClass, ...]


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

    @property
    def bounds_m(self) -> Bounds:
        """West, south, east and north of all properties."""
        west, south, east, north = shapely.total_bounds(self.shapes)
        return float(west), float(south), float(east), float(north)

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
        The scheme as shipped or given; ``seasons`` hold the scores after the user's changes.
    water_kinds : frozenset of str
        Kinds of water that are known near the study at all; empty: none.
    kit : KitInputs
        Trap design, prices and other costs.
    water : Water or None
        Lines and polygons; None: only water of the land cover.
    roads : Roads or None
        None: no sites are chosen.
    elevation : CellReader or None
        Metres.
    escape_cover : array of shapely shapes or None
        Thickets that pigs bed in.
    crops : Crops or None
        None: crops that the land cover names, if it does.
    soils : Soils or None
        Flooding and drainage.
    canopy : CellReader or None
        Percent.
    buildings, exclusions : array of shapely shapes or None
        Setbacks and forbidden ground.
    sightings : pandas.DataFrame or None
        Columns x_m, y_m and date, count, kind as text; drawn, not counted.
    existing_traps : array of shapely points or None
        Traps already in place near the study, in its coordinate system; None: none known.
    site_decisions : tuple of SiteDecision
        What a field visit decided, by id; empty: nobody has been there.
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
    water_kinds: frozenset[WaterKind]
    kit: KitInputs
    water: Water | None = None
    roads: Roads | None = None
    elevation: CellReader | None = None
    escape_cover: Shapes | None = None
    crops: Crops | None = None
    soils: Soils | None = None
    canopy: CellReader | None = None
    buildings: Shapes | None = None
    exclusions: Shapes | None = None
    sightings: pd.DataFrame | None = None
    existing_traps: Shapes | None = None
    site_decisions: tuple[SiteDecision, ...] = ()
    inputs: tuple[InputRecord, ...] = ()
    problems: tuple[Problem, ...] = field(default=())

    @cached_property
    def seasons(self) -> tuple[Season, ...]:
        """The seasons that are scored; the first is planned."""
        found = []
        for name in self.settings.study.seasons:
            habitat = self.settings.habitat.in_season(name)
            found.append(Season(name, habitat, tuple(class_score(one, habitat) for one in self.classes)))
        return tuple(found)

    @cached_property
    def truck_roads(self) -> NDArray[np.int64]:
        """Positions of the roads that a truck may use and stop on, as the settings have it; empty without roads."""
        if self.roads is None:
            return np.empty(0, np.int64)
        usable = ("yes", "dry") if self.settings.sites.dry_weather_roads == "yes" else ("yes",)
        return np.flatnonzero([truck in usable for truck in self.roads.truck])

    @property
    def planned(self) -> Season:
        """The season that traps and sites are planned for."""
        return self.seasons[0]


@dataclass(frozen=True, slots=True)
class Checked:
    """What reading a study came to, whether it can be planned or not.

    Parameters
    ----------
    settings : Settings or None
        None where the study file itself cannot be used.
    study : Study or None
        None where an error was found.
    problems : tuple of Problem
        In the order found.
    """

    settings: Settings | None
    study: Study | None
    problems: tuple[Problem, ...]
