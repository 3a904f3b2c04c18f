"""The plan: all tables, totals and warnings from the results of the stages."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from allocator.core.crs import describe, distortion
from allocator.core.results import Plan, Solver, Totals
from allocator.core.study import Season, Study
from allocator.core.units import SQUARE_METRES_PER_ACRE, acres, percent
from allocator.field.work import Work
from allocator.habitat.area import Areas
from allocator.habitat.components import used_components
from allocator.habitat.season import Habitat, Moves
from allocator.habitat.sightings import check_sightings, verdict
from allocator.sites.allot import Allotment
from allocator.sites.decisions import Decided
from allocator.sites.place import Placement
from allocator.sites.shortfall import Shortfall
from allocator.summary.assumptions import assumptions
from allocator.summary.frames import (
    CLOSED_PERCENT,
    complex_frame,
    gap_percent,
    habitat_frame,
    property_frame,
    whole_range,
)
from allocator.summary.justification import cost_counts, justification
from allocator.summary.site_frames import (
    access_frame,
    candidate_frame,
    decision_table,
    service_frame,
    shortfall_table,
    site_frame,
)
from allocator.summary.tables import cover_table, season_property_table, season_table, sightings_table
from allocator.summary.trap_shares import share_table
from allocator.summary.trap_tables import ask_table, frontier_table, pig_table, tornado_table, yardstick_table
from allocator.summary.work_frames import (
    budget_table,
    calendar_table,
    equipment_table,
    labour_table,
    round_stops_table,
    rounds_frame,
)
from allocator.traps.ask import AskNext
from allocator.traps.need import Need
from allocator.traps.ranges import Ranges


@dataclass(frozen=True)
class Stages:
    """What the stages of the journey found.

    Parameters
    ----------
    habitats, moves, needs : sequence
        Habitat of each season, what it gains and loses, and its traps; the planned season first.
    ranges, asked, decided, allotment, shortfalls
        Of the planned season: low and high counts, owners to ask, possible spots, traps given and their sites, and
        traps that have none.
    work : Work
        What the sites take to carry out.
    """

    habitats: Sequence[Habitat]
    moves: Sequence[Moves]
    needs: Sequence[Need]
    ranges: Ranges
    asked: AskNext
    decided: Decided
    allotment: Allotment
    shortfalls: Sequence[Shortfall]
    work: Work

    @property
    def placement(self) -> Placement:
        """The sites."""
        return self.allotment.placement

    @property
    def areas(self) -> Areas:
        """Areas of the planned season."""
        return self.habitats[0].areas

    @property
    def need(self) -> Need:
        """Traps of the planned season."""
        return self.needs[0]


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
    planned, areas, need, placement = stages.habitats[0], stages.areas, stages.need, stages.placement
    properties = property_frame(
        study, areas, need, stages.ranges, allotment=stages.allotment, shortfalls=stages.shortfalls
    )
    totals, work = _totals(study, stages), stages.work
    owner = stages.decided.candidates.places.spots.owner[placement.candidate]
    check = None if study.sightings is None else check_sightings(
        planned.score, study.sightings["x_m"].to_numpy(float), study.sightings["y_m"].to_numpy(float)
    )  # fmt: skip
    return Plan(
        study=study,
        totals=totals,
        solver=_solver(placement),
        properties=properties,
        habitat=habitat_frame(study, planned.patches, planned.complexes),
        complexes=complex_frame(
            study, areas, need, complexes=planned.complexes, patches=planned.patches, allotment=stages.allotment
        ),
        sites=site_frame(study, stages.decided, placement, planned.complexes),
        candidates=candidate_frame(study, stages.decided, placement),
        service_areas=service_frame(study, placement),
        access_paths=access_frame(study, stages.decided, placement),
        shortfalls=shortfall_table(study, stages.shortfalls, planned.complexes.count),
        field_decisions=decision_table(study, stages.decided, stages.allotment),
        rounds=rounds_frame(study, work.schedule, work.trips),
        equipment=equipment_table(work.costs),
        calendar=calendar_table(study, work.schedule, owner),
        round_stops=round_stops_table(work.trips),
        labour=labour_table(work.tasks),
        budget=budget_table(work.costs, cost_counts(study, totals)),
        cover_acres=cover_table(study, areas),
        seasons=season_table(stages.habitats, stages.moves, stages.needs),
        season_acres=season_property_table(study, stages.habitats, stages.needs),
        sightings_check=sightings_table(check),
        ask_next=ask_table(study, stages.asked),
        frontier=frontier_table(stages.allotment),
        tornado=tornado_table(stages.ranges),
        yardsticks=yardstick_table(study, areas.enrolled_m2),
        pigs=pig_table(study, totals.area_acres),
        assumptions=assumptions(study),
        inputs=pd.DataFrame(
            [(one.role, one.path_name, one.crs, one.features, one.sha256) for one in study.inputs],
            columns=["role", "path_name", "crs", "features", "sha256"],
        ),
        problems=pd.DataFrame(
            [(one.severity, one.source, one.message) for one in study.problems],
            columns=["severity", "source", "message"],
        ),
        scores={one.season.name: one.score for one in stages.habitats},
        justification=justification(study, totals, work),
        warnings=_warnings(study, stages, totals, properties),
        facts=_facts(study)
        | {"holidays_off": _holidays_off(study, work)}
        | ({} if check is None else {"sightings": verdict(check)}),
        trap_shares=share_table(study, areas, need),
    )


def _totals(study: Study, stages: Stages) -> Totals:
    areas, need = stages.areas, stages.need
    area_m2 = float(shapely.area(study.properties.shapes).sum()) - areas.double_m2
    traps, sites = int(need.complex_traps.sum()), len(stages.placement.candidate)
    given, exact = int(stages.allotment.given.complex_traps.sum()), float(need.complex_exact.sum())
    standing = int(stages.allotment.in_place.sum())
    low, high = whole_range(np.array(traps), np.array(exact), np.array(stages.ranges.total_traps))
    return Totals(
        properties=len(study.properties.ids),
        area_acres=acres(area_m2),
        habitat_acres=acres(areas.covered_m2),
        habitat_units_acres=acres(areas.covered_units_m2),
        enrolled_habitat_acres=acres(areas.enrolled_m2),
        traps_exact=exact,
        traps=traps,
        traps_low=int(low),
        traps_high=int(high),
        traps_given=given,
        existing_traps=standing,
        sites=sites,
        shortfall=given - standing - sites,
        trap_sets=stages.work.schedule.rotation.sets,
        trap_sets_bound=stages.work.schedule.rotation.bound,
        sites_served=len(stages.work.schedule.served),
        person_hours=stages.work.person_hours,
        miles=stages.work.miles,
        crews=stages.work.trips.crews,
        cost_usd=None if stages.work.costs.is_unknown else float(stages.work.costs.total_usd),
        unpriced=len(stages.work.costs.blank),
    )


def _solver(placement: Placement) -> Solver:
    """Status of all complexes together: what the choice is worth against the sum of the bounds."""
    if not len(placement.candidate):
        return Solver("none", 0.0)
    gap = float(gap_percent(placement.complex_worth.sum(keepdims=True), placement.complex_bound.sum(keepdims=True))[0])
    return Solver("optimal" if gap <= CLOSED_PERCENT else "feasible", gap)


def _warnings(study: Study, stages: Stages, totals: Totals, properties: pd.DataFrame) -> tuple[str, ...]:
    """What the user should know before relying on the plan, most important first."""
    found = []
    if totals.shortfall:
        short = properties[properties["shortfall"] > 0]
        have = "has" if totals.shortfall == 1 else "have"
        where = "1 property" if len(short) == 1 else f"{len(short)} properties"
        found.append(
            f"{totals.shortfall} of {totals.traps_given} traps {have} no site, on {where}; the table of shortfalls "
            "says why and what would place them."
        )
    if totals.traps_given < totals.traps:
        more = stages.allotment.marginal_m2
        gain = "" if np.isnan(more) else f" One more trap would add {acres(more):,.0f} acres of habitat units."
        found.append(
            f"{totals.traps} traps are needed and {totals.traps_given} are placed, where they gain most.{gain}"
        )
    if study.site_decisions:
        kept = len(stages.decided.kept)
        found.append(
            f"Field decisions: {kept} kept, {len(study.site_decisions) - kept} rejected; the table of field decisions "
            "says what became of each."
        )
    found += stages.work.warnings
    if not totals.habitat_acres:
        found.append("No habitat was found on these properties with these settings.")
    found += [one for season in study.seasons if (one := _left_out(study, season))]
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


def _left_out(study: Study, season: Season) -> str:
    """Main components that a season has no data for, in a sentence; empty where none is missing."""
    names = {"water": "distance to water", "lowland": "height above water"}
    used = used_components(study, season)
    missing = [words for name, words in names.items() if name not in used and getattr(season.habitat.weights, name)]
    if not missing:
        return ""
    when = f" in the {season.words} season" if len(study.seasons) > 1 else ""
    return f"Left out of the score{when} for want of data: {', '.join(missing)}; the other weights were scaled up."


def _holidays_off(study: Study, work: Work) -> list[str]:
    """Federal holidays of the season on which crews are off."""
    calendar = study.settings.calendar
    if calendar.holidays != "off" or calendar.first_day is None or calendar.last_day is None:
        return []
    days = sorted(work.schedule.holidays)
    return [day.isoformat() for day in days if calendar.first_day <= day <= calendar.last_day]


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
        "season": study.planned.name,
        "profile": study.settings.habitat.profile or "none",
        "score_components": list(used_components(study, study.planned)),
        "score_steps": "scores are cut down to ten-thousandths",
        "service_radius_m": study.settings.service_radius_m,
        "square_metres_per_acre": SQUARE_METRES_PER_ACRE,
    }
