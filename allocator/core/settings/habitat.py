"""``[habitat]``: how cells are scored, what a season changes, how habitat is joined."""

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from allocator.core.settings.base import (
    Combine,
    CoverGroup,
    Curve,
    NotNegative,
    Score,
    Section,
    WaterKind,
)
from allocator.core.units import square_metres

ComponentName = Literal[
    "cover", "water", "lowland", "escape", "crops", "developed", "flooding", "drainage", "canopy"
]  # fmt: skip
CurveName = Literal["water_m", "lowland_m", "escape_m", "crops_m", "developed_m", "canopy_percent"]


class Curves(Section):
    """Suitability curves: pairs of value and index, straight lines between, clamped at the ends."""

    water_m: Curve = Field(description="distance to water, metres")
    lowland_m: Curve = Field(description="height above the nearest water, metres")
    escape_m: Curve = Field(description="distance to escape cover, metres")
    crops_m: Curve = Field(description="distance to the crops that draw pigs, metres")
    developed_m: Curve = Field(description="distance to buildings and built-up land, metres")
    canopy_percent: Curve = Field(description="tree canopy, percent")


class Weights(Section):
    """Weights of the components; only their ratios matter."""

    cover: NotNegative = Field(description="land cover")
    water: NotNegative = Field(description="distance to water")
    lowland: NotNegative = Field(description="height above the nearest water")
    escape: NotNegative = Field(description="distance to escape cover")
    crops: NotNegative = Field(description="distance to crops")
    developed: NotNegative = Field(description="distance to buildings and built-up land: a power, see the model")
    flooding: NotNegative = Field(description="flooding frequency of the soil")
    drainage: NotNegative = Field(description="drainage of the soil")
    canopy: NotNegative = Field(description="tree canopy")

    @model_validator(mode="after")
    def _some_weight(self) -> "Weights":
        if sum(self.model_dump(exclude={"developed"}).values()) <= 0:
            raise ValueError("at least one weight other than developed must be above 0")
        return self


class FloodingIndex(Section):
    """How good each flooding frequency class is, 0 to 1."""

    none: Score = Field(description="not expected: at most once in 500 years")
    very_rare: Score = Field(description="under 1 percent chance in a year")
    rare: Score = Field(description="1 to 5 percent")
    occasional: Score = Field(description="over 5 to 50 percent")
    frequent: Score = Field(description="over 50 percent")
    very_frequent: Score = Field(description="over 50 percent in every month")


class DrainageIndex(Section):
    """How good each drainage class is, 0 to 1."""

    excessively: Score = Field(description="excessively drained")
    somewhat_excessively: Score = Field(description="somewhat excessively drained")
    well: Score = Field(description="well drained")
    moderately_well: Score = Field(description="moderately well drained")
    somewhat_poorly: Score = Field(description="somewhat poorly drained")
    poorly: Score = Field(description="poorly drained")
    very_poorly: Score = Field(description="very poorly drained")


class Season(Section):
    """What a season changes; everything that it does not name stays as it is all year round."""

    water: tuple[WaterKind, ...] | None = Field(None, description="kinds of water that count")
    crops: tuple[str, ...] | None = Field(None, description="crops that draw pigs")
    weights: dict[ComponentName, NotNegative] = Field(default_factory=dict, description="weights of components")
    curves: dict[CurveName, Curve] = Field(default_factory=dict, description="curves")
    groups: dict[CoverGroup, Score] = Field(default_factory=dict, description="group of classes = score")
    cover: dict[str, Score] = Field(default_factory=dict, description="class code = score")


class HabitatSettings(Section):
    """How cells are scored and joined."""

    profile: str | None = Field(None, description="regional starting values; see the profiles command")
    threshold: Annotated[float, Field(gt=0, le=1)] = Field(description="habitat from this score up")
    smallest_patch_acres: NotNegative = Field(description="smaller patches are not habitat, acres")
    join_distance_m: NotNegative = Field(description="patches nearer than this form a complex, metres")
    combine: Combine = Field(description="geometric, arithmetic or minimum")
    weights: Weights = Field(description="weights of the components")
    water: Annotated[tuple[WaterKind, ...], Field(min_length=1)] = Field(description="kinds of water that count")
    crops: tuple[str, ...] = Field(description="crops that draw pigs")
    groups: dict[CoverGroup, Score] = Field(
        default_factory=dict, description="group of classes = score, over the scheme's defaults"
    )
    cover: dict[str, Score] = Field(default_factory=dict, description="class code = score, over the groups")
    curves: Curves = Field(description="suitability curves")
    flooding: FloodingIndex = Field(description="how good each flooding frequency class is")
    drainage: DrainageIndex = Field(description="how good each drainage class is")
    seasons: dict[str, Season] = Field(default_factory=dict, description="seasons and what each changes")

    @property
    def smallest_patch_m2(self) -> float:
        """Smallest patch in square metres."""
        return float(square_metres(self.smallest_patch_acres))

    def in_season(self, name: str) -> "HabitatSettings":
        """These settings with what a season changes.

        Parameters
        ----------
        name : str
            One of ``seasons``.

        Returns
        -------
        HabitatSettings
            Checked anew.
        """
        values: dict[str, Any] = self.model_dump()
        changes = self.seasons[name].model_dump(exclude_none=True)
        for key, change in changes.items():
            values[key] = values[key] | change if isinstance(change, dict) else change
        return HabitatSettings.model_validate(values)
