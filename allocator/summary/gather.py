"""The plan: all tables, totals and warnings from the results of the stages."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from allocator.core.crs import describe, distortion
from allocator.core.results import Plan, ScoreMap, Solver, Totals
from allocator.core.settings import read_defaults
from allocator.core.study import BLANK_CLASS, Study
from allocator.core.units import SQUARE_METRES_PER_ACRE, acres, percent
from allocator.habitat.area import Areas
from allocator.habitat.complexes import Complexes
from allocator.habitat.patches import Patches
from allocator.habitat.tile import used_components
from allocator.sites.candidates import Candidates
from allocator.sites.place import Placement
from allocator.summary.frames import (
    candidate_frame,
    complex_frame,
    habitat_frame,
    property_frame,
    service_frame,
    site_frame,
)
from allocator.traps.need import Need


@dataclass(frozen=True)
class Stages:
    """What the stages of the journey found.

    Parameters
    ----------
    patches, complexes, areas, need, candidates, placement, score
        Results of each stage.
    """

    patches: Patches
    complexes: Complexes
    areas: Areas
    need: Need
    candidates: Candidates
    placement: Placement
    score: ScoreMap


def gather(study: Study, stages: Stages) -> Plan:
    """The plan of a study.

    Parameters
    ----------
    study : Study
        What it was made from.
    stages : Stages
        What was found.

    Returns
    -------
    Plan
        Tables with the columns of ``outputs/columns.csv``.
    """
    areas, need, placement = stages.areas, stages.need, stages.placement
    properties = property_frame(study, areas, need, placement, stages.candidates)
    return Plan(
        study=study,
        totals=_totals(study, stages),
        solver=_solver(placement),
        properties=properties,
        habitat=habitat_frame(study, stages.patches, stages.complexes),
        complexes=complex_frame(
            study, areas, need, complexes=stages.complexes, patches=stages.patches, placement=placement
        ),
        sites=site_frame(study, stages.candidates, placement, stages.complexes),
        candidates=candidate_frame(study, stages.candidates, placement),
        service_areas=service_frame(study, placement),
        cover_acres=_cover_acres(study, areas),
        assumptions=assumptions(study),
        inputs=pd.DataFrame(
            [(one.role, one.path_name, one.crs, one.features, one.sha256) for one in study.inputs],
            columns=["role", "path_name", "crs", "features", "sha256"],
        ),
        problems=pd.DataFrame(
            [(one.severity, one.source, one.message) for one in study.problems],
            columns=["severity", "source", "message"],
        ),
        score=stages.score,
        warnings=_warnings(study, stages, properties),
        facts=_facts(study),
    )


def _totals(study: Study, stages: Stages) -> Totals:
    areas, need = stages.areas, stages.need
    area_m2 = float(shapely.area(study.properties.shapes).sum()) - areas.double_m2
    traps, sites = int(need.complex_traps.sum()), len(stages.placement.candidate)
    return Totals(
        properties=len(study.properties.ids),
        area_acres=acres(area_m2),
        habitat_acres=acres(areas.covered_m2),
        habitat_units_acres=acres(areas.covered_units_m2),
        enrolled_habitat_acres=acres(areas.enrolled_m2),
        traps_exact=float(need.complex_exact.sum()),
        traps=traps,
        sites=sites,
        shortfall=traps - sites,
    )


def _solver(placement: Placement) -> Solver:
    """Status of all complexes together; the gap weighs each complex by what it serves."""
    if not len(placement.candidate):
        return Solver("none", 0.0)
    served = float(placement.complex_served.sum())
    bound = float((placement.complex_served * placement.complex_bound).sum())
    gap = max(round(percent(1 - served / bound), 6), 0.0) if bound else 0.0
    return Solver("optimal" if gap <= 1e-4 else "feasible", gap)


def _cover_acres(study: Study, areas: Areas) -> pd.DataFrame:
    codes = [(one.code, one.name) for one in study.classes]
    codes += [("", "")] * (BLANK_CLASS - len(codes)) + [("", "blank")]
    order = np.lexsort((areas.class_position, areas.class_property))
    position = areas.class_position[order]
    return pd.DataFrame(
        {
            "property_id": np.array(study.properties.ids, object)[areas.class_property[order]],
            "code": np.array([codes[one][0] for one in position], object),
            "cover": np.array([codes[one][1] for one in position], object),
            "area_acres": acres(areas.class_m2[order]),
        }
    )


def assumptions(study: Study) -> pd.DataFrame:
    """Every setting used, with unit, meaning and source.

    Parameters
    ----------
    study : Study
        Its settings and classes.

    Returns
    -------
    pandas.DataFrame
        Columns setting, value, unit, meaning, source; the source of a value that the study file changed is
        'study file'.
    """
    rows: list[tuple[str, str, str, str, str]] = []
    used = study.settings.model_dump(mode="json")

    def walk(default: dict[str, Any], value: Any, name: str) -> None:
        if "value" not in default:
            for key, part in default.items():
                walk(part, value[key], f"{name}.{key}" if name else key)
            return
        is_default = value == default["value"]
        source = default["source"] if is_default else f"study file (default: {default['value']})"
        rows.append((name, str(value), default["unit"], default["meaning"], source))

    walk(read_defaults(), used, "")
    radius = study.settings.sites.service_radius_m
    meaning = "habitat within this distance of a trap is served"
    source = "study file" if radius else "radius of a circle of traps.acres_per_trap"
    rows.append(("sites.service_radius_m", f"{study.settings.service_radius_m:.1f}", "m", meaning, source))
    rows.append(("study.cell_m", f"{study.grid.cell_m:g}", "m", "side of a cell",
                 "study file" if study.settings.study.cell_m else "chosen from the land cover"))  # fmt: skip
    for one in study.classes:
        changed = one.code in study.settings.habitat.cover
        value = "never scored" if np.isnan(one.score) else f"{one.score:g}"
        rows.append(
            (f"habitat.cover.{one.code}", value, "score 0 to 1", one.name, "study file" if changed else one.source)
        )
    return pd.DataFrame(rows, columns=["setting", "value", "unit", "meaning", "source"])


def _warnings(study: Study, stages: Stages, properties: pd.DataFrame) -> tuple[str, ...]:
    """What the user should know before relying on the plan, most important first."""
    found = []
    totals = _totals(study, stages)
    if totals.shortfall:
        short = properties[properties["shortfall"] > 0]
        found.append(
            f"{totals.shortfall} of {totals.traps} traps {'has' if totals.shortfall == 1 else 'have'} no site, on "
            f"{len(short)} {'property' if len(short) == 1 else 'properties'}; the reason stands in the property table."
        )
    if not totals.habitat_acres:
        found.append("No habitat was found on these properties with these settings.")
    names = {"water": "distance to water", "lowland": "height above water"}
    left_out = [words for name, words in names.items() if name not in used_components(study)]
    if left_out:
        found.append(
            f"Left out of the score for want of data: {', '.join(left_out)}; the other weights were scaled up."
        )
    blank = float((properties["blank_percent"] * properties["area_acres"]).sum() / properties["area_acres"].sum())
    if blank > 0.05:
        found.append(f"{blank:.1f} percent of the properties has no land cover and counts as no habitat.")
    if study.settings.traps.acres_per_trap < 556:
        # 556 acres: a square grid of 1.5 km (computed); the spacing itself: McRae et al. 2020.
        found.append(
            f"One trap per {study.settings.traps.acres_per_trap:g} acres puts traps nearer together than the 1.5 km "
            "(about 556 acres each) at which bait sites caught most pigs in McRae et al. 2020 "
            "(Wildl. Soc. Bull. 44:362-371). The rule is common practice; survey with cameras first."
        )
    found += [f"{one.source}: {one.message}" for one in study.problems if one.severity == "warning"]
    return tuple(found)


def _facts(study: Study) -> dict[str, Any]:
    """Figures for the record."""
    grid = study.grid
    error = distortion(grid.crs_wkt, grid.bounds_m)
    return {
        "crs": describe(grid.crs_wkt),
        "area_error_percent": percent(error.area_error),
        "length_error_percent": percent(error.length_error),
        "cell_m": grid.cell_m,
        "cells": grid.rows * grid.columns,
        "score_components": list(used_components(study)),
        "score_steps": "scores are cut down to ten-thousandths",
        "service_radius_m": study.settings.service_radius_m,
        "square_metres_per_acre": SQUARE_METRES_PER_ACRE,
    }
