"""Why a cell has its score: every component with its raw value, its index and its weight."""

import math
from dataclasses import dataclass

import numpy as np

from allocator.core.grid import Window
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.study import BLANK_CLASS, Season, Study
from allocator.grid.land import Land, LandReader
from allocator.grid.targets import season_targets
from allocator.habitat.components import COMPONENTS, DISTANCES, components, used_components
from allocator.habitat.tile import score_tile

ROLES = {
    "cover": ("land_cover",),
    "water": ("water", "land_cover"),
    "lowland": ("elevation", "water"),
    "escape": ("escape_cover",),
    "crops": ("crops",),
    "developed": ("buildings", "land_cover"),
    "flooding": ("soils",),
    "drainage": ("soils",),
    "canopy": ("canopy",),
}
"""Inputs that each component comes from."""


@dataclass(frozen=True)
class Reason:
    """One component of one cell's score.

    Parameters
    ----------
    component : str
        As in the settings' weights.
    value : str
        Raw value with its unit, in words; 'blank' where it is not known.
    index : float or None
        Suitability index, 0 to 1; None: left out of this cell's score.
    weight : float
        Its weight.
    source : str
        Files that it comes from.
    is_limit : bool
        Whether it only takes away from what the others make.
    """

    component: str
    value: str
    index: float | None
    weight: float
    source: str
    is_limit: bool


@dataclass(frozen=True)
class Explanation:
    """The score of one cell in one season and what it is made of.

    Parameters
    ----------
    season : str
        The season, in words.
    score : float or None
        0 to 1; None: the land cover is blank.
    threshold : float
        Habitat from this score up.
    combine : str
        geometric, arithmetic or minimum.
    reasons : tuple of Reason
        Components in use.
    left_out : tuple of str
        Components that this study has no data or no weight for.
    """

    season: str
    score: float | None
    threshold: float
    combine: str
    reasons: tuple[Reason, ...]
    left_out: tuple[str, ...]


def explain_cell(study: Study, reader: LandReader, season: Season, *, row: int, column: int) -> Explanation:
    """Why one cell of the study's grid has its score in a season.

    Parameters
    ----------
    study : Study
        The study.
    reader : LandReader
        Reads its land.
    season : Season
        The season.
    row, column : int
        Cell of the grid.

    Returns
    -------
    Explanation
        The same score as in the plan.
    """
    land = reader.land(Window(row, column, 1, 1))
    score = int(score_tile(land, study, season).score[0, 0])
    reasons = []
    for part in components(land, study, season):
        index = float(np.asarray(part.spread(part.index))[0, 0])
        known = None if math.isnan(index) else index
        value = _raw(part.name, land, study, season)
        reasons.append(Reason(part.name, value, known, part.weight, _source(part.name, study), part.is_limit))
    names = used_components(study, season)
    return Explanation(
        season=season.words,
        score=None if score == BLANK_SCORE else score / SCORE_STEPS,
        threshold=season.habitat.threshold,
        combine=season.habitat.combine,
        reasons=tuple(reasons),
        left_out=tuple(name for name in COMPONENTS if name not in names),
    )


def _raw(name: str, land: Land, study: Study, season: Season) -> str:
    """Raw value of a component in words."""
    if name in DISTANCES:
        return _distance(name, land, study, season)
    if name == "cover":
        position = int(land.cover[0, 0])
        if position == BLANK_CLASS:
            return "blank"
        return f"class {study.classes[position].code}, {study.classes[position].name}"
    if name in ("flooding", "drainage"):
        position = int(getattr(land, name)[0, 0])
        classes = list(type(getattr(season.habitat, name)).model_fields)
        return "blank" if position == BLANK_CLASS else classes[position].replace("_", " ")
    if name == "canopy":
        percent = math.nan if land.canopy is None else float(land.canopy[0, 0])
        return "blank" if math.isnan(percent) else f"{percent:.0f} percent"
    target = season_targets(study, season)["water"]
    height_m = float(land.height_m[target][0, 0])
    if math.isnan(height_m):
        return "blank"
    distance_m = math.sqrt(int(land.squared[target][0, 0])) * study.grid.cell_m
    if math.isinf(height_m) or distance_m > season.habitat.curves.water_m[-1][0]:
        return "no water within reach: high ground"
    return f"{height_m:.1f} m above the nearest water"


def _distance(name: str, land: Land, study: Study, season: Season) -> str:
    words = {"water": "water", "escape": "escape cover", "crops": "crops", "developed": "buildings or built-up land"}
    target = season_targets(study, season)[name]
    what = f"{words[name]} ({', '.join(target.which)})" if name == "water" else words[name]
    reach_m = getattr(season.habitat.curves, f"{name}_m")[-1][0]
    distance_m = math.sqrt(int(land.squared[target][0, 0])) * study.grid.cell_m
    return f"{distance_m:.0f} m to {what}" if distance_m <= reach_m else f"more than {reach_m:.0f} m to {what}"


def _source(name: str, study: Study) -> str:
    """Names of the files that a component comes from."""
    roles = ROLES[name] if name != "crops" or study.crops is not None else ("land_cover",)
    return ", ".join(one.path_name for role in roles for one in study.inputs if one.role == role)
