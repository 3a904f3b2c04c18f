"""Hard limits of a site, apart from what is merely preferred: what each measures and which setting moves it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Bools, Floats
from allocator.core.settings import SiteSettings
from allocator.sites.measured import Measured
from allocator.sites.spots import FLOODING

HAIR = 1e-9
"""Values within this of a limit keep it: float noise."""
YES_NO = ("no", "yes")


@dataclass(frozen=True)
class Limit:
    """One hard limit.

    Parameters
    ----------
    name : str
        Short name.
    setting : str
        Key that moves it; empty where none does.
    words : str
        What is wrong with a spot that breaks it; ``{limit}`` stands for the limit, ``{value}`` for the spot.
    moved : str
        The limit moved, in words; ``{value}`` stands for where to.
    unit : str
        Unit of both.
    is_most : bool
        Whether values may be at most the limit, or at least.
    limit : callable
        The limit from the settings.
    value : callable
        What is measured at each spot; NaN: not known, and the limit does not apply.
    names : tuple of str
        What the values stand for, where they are words.
    shown_times : float
        A value times this is what the unit says.
    """

    name: str
    setting: str
    words: str
    moved: str
    unit: str
    is_most: bool
    limit: Callable[[SiteSettings], float]
    value: Callable[[Measured], Floats]
    names: tuple[str, ...] = ()
    shown_times: float = 1.0

    def broken(self, measured: Measured, sites: SiteSettings) -> Bools:
        """Which spots break it.

        Parameters
        ----------
        measured : Measured
            Spots.
        sites : SiteSettings
            Limits.

        Returns
        -------
        array of bool
            False where the value is not known.
        """
        values, limit = self.value(measured), self.limit(sites)
        return values > limit + HAIR if self.is_most else values < limit - HAIR

    def show(self, value: float) -> str:
        """A value of this limit in words.

        Parameters
        ----------
        value : float
            Of the limit or of a spot.

        Returns
        -------
        str
            With its unit; for soils the flooding class.
        """
        if self.names:
            return self.names[int(value)].replace("_", " ")
        return f"{value * self.shown_times:g} {self.unit}".strip() if np.isfinite(value) else "none was found"


LIMITS: tuple[Limit, ...] = (
    Limit("road", "sites.road_distance_m", "no truck road lies within {limit}; the nearest is {value} off",
          "truck roads up to {value} off",
          "m", True, lambda s: s.road_distance_m[1], lambda m: m.road.distance_m),
    Limit("road side", "sites.road_distance_m", "a truck road lies nearer than {limit}: {value}",
          "truck roads as near as {value}",
          "m", False, lambda s: s.road_distance_m[0], lambda m: m.road.distance_m),
    Limit("weather", "sites.dry_weather_roads", "the road is fit for dry weather only",
          "roads for dry weather counted",
          "", True, lambda s: YES_NO.index(s.dry_weather_roads), lambda m: m.road.is_dry.astype(float), YES_NO),
    Limit("water", "sites.water_distance_m", "no water lies within {limit}; the nearest is {value} off",
          "water up to {value} off",
          "m", True, lambda s: s.water_distance_m[1], lambda m: m.spots.water_m),
    Limit("water side", "sites.water_distance_m", "water lies nearer than {limit}: {value}",
          "water as near as {value}",
          "m", False, lambda s: s.water_distance_m[0], lambda m: m.spots.water_m),
    Limit("habitat", "sites.habitat_distance_m", "no habitat lies within {limit}; the nearest is {value} off",
          "habitat up to {value} off",
          "m", True, lambda s: s.habitat_distance_m, lambda m: m.habitat_m),
    Limit("slope", "sites.slope_limit_percent", "the ground is steeper than {limit}: {value}",
          "slopes up to {value}",
          "percent", True, lambda s: s.slope_limit_percent / 100, lambda m: m.spots.slope, (), 100.0),
    Limit("flooding", "sites.flooding_limit", "the soil floods more often than {limit}: {value}",
          "soils that flood as often as {value}",
          "", True, lambda s: FLOODING.index(s.flooding_limit), lambda m: m.spots.flooding, FLOODING),
    Limit("boundary", "sites.boundary_setback_m", "the property line is nearer than {limit}: {value}",
          "property lines as near as {value}",
          "m", False, lambda s: s.boundary_setback_m, lambda m: m.boundary_m),
    Limit("building", "sites.building_setback_m", "a building is nearer than {limit}: {value}",
          "buildings as near as {value}",
          "m", False, lambda s: s.building_setback_m, lambda m: m.building_m),
    Limit("exclusion", "", "it lies in an area where no trap may stand",
          "",
          "", True, lambda s: 0.0, lambda m: m.is_excluded.astype(float)),
    Limit("damage", "sites.damage_setback_m", "a damage spot is nearer than {limit}: {value}",
          "damage spots as near as {value}",
          "m", False, lambda s: s.damage_setback_m, lambda m: m.damage_m),
    Limit("access", "sites.access_limit_m", "the way in from the road is longer than {limit}: {value}",
          "ways in up to {value}",
          "m", True, lambda s: s.access_limit_m, lambda m: m.access.length_m),
)  # fmt: skip
"""All limits; one without a source behind it (no water, no elevation, no soils) does not apply."""


def broken_limits(measured: Measured, sites: SiteSettings) -> Bools:
    """Which limits each spot breaks.

    Parameters
    ----------
    measured : Measured
        Spots.
    sites : SiteSettings
        Limits.

    Returns
    -------
    array of bool, shape (len(LIMITS), spots)
        In the order of ``LIMITS``.
    """
    return np.stack([one.broken(measured, sites) for one in LIMITS])
