"""What distances run to: water of some kinds, crops, escape cover, built-up land."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from allocator.core.study import OPEN_WATER, WATER_KINDS, Season, Study


@dataclass(frozen=True)
class Target:
    """Something that distances run to.

    Parameters
    ----------
    kind : str
        water, crops, escape or developed.
    which : tuple of str
        Kinds of water or names of crops; empty for the others.
    """

    kind: Literal["water", "crops", "escape", "developed"]
    which: tuple[str, ...] = ()


def water_target(study: Study, kinds: Iterable[str]) -> Target | None:
    """Water of some kinds, as far as the study knows any.

    Parameters
    ----------
    study : Study
        The study.
    kinds : iterable of str
        Kinds that count.

    Returns
    -------
    Target or None
        None where no such water is known near the study.
    """
    wanted = set(kinds) & study.water_kinds
    return Target("water", tuple(kind for kind in WATER_KINDS if kind in wanted)) if wanted else None


def site_water(study: Study) -> Target | None:
    """Water that a site is measured to: what a map shows as water, not the inside of a swamp.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    Target or None
        None where no such water is known.
    """
    return water_target(study, OPEN_WATER)


def crops_target(study: Study, season: Season) -> Target | None:
    """Crops that draw pigs in a season, as far as the study's classes name any.

    Parameters
    ----------
    study : Study
        The study.
    season : Season
        Says which crops.

    Returns
    -------
    Target or None
        None where no source names crops, or none of these.
    """
    classes = study.classes if study.crops is None else study.crops.classes
    grown = {crop for one in classes for crop in one.crops}
    wanted = sorted(grown & set(season.habitat.crops))
    return Target("crops", tuple(wanted)) if wanted else None


def season_targets(study: Study, season: Season) -> dict[str, Target]:
    """The target of every component of a season that is a distance and has a source.

    Parameters
    ----------
    study : Study
        The study.
    season : Season
        The season.

    Returns
    -------
    dict
        Component (water, escape, crops, developed) to target.
    """
    found = {
        "water": water_target(study, season.habitat.water),
        "escape": Target("escape") if study.escape_cover is not None else None,
        "crops": crops_target(study, season),
        "developed": Target("developed") if study.buildings is not None else None,
    }
    return {name: target for name, target in found.items() if target is not None}


def all_targets(study: Study) -> dict[Target, float]:
    """Every target of the study's seasons and sites, and how far it matters.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    dict
        Target to metres.
    """
    reach: dict[Target, float] = {}
    for season in study.seasons:
        for name, target in season_targets(study, season).items():
            curve = getattr(season.habitat.curves, f"{name}_m")
            reach[target] = max(reach.get(target, 0.0), curve[-1][0])
    near = site_water(study)
    if near is not None:
        reach[near] = max(reach.get(near, 0.0), study.settings.sites.water_distance_m[1])
    return reach
