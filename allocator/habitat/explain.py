"""Why a cell has its score: every component with its raw value, its index and its weight."""

import math
from dataclasses import dataclass

import numpy as np

from allocator.core.grid import Window
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.study import BLANK_CLASS, Study
from allocator.grid.land import Land, LandReader
from allocator.habitat.tile import components, score_tile, used_components

ROLES = {"cover": ("land_cover",), "water": ("water", "land_cover"), "lowland": ("elevation", "water")}
"""Inputs that each component comes from."""


@dataclass(frozen=True)
class Reason:
    """One component of one cell's score.

    Parameters
    ----------
    component : str
        cover, water or lowland.
    value : str
        Raw value with its unit, in words; 'blank' where it is not known.
    index : float or None
        Suitability index, 0 to 1; None: left out of this cell's score.
    weight : float
        Its weight.
    source : str
        Files that it comes from.
    """

    component: str
    value: str
    index: float | None
    weight: float
    source: str


@dataclass(frozen=True)
class Explanation:
    """The score of one cell and what it is made of.

    Parameters
    ----------
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

    score: float | None
    threshold: float
    combine: str
    reasons: tuple[Reason, ...]
    left_out: tuple[str, ...]


def explain_cell(study: Study, reader: LandReader, *, row: int, column: int) -> Explanation:
    """Why one cell of the study's grid has its score.

    Parameters
    ----------
    study : Study
        The study.
    reader : LandReader
        Reads its land.
    row, column : int
        Cell of the grid.

    Returns
    -------
    Explanation
        The same score as in the plan.
    """
    habitat = study.settings.habitat
    land = reader.land(Window(row, column, 1, 1))
    score = int(score_tile(land, study).score[0, 0])
    names = used_components(study)
    made = components(land, names, classes=study.classes, habitat=habitat, cell_m=study.grid.cell_m)
    reasons = []
    for part in made:
        index = float(np.asarray(part.spread(part.index))[0, 0])
        known = None if math.isnan(index) else index
        reasons.append(Reason(part.name, _raw(part.name, land, study), known, part.weight, _source(part.name, study)))
    return Explanation(
        score=None if score == BLANK_SCORE else score / SCORE_STEPS,
        threshold=habitat.threshold,
        combine=habitat.combine,
        reasons=tuple(reasons),
        left_out=tuple(name for name in ROLES if name not in names),
    )


def _raw(name: str, land: Land, study: Study) -> str:
    """Raw value of a component in words."""
    if name == "cover":
        position = int(land.cover[0, 0])
        if position == BLANK_CLASS:
            return "blank"
        return f"class {study.classes[position].code}, {study.classes[position].name}"
    reach_m = study.settings.habitat.reach_m
    if name == "water" and land.water_squared is not None:
        distance_m = math.sqrt(int(land.water_squared[0, 0])) * study.grid.cell_m
        return f"{distance_m:.0f} m to water" if distance_m <= reach_m else f"more than {reach_m:.0f} m to water"
    height_m = math.nan if land.height_m is None else float(land.height_m[0, 0])
    if math.isnan(height_m):
        return "blank"
    return "no water within reach: high ground" if math.isinf(height_m) else f"{height_m:.1f} m above the nearest water"


def _source(name: str, study: Study) -> str:
    """Names of the files that a component comes from."""
    return ", ".join(one.path_name for role in ROLES[name] for one in study.inputs if one.role == role)
