"""``[traps]`` and ``[sites]``: how habitat becomes a number of traps, and where they may stand."""

from typing import Literal

from pydantic import Field, model_validator

from allocator.core.settings.base import NotNegative, Positive, Range, Score, Section
from allocator.core.units import square_metres

Rounding = Literal["nearest", "up", "down"]
ShareBy = Literal["largest_remainder", "webster", "huntington_hill"]


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
