"""The components of the score: which a study has, and the index of each on the cells of a tile."""

from typing import get_args

import numpy as np

from allocator.core.arrays import Floats
from allocator.core.settings import ComponentName
from allocator.core.study import BLANK_CLASS, Season, Study
from allocator.grid.land import Land
from allocator.grid.targets import season_targets
from allocator.habitat.score import Component, curve_index

COMPONENTS: tuple[ComponentName, ...] = get_args(ComponentName)
"""In the order in which they are combined and shown."""
LIMITS = ("developed",)
"""Components that only take away: being far from people makes no swamp."""
DISTANCES = ("water", "escape", "crops", "developed")


def used_components(study: Study, season: Season) -> tuple[ComponentName, ...]:
    """Names of the components that have a source and a weight in a season.

    Parameters
    ----------
    study : Study
        The study.
    season : Season
        The season.

    Returns
    -------
    tuple of str
        In the order of ``COMPONENTS``.
    """
    targets, soils = season_targets(study, season), study.soils
    known = {name: name in targets for name in DISTANCES} | {
        "cover": True,
        "lowland": "water" in targets and study.elevation is not None,
        "flooding": soils is not None and soils.flooding is not None,
        "drainage": soils is not None and soils.drainage is not None,
        "canopy": study.canopy is not None,
    }
    return tuple(name for name in COMPONENTS if known[name] and getattr(season.habitat.weights, name) > 0)


def components(land: Land, study: Study, season: Season) -> list[Component]:
    """The components of a tile's score in a season.

    Parameters
    ----------
    land : Land
        The tile.
    study : Study
        Sources.
    season : Season
        Curves, weights and scores.

    Returns
    -------
    list of Component
        Those in use, land cover first.
    """
    habitat, cell_m, targets = season.habitat, study.grid.cell_m, season_targets(study, season)
    made = []
    for name in used_components(study, season):
        weight = getattr(habitat.weights, name)
        if name == "cover":
            made.append(Component(name, weight, cover_index(season), land.cover))
        elif name == "lowland":
            height = land.height_m[targets["water"]]
            # Only as far as the water curve reaches: a longer one of another season, or of sites, must move nothing.
            reach = np.ceil(habitat.curves.water_m[-1][0] / cell_m)
            far = (land.squared[targets["water"]] > reach * reach) & ~np.isnan(height)
            made.append(Component(name, weight, curve_index(np.where(far, np.inf, height), habitat.curves.lowland_m)))
        elif name in ("flooding", "drainage"):
            made.append(Component(name, weight, _soil_index(getattr(habitat, name).model_dump()), getattr(land, name)))
        elif name == "canopy":
            assert land.canopy is not None
            made.append(Component(name, weight, curve_index(land.canopy, habitat.curves.canopy_percent)))
        else:
            squared = land.squared[targets[name]]
            steps = np.sqrt(np.arange(int(squared.max()) + 1)) * cell_m
            index = curve_index(steps, getattr(habitat.curves, f"{name}_m"))
            made.append(Component(name, weight, index, squared, is_limit=name in LIMITS))
    return made


def cover_index(season: Season) -> Floats:
    """Cover index by class position.

    Parameters
    ----------
    season : Season
        Scores of the classes.

    Returns
    -------
    array of float64, shape (256,)
        NaN for background classes and for blank.
    """
    index = np.full(BLANK_CLASS + 1, np.nan)
    index[: len(season.scores)] = season.scores
    return index


def _soil_index(by_class: dict[str, float]) -> Floats:
    """Index by position of the soil's class; NaN for blank."""
    index = np.full(BLANK_CLASS + 1, np.nan)
    index[: len(by_class)] = list(by_class.values())
    return index
