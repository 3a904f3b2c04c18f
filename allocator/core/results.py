"""A plan: the tables that every output shows, with the column names of ``outputs/columns.csv``."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from allocator.core.arrays import Bools
from allocator.core.grid import Grid
from allocator.core.study import Study

BLANK_SCORE = 65535
SCORE_STEPS = 10_000
"""Scores are whole ten-thousandths, so that the same sums come out in any order."""


@dataclass(frozen=True, slots=True)
class Totals:
    """The totals of a plan; None where this plan does not know.

    Parameters
    ----------
    properties : int
        Number of properties.
    area_acres, habitat_acres, habitat_units_acres : float
        On all properties, ground where two overlap counted once.
    enrolled_habitat_acres : float
        On enrolled properties.
    traps_exact : float
        Enrolled habitat over acres per trap, not rounded.
    traps, traps_low, traps_high : int
        Traps needed, and the 10th and 90th percentile of that number.
    traps_given : int
        Traps that the plan places: those needed, or those on hand.
    existing_traps, sites, shortfall : int
        Of the traps given: those that stand already, sites chosen, and those that have none.
    trap_sets, trap_sets_bound : int
        Trap sets that move from site to site, and the number that is proven needed for the sites served.
    sites_served : int
        Sites that get a trap set in the season.
    person_hours : float or None
        Work of the season with driving; None where driving is not known.
    miles : float or None
        Driven in the season; None without a base on the road network.
    crews : int or None
        Crews on the busiest day; None likewise.
    cost_usd : float or None
        What the plan costs as far as prices are known; None where none is.
    unpriced : int
        Things that are in no sum for want of a price.
    """

    properties: int
    area_acres: float
    habitat_acres: float
    habitat_units_acres: float
    enrolled_habitat_acres: float
    traps_exact: float
    traps: int
    traps_low: int
    traps_high: int
    traps_given: int
    existing_traps: int
    sites: int
    shortfall: int
    trap_sets: int
    trap_sets_bound: int
    sites_served: int
    person_hours: float | None
    miles: float | None
    crews: int | None
    cost_usd: float | None
    unpriced: int


@dataclass(frozen=True, slots=True)
class Solver:
    """How well the sites were chosen.

    Parameters
    ----------
    status : str
        optimal, feasible or none (no site to choose).
    gap_percent : float
        What a better choice could at most add, in percent of the bound.
    """

    status: str
    gap_percent: float


@dataclass(frozen=True)
class ScoreMap:
    """The habitat score of every cell.

    Parameters
    ----------
    grid : Grid
        Where the cells lie.
    score : array of uint16, shape (rows, columns)
        Ten-thousandths; 65535 blank.
    is_habitat : array of bool, shape (rows, columns)
        Cells of a patch that is large enough.
    """

    grid: Grid
    score: NDArray[np.uint16]
    is_habitat: Bools


@dataclass(frozen=True)
class Plan:
    """The answer for one study. Columns, units and meaning: ``outputs/columns.csv``.

    Parameters
    ----------
    study : Study
        What it was made from.
    totals : Totals
        The totals.
    solver : Solver
        Status and gap of the choice of sites.
    properties, habitat, complexes, sites, candidates, service_areas, access_paths : geopandas.GeoDataFrame
        One row each per property, patch, complex, site, candidate, site, site; in the study's coordinate system.
    trap_shares : pandas.DataFrame
        What traps are counted and shared by: habitat of every complex on every enrolled property, with all digits.
    shortfalls, field_decisions : pandas.DataFrame
        Tables without geometry, on sites.
    rounds : geopandas.GeoDataFrame
        One row per round of a crew.
    equipment, calendar, round_stops, labour, budget : pandas.DataFrame
        Tables without geometry, on what the plan takes.
    cover_acres, seasons, season_acres, sightings_check : pandas.DataFrame
        Tables without geometry, on habitat.
    ask_next, frontier, tornado, yardsticks, pigs : pandas.DataFrame
        Tables without geometry, on the number of traps.
    assumptions, inputs, problems : pandas.DataFrame
        Tables without geometry, for the record.
    scores : mapping of str to ScoreMap
        The habitat score of every cell by season, the planned season first.
    justification : tuple of str
        Sentences for a grant application, every one of them of this plan.
    warnings : tuple of str
        What the user should know before relying on the plan.
    facts : dict
        Area and length error of the coordinate system, components used, and other figures for the record.
    """

    study: Study
    totals: Totals
    solver: Solver
    properties: gpd.GeoDataFrame
    habitat: gpd.GeoDataFrame
    complexes: gpd.GeoDataFrame
    sites: gpd.GeoDataFrame
    candidates: gpd.GeoDataFrame
    service_areas: gpd.GeoDataFrame
    access_paths: gpd.GeoDataFrame
    trap_shares: pd.DataFrame
    shortfalls: pd.DataFrame
    field_decisions: pd.DataFrame
    rounds: gpd.GeoDataFrame
    equipment: pd.DataFrame
    calendar: pd.DataFrame
    round_stops: pd.DataFrame
    labour: pd.DataFrame
    budget: pd.DataFrame
    cover_acres: pd.DataFrame
    seasons: pd.DataFrame
    season_acres: pd.DataFrame
    sightings_check: pd.DataFrame
    ask_next: pd.DataFrame
    frontier: pd.DataFrame
    tornado: pd.DataFrame
    yardsticks: pd.DataFrame
    pigs: pd.DataFrame
    assumptions: pd.DataFrame
    inputs: pd.DataFrame
    problems: pd.DataFrame
    scores: Mapping[str, ScoreMap]
    justification: tuple[str, ...]
    warnings: tuple[str, ...]
    facts: dict[str, Any]

    @property
    def score(self) -> ScoreMap:
        """The habitat score of every cell in the planned season."""
        return next(iter(self.scores.values()))
