"""All settings of one study."""

import math
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from allocator.core.settings.base import NotNegative, Positive, Section
from allocator.core.settings.habitat import HabitatSettings
from allocator.core.settings.inputs import Inputs
from allocator.core.settings.siting import PigSettings, RangeSettings, SiteSettings, TrapSettings
from allocator.core.settings.work import (
    CalendarSettings,
    CrewSettings,
    EquipmentSettings,
    GrantSettings,
    PricesSettings,
)  # fmt: skip


class StudySettings(Section):
    """What is studied and on which cells."""

    name: str = Field(description="name shown on every output", min_length=1)
    season: str | Annotated[tuple[str, ...], Field(min_length=1)] = Field(
        description="season that is planned; of a list the first is planned, the others are shown beside it"
    )
    cell_m: Positive | None = Field(None, description="side of a cell in metres; absent: chosen")
    crs: str = Field("auto", description="equal-area system to work in; auto: the raster's own, or one centred here")
    margin_m: NotNegative = Field(description="land scored around the properties, metres")
    property_lines: Literal["share", "centre"] = Field(description="how a cell on a property line counts")
    repair_limit_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = Field(
        description="broken boundaries are refused where mending them changes more of all acres, percent"
    )

    @property
    def repair_limit(self) -> float:
        """Share of all acres that mending may change, as a fraction."""
        return self.repair_limit_percent / 100

    @property
    def seasons(self) -> tuple[str, ...]:
        """The seasons as a tuple, also when there is one; the first is planned."""
        return (self.season,) if isinstance(self.season, str) else self.season


class Settings(Section):
    """Every setting of one study."""

    study: StudySettings
    inputs: Inputs
    habitat: HabitatSettings
    traps: TrapSettings
    range: RangeSettings
    pigs: PigSettings
    sites: SiteSettings
    equipment: EquipmentSettings
    prices: PricesSettings = PricesSettings()
    calendar: CalendarSettings
    crews: CrewSettings
    grant: GrantSettings

    @model_validator(mode="after")
    def _known_seasons(self) -> "Settings":
        names = self.study.seasons
        for name in names:
            if name not in self.habitat.seasons:
                known = ", ".join(self.habitat.seasons)
                raise ValueError(
                    f"study.season names {name!r}, which is not a season. Expected one of {known}; "
                    f"or describe it under [habitat.seasons.{name}]"
                )
            try:
                self.habitat.in_season(name)
            except ValidationError as error:
                raise ValueError(f"habitat.seasons.{name}: {error.errors()[0]['msg']}") from None
        if len(set(names)) < len(names):
            raise ValueError("study.season names a season twice")
        return self

    @property
    def reach_m(self) -> float:
        """How far around a cell anything can matter to it: the longest curve in use, or the way to water of a site."""
        reach = self.sites.water_distance_m[1]
        for name in self.study.seasons:
            curves = self.habitat.in_season(name).curves
            in_use = [curves.water_m]
            in_use += [curves.escape_m] if self.inputs.escape_cover is not None else []
            in_use += [curves.developed_m] if self.inputs.buildings is not None else []
            # A raster of crops, or a land cover that may itself name crops.
            names_crops = self.inputs.crops is not None or self.inputs.land_cover.scheme.endswith(("cdl", ".csv"))
            in_use += [curves.crops_m] if names_crops else []
            reach = max(reach, *(curve[-1][0] for curve in in_use))
        return reach

    @property
    def service_radius_m(self) -> float:
        """Radius that a trap serves: as set, or the radius of a circle of acres_per_trap, in metres."""
        return self.sites.service_radius_m or math.sqrt(self.traps.m2_per_trap / math.pi)
