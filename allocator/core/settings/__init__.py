"""All settings of a study: frozen, in the user's units, unknown keys refused.

Values that the study file does not give come from ``core/defaults.toml``, which states unit and source of each; a
regional profile (``core/profiles``) may change some of them.
"""

from allocator.core.settings.base import Combine, CoverGroup, Curve, Drainage, Flooding, Section, WaterKind
from allocator.core.settings.defaults import default_values, read_defaults, read_profile, shipped_profiles
from allocator.core.settings.habitat import ComponentName, HabitatSettings
from allocator.core.settings.inputs import (
    CropsInput,
    FileInput,
    LandCoverInput,
    PropertiesInput,
    RoadsInput,
    SiteDecisionsInput,
    SoilsInput,
    WaterInput,
)  # fmt: skip
from allocator.core.settings.siting import PigSettings, RangeSettings, Rounding, ShareBy, SiteSettings, TrapSettings
from allocator.core.settings.whole import Settings
from allocator.core.settings.work import (
    CalendarSettings,
    CrewSettings,
    EquipmentSettings,
    GrantSettings,
    PricesSettings,
)  # fmt: skip

__all__ = [
    "CalendarSettings",
    "Combine",
    "ComponentName",
    "CoverGroup",
    "CrewSettings",
    "CropsInput",
    "Curve",
    "Drainage",
    "EquipmentSettings",
    "FileInput",
    "Flooding",
    "GrantSettings",
    "HabitatSettings",
    "LandCoverInput",
    "PigSettings",
    "PricesSettings",
    "PropertiesInput",
    "RangeSettings",
    "RoadsInput",
    "Rounding",
    "Section",
    "Settings",
    "ShareBy",
    "SiteDecisionsInput",
    "SiteSettings",
    "SoilsInput",
    "TrapSettings",
    "WaterInput",
    "WaterKind",
    "default_values",
    "read_defaults",
    "read_profile",
    "shipped_profiles",
]
