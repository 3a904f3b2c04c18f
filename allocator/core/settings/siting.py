"""``[traps]`` and ``[sites]``: how habitat becomes a number of traps, and where they may stand."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from allocator.core.settings.base import Flooding, NotNegative, Positive, PositiveRange, Range, Score, Section
from allocator.core.units import square_metres

Rounding = Literal["nearest", "up", "down"]
ShareBy = Literal["largest_remainder", "webster", "huntington_hill"]


class TrapSettings(Section):
    """How habitat becomes a number of traps."""

    acres_per_trap: Positive = Field(description="acres of habitat per trap")
    acres_per_trap_range: PositiveRange | None = Field(
        None, description="least and most acres per trap, for low and high; absent: two thirds to four thirds of it"
    )
    available: Annotated[int, Field(ge=0)] | None = Field(
        None, description="traps on hand, where they may be fewer than needed; absent: as many as needed"
    )
    sightings_weight: NotNegative = Field(
        description="how much more habitat near a sighting counts when sites are chosen"
    )
    rounding: Rounding = Field(description="nearest, up or down")
    smallest_habitat_acres: NotNegative = Field(description="a complex with this much gets one trap, acres")
    share_by: ShareBy = Field(description="rule that shares a complex's traps over its properties")

    @property
    def m2_per_trap_ends(self) -> tuple[float, float, float]:
        """Least, set and most square metres of habitat per trap; the range is widened to hold what is set."""
        least, most = self.acres_per_trap_range or (self.acres_per_trap * 2 / 3, self.acres_per_trap * 4 / 3)
        acres = min(least, self.acres_per_trap), self.acres_per_trap, max(most, self.acres_per_trap)
        return float(square_metres(acres[0])), self.m2_per_trap, float(square_metres(acres[2]))

    @property
    def m2_per_trap(self) -> float:
        """Square metres of habitat per trap."""
        return float(square_metres(self.acres_per_trap))

    @property
    def smallest_habitat_m2(self) -> float:
        """Least enrolled habitat of a complex for its first trap, square metres."""
        return float(square_metres(self.smallest_habitat_acres))


class RangeSettings(Section):
    """What the low and high count are drawn from."""

    draws: Annotated[int, Field(ge=100, le=1_000_000)] = Field(description="number of draws")
    seed: Annotated[int, Field(ge=0)] = Field(description="seed of the draws: the same seed gives the same range")
    threshold: Annotated[float, Field(ge=0, le=0.5)] = Field(description="how far the threshold may be off, either way")
    scores: Annotated[float, Field(ge=0, le=1)] = Field(description="how far class scores may be off, either way")
    curves: Annotated[float, Field(ge=0, lt=1)] = Field(
        description="how far the distances of the curves may be off, as a part of them"
    )


class PigSettings(Section):
    """Pigs, when there is a count or a density to start from."""

    density_per_km2: NotNegative | None = Field(None, description="pigs per square kilometre of habitat")
    density_range_per_km2: tuple[NotNegative, NotNegative] = Field(
        description="least and most pigs per square kilometre that are thought possible"
    )
    counted: NotNegative | None = Field(None, description="pigs counted by camera on this land, in place of a density")
    annual_growth: NotNegative = Field(description="what the pigs that are left gain in a year, as a share")
    years: Annotated[int, Field(ge=1, le=50)] = Field(description="years to reach the end share")
    end_share: Annotated[float, Field(gt=0, le=1)] = Field(description="pigs left at the end, as a share of the start")


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


class AccessCost(Section):
    """How hard a metre on foot with panels and posts is, against open ground."""

    open: Positive = Field(description="open ground")
    partial: Positive = Field(description="partial shade")
    closed: Positive = Field(description="closed cover")
    wetland: Positive = Field(description="wetland, whatever its shade")


class SiteSettings(Section):
    """Where a trap may stand."""

    service_radius_m: Positive | None = Field(None, description="habitat within this of a trap is served, metres")
    spacing_m: NotNegative = Field(description="least distance between traps, metres")
    road_distance_m: Range = Field(description="least and most distance from a truck road, metres")
    water_distance_m: Range = Field(description="least and most distance from water, metres")
    habitat_distance_m: NotNegative = Field(description="furthest from habitat that a trap may stand, metres")
    slope_limit_percent: Positive = Field(description="steepest ground, percent")
    boundary_setback_m: NotNegative = Field(description="least distance from the property line, metres")
    building_setback_m: NotNegative = Field(description="least distance from a building, metres")
    damage_setback_m: NotNegative = Field(description="least distance from a sighting of damage, metres")
    flooding_limit: Flooding = Field(description="most flood-prone soil a trap may stand on")
    access_limit_m: Positive = Field(description="longest way on foot from the truck road to the trap, metres")
    access_cost: AccessCost = Field(description="how hard a metre on foot is")
    road_verge_m: NotNegative = Field(description="ground this near a road's centre line counts as the road, metres")
    road_snap_m: NotNegative = Field(description="gaps between roads up to this are closed, metres")
    dry_weather_roads: Literal["yes", "no"] = Field(description="whether roads fit for dry weather only count")
    reject_radius_m: NotNegative = Field(description="no new site within this of a rejected one, metres")
    beyond_share: Annotated[int, Field(ge=0)] = Field(
        description="traps that a property may take beyond its share of a complex"
    )
    candidate_spacing_m: Positive = Field(description="one candidate is kept per square of this side, metres")
    eye_height_m: Positive = Field(description="height of the eye at the road and of the door seen, metres")
    seed: Annotated[int, Field(ge=0)] = Field(description="seed of the search for sites")
    seconds: Positive = Field(description="most time for proving that the sites of one complex are the best, seconds")
    quality_share: Score = Field(description="how much the quality of spots counts beside the habitat served, 0 to 1")
    quality_weights: Terms = Field(description="weights of the terms of quality")
    shade_index: ShadeIndex = Field(description="how good each kind of shade is")
