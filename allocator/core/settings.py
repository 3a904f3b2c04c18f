"""All settings of a study: frozen, in the user's units, unknown keys refused.

Values that the study file does not give come from ``defaults.toml``, which states unit and source of each.
"""

import math
import tomllib
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from allocator.core.units import square_metres

Rounding = Literal["nearest", "up", "down"]
ShareBy = Literal["largest_remainder", "webster", "huntington_hill"]
Combine = Literal["geometric", "arithmetic", "minimum"]


def _is_curve(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if len(points) < 2:
        raise ValueError("a curve needs at least two points, such as [[0, 1.0], [1500, 0.0]]")
    if not all(math.isfinite(value) for value, _ in points):
        raise ValueError("the first numbers of a curve's points must be finite")
    if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        raise ValueError("the first numbers of a curve's points must grow")
    if any(not 0 <= index <= 1 for _, index in points):
        raise ValueError("the second number of each point is an index from 0 to 1")
    return points


def _is_range(ends: tuple[float, float]) -> tuple[float, float]:
    if not 0 <= ends[0] < ends[1]:
        raise ValueError("give the least, then the most, such as [5, 60]")
    return ends


Curve = Annotated[tuple[tuple[float, float], ...], AfterValidator(_is_curve)]
Range = Annotated[tuple[float, float], AfterValidator(_is_range)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Score = Annotated[float, Field(ge=0, le=1)]


class Section(BaseModel):
    """A table of the study file: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)


class FileInput(Section):
    """One input file, or several that count as one."""

    path: str | tuple[str, ...] = Field(description="file, FILE:LAYER, or a list of either; relative to the study file")
    layer: str | None = Field(None, description="layer, when the file holds several")

    @property
    def paths(self) -> tuple[str, ...]:
        """The files as a tuple, also when there is one."""
        return (self.path,) if isinstance(self.path, str) else self.path


class PropertiesInput(FileInput):
    """Property boundaries: polygons."""

    id: str | None = Field(None, description="column with a unique id, kept as text; absent: numbered by row")
    name: str | None = Field(None, description="column with the name shown")
    enrolled: str | None = Field(None, description="column, yes or no; absent: all are enrolled")


class LandCoverInput(FileInput):
    """Land cover: a raster or polygons."""

    scheme: str = Field(description="nlcd, nlcd_1992, ccap, worldcover, cowardin, cdl, or the path of a CSV")
    class_field: str | None = Field(None, description="column with the class code; polygons only")
    unknown_codes: Literal["refuse", "blank"] = Field(
        "refuse", description="codes that the scheme does not have: refuse the file, or count those cells as blank"
    )


class RoadsInput(FileInput):
    """Roads: lines."""

    class_field: str | None = Field(None, description="column with the road class; absent: a truck may use every road")
    name_field: str | None = Field(None, description="column with the road's name")
    scheme: str | None = Field(None, description="mtfcc, osm, or the path of a CSV (code,name,truck)")


class ElevationInput(Section):
    """Ground elevation: a raster."""

    path: str = Field(description="raster; relative to the study file")
    vertical_unit: Literal["m", "ft", "us_ft"] = Field("m", description="unit of the heights")


class Inputs(Section):
    """The files of a study."""

    properties: PropertiesInput = Field(description="property boundaries, polygons (required)")
    land_cover: LandCoverInput = Field(description="land cover, polygons or a raster (required)")
    water: FileInput | None = Field(None, description="water, lines and polygons; absent: water classes of land cover")
    roads: RoadsInput | None = Field(None, description="roads, lines; absent: no sites are chosen")
    elevation: ElevationInput | None = Field(None, description="ground elevation, a raster")
    buildings: FileInput | None = Field(None, description="buildings, points or polygons")
    exclusions: FileInput | None = Field(None, description="polygons where no trap may stand")
    sightings: FileInput | None = Field(None, description="points where pigs or their sign were seen; drawn on the map")


class StudySettings(Section):
    """What is studied and on which cells."""

    name: str = Field(description="name shown on every output", min_length=1)
    cell_m: Positive | None = Field(None, description="side of a cell in metres; absent: chosen")
    crs: str = Field("auto", description="equal-area system to work in; auto: the raster's own, or one centred here")
    margin_m: NotNegative = Field(description="land scored around the properties, metres")
    property_lines: Literal["share", "centre"] = Field(description="how a cell on a property line counts")


class Curves(Section):
    """Suitability curves: pairs of value and index, straight lines between, clamped at the ends."""

    water_m: Curve = Field(description="distance to water, metres")
    lowland_m: Curve = Field(description="height above the nearest water, metres")


class Weights(Section):
    """Weights of the components; only their ratios matter."""

    cover: NotNegative = Field(description="land cover")
    water: NotNegative = Field(description="distance to water")
    lowland: NotNegative = Field(description="height above the nearest water")

    @model_validator(mode="after")
    def _some_weight(self) -> "Weights":
        if self.cover + self.water + self.lowland <= 0:
            raise ValueError("at least one weight must be above 0")
        return self


class HabitatSettings(Section):
    """How cells are scored and joined."""

    threshold: Annotated[float, Field(gt=0, le=1)] = Field(description="habitat from this score up")
    smallest_patch_acres: NotNegative = Field(description="smaller patches are not habitat, acres")
    join_distance_m: NotNegative = Field(description="patches nearer than this form a complex, metres")
    combine: Combine = Field(description="geometric, arithmetic or minimum")
    weights: Weights = Field(description="weights of the components")
    cover: dict[str, Score] = Field(default_factory=dict, description="class code = score, over the scheme's defaults")
    curves: Curves = Field(description="suitability curves")

    @property
    def smallest_patch_m2(self) -> float:
        """Smallest patch in square metres."""
        return float(square_metres(self.smallest_patch_acres))

    @property
    def reach_m(self) -> float:
        """Distance beyond which more water changes nothing: the last point of the water curve, in metres."""
        return self.curves.water_m[-1][0]


class TrapSettings(Section):
    """How habitat becomes a number of traps."""

    acres_per_trap: Positive = Field(description="acres of habitat per trap")
    rounding: Rounding = Field(description="nearest, up or down")
    smallest_habitat_acres: NotNegative = Field(description="a complex with this much gets one trap, acres")
    share_by: ShareBy = Field(description="rule that shares a complex's traps over its properties")

    @property
    def m2_per_trap(self) -> float:
        """Square metres of habitat per trap."""
        return float(square_metres(self.acres_per_trap))

    @property
    def smallest_habitat_m2(self) -> float:
        """Least enrolled habitat of a complex for its first trap, square metres."""
        return float(square_metres(self.smallest_habitat_acres))


class Terms(Section):
    """Weights of what makes a spot good for a trap; only their ratios matter."""

    road: NotNegative = Field(description="nearer to a truck road")
    water: NotNegative = Field(description="nearer to water")
    level: NotNegative = Field(description="more level ground")
    shade: NotNegative = Field(description="partial shade")
    score: NotNegative = Field(description="habitat score of the spot itself")

    @model_validator(mode="after")
    def _some_weight(self) -> "Terms":
        if self.road + self.water + self.level + self.shade + self.score <= 0:
            raise ValueError("at least one weight must be above 0")
        return self


class ShadeIndex(Section):
    """How good each kind of shade is for a trap, 0 to 1."""

    open: Score = Field(description="no shade")
    partial: Score = Field(description="partial shade, or the edge of closed cover")
    closed: Score = Field(description="closed cover")


class SiteSettings(Section):
    """Where a trap may stand."""

    service_radius_m: Positive | None = Field(None, description="habitat within this of a trap is served, metres")
    spacing_m: NotNegative = Field(description="least distance between traps, metres")
    road_distance_m: Range = Field(description="least and most distance from a truck road, metres")
    water_distance_m: Range = Field(description="least and most distance from water, metres")
    slope_limit_percent: Positive = Field(description="steepest ground, percent")
    boundary_setback_m: NotNegative = Field(description="least distance from the property line, metres")
    building_setback_m: NotNegative = Field(description="least distance from a building, metres")
    candidate_spacing_m: Positive = Field(description="one candidate is kept per square of this side, metres")
    seconds: Positive = Field(description="most time for proving that the sites of one complex are the best, seconds")
    quality_share: Score = Field(description="how much the quality of spots counts beside the habitat served, 0 to 1")
    quality_weights: Terms = Field(description="weights of the terms of quality")
    shade_index: ShadeIndex = Field(description="how good each kind of shade is")


class Settings(Section):
    """Every setting of one study."""

    study: StudySettings
    inputs: Inputs
    habitat: HabitatSettings
    traps: TrapSettings
    sites: SiteSettings

    @property
    def water_reach_m(self) -> float:
        """How far water is looked for: the end of the water curve, or the most a site may be from water, in metres."""
        return max(self.habitat.reach_m, self.sites.water_distance_m[1])

    @property
    def service_radius_m(self) -> float:
        """Radius that a trap serves: as set, or the radius of a circle of acres_per_trap, in metres."""
        return self.sites.service_radius_m or math.sqrt(self.traps.m2_per_trap / math.pi)


@cache
def read_defaults() -> dict[str, Any]:
    """The shipped defaults: nested tables whose leaves hold value, unit, meaning and source.

    Returns
    -------
    dict
        As in ``defaults.toml``; do not change it.
    """
    return tomllib.loads((resources.files("allocator.core") / "defaults.toml").read_text(encoding="utf-8"))


def default_values() -> dict[str, Any]:
    """The shipped defaults without unit and source, nested as a study file is.

    Returns
    -------
    dict
        A new dictionary at every call.

    Examples
    --------
    >>> default_values()["traps"]["acres_per_trap"]
    300.0
    """

    def values(table: dict[str, Any]) -> dict[str, Any]:
        return {key: part["value"] if "value" in part else values(part) for key, part in table.items()}

    return values(read_defaults())
