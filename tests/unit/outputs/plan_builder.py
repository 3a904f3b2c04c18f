"""A small invented plan, whole enough for every output: three properties, two patches, one complex, two sites."""

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from allocator.core.cautions import SITE_CAUTION
from allocator.core.crs import local_equal_area
from allocator.core.grid import Grid
from allocator.core.results import Plan, ScoreMap, Solver, Totals
from allocator.core.settings import Settings, default_values
from allocator.core.study import CoverClass, InputRecord, PolygonCover, Problem, Properties, Study
from allocator.habitat.components import COMPONENTS
from allocator.outputs.columns import columns_of
from tests.builders import KIT

CRS_WKT = local_equal_area(-64.63, 28.41)
NAMES = ("North bottom", "=1+1", 'Été "Creek", <b>bend</b>')


def make_settings(**sections: dict[str, Any]) -> Settings:
    """Settings with the shipped defaults; keyword arguments change whole keys of a section."""
    values = default_values()
    values["study"]["name"] = "Invented bottoms"
    values["inputs"] = {
        "properties": {"path": "inputs/tracts.gpkg", "layer": "tracts", "id": "tract_no"},
        "land_cover": {"path": "inputs/cover.tif", "scheme": "nlcd"},
    }
    for section, changes in sections.items():
        values[section] |= changes
    return Settings.model_validate(values)


def make_study(settings: Settings | None = None) -> Study:
    """A study of three squares of 100 m in a grid of 10 m cells."""
    shapes = np.array([shapely.box(100 * i, 0, 100 * i + 100, 100) for i in range(3)], dtype=object)
    return Study(
        settings=settings or make_settings(),
        grid=Grid(CRS_WKT, 0.0, 100.0, 10.0, 10, 30),
        properties=Properties(("00123", "00124", "7"), NAMES, np.array([True, True, False]), shapes),
        cover=PolygonCover(shapes[:1], np.array([0], dtype=np.uint8)),
        classes=(CoverClass("90", "Woody wetlands", 1.0, "no", "closed", "invented"),),
        water_kinds=frozenset({"permanent"}),
        kit=KIT,
        inputs=(InputRecord("properties", "tracts.gpkg:tracts", "EPSG:5070", 3, "0" * 64),),
        problems=(Problem("note", "properties, tracts.gpkg", "1 ring was closed"),),
    )


def _properties() -> pd.DataFrame:
    return pd.DataFrame({
        "property_id": ["00123", "00124", "7"],
        "name": list(NAMES),
        "enrolled": ["yes", "yes", "no"],
        "area_acres": [2.4710538146716536, 2.4710538146716536, 0.1 + 0.2],
        "habitat_acres": [1.25, 0.0, 0.0],
        "habitat_percent": [50.58, 0.0, 0.0],
        "habitat_units_acres": [1.0, 0.0, 0.0],
        "habitat_low_acres": [1.0, 0.1, 0.0],
        "habitat_high_acres": [1.5, 0.4, 0.2],
        "blank_percent": [0.0, 100.0, np.nan],
        "traps_exact": [2.1, 0.4, 0.0],
        "traps": [2, 1, 0],
        "traps_low": [1, 0, 0],
        "traps_high": [3, 1, 0],
        "traps_alone": [2, 0, 0],
        "traps_given": [2, 1, 0],
        "existing_traps": [0, 0, 0],
        "sites": [2, 0, 0],
        "shortfall": [0, 1, 0],
        "shortfall_reason": ["", "no ground within 60 m of a road", ""],
    })  # fmt: skip


def _sites(count: int) -> pd.DataFrame:
    numbers = range(1, count + 1)
    return pd.DataFrame({
        "site_id": pd.Series([f"T{n:03}" for n in numbers], dtype=object),
        "rank": pd.Series(numbers, dtype="int64"),
        "property_id": "00123",
        "complex_id": "C1",
        "latitude": [28.41 + n / 1e4 for n in numbers],
        "longitude": [-64.63 + n / 1e4 for n in numbers],
        "usng": "20RLR3820640640",
        "utm": "20N 338206 3143640",
        "road_name": "-Levee road",
        "road_distance_m": 22.5,
        "road_when": "dry weather only",
        "access_m": 25.0,
        "seen_from_road": "yes",
        "water_distance_m": pd.Series([np.nan] * count, dtype="float64"),
        "slope_percent": pd.Series([np.nan] * count, dtype="float64"),
        "flooding": "rare",
        "habitat_distance_m": 0.0,
        "boundary_distance_m": 30.0,
        "building_distance_m": pd.Series([np.nan] * count, dtype="float64"),
        "cover": "Woody wetlands",
        "score": 0.9,
        "quality": 0.7,
        "served_acres": [0.8 / n for n in numbers],
        "door_bearing_deg": 271.5,
        "decision": "",
        "decision_reason": "",
        "cautions": SITE_CAUTION,
    })  # fmt: skip


def _candidates(count: int) -> pd.DataFrame:
    return pd.DataFrame({
        "candidate_id": pd.Series([f"K{n}" for n in range(count)], dtype=object),
        "property_id": "00123",
        "quality": 0.7,
        "road_distance_m": 22.5,
        "road_when": "all year",
        "access_m": 25.0,
        "water_distance_m": 40.0,
        "slope_percent": pd.Series([np.nan] * count, dtype="float64"),
        "flooding": "rare",
        "habitat_distance_m": 0.0,
        "boundary_distance_m": 30.0,
        "building_distance_m": pd.Series([np.nan] * count, dtype="float64"),
        "damage_distance_m": pd.Series([np.nan] * count, dtype="float64"),
        "shade": "closed",
        "cover": "Woody wetlands",
        "score": 0.9,
        "is_chosen": pd.Series([True] * count, dtype=bool),
    })  # fmt: skip


def _layer(frame: pd.DataFrame, shapes: list[Any]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, index=frame.index, crs=CRS_WKT), crs=CRS_WKT)


def _layers(count: int) -> dict[str, gpd.GeoDataFrame]:
    squares = [shapely.box(100 * i, 0, 100 * i + 100, 100) for i in range(3)]
    patches = [shapely.box(0, 0, 50, 50), shapely.union(shapely.box(60, 0, 70, 10), shapely.box(80, 0, 90, 10))]
    points = [shapely.Point(20 + 40 * n, 50) for n in range(count)]
    sites = _sites(count)
    habitat = pd.DataFrame(
        {"patch_id": ["P1", "P2"], "complex_id": ["C1", "C1"], "area_acres": [0.6, 0.05],
         "habitat_units_acres": [0.54, 0.04], "mean_score": [0.9, 0.8], "mean_cover": [1.0, 0.9]}
        | {f"mean_{name}": [np.nan, np.nan] for name in COMPONENTS[1:]}
    )  # fmt: skip
    complexes = pd.DataFrame({
        "complex_id": ["C1"], "patches": [2], "habitat_acres": [0.65], "enrolled_habitat_acres": [0.65],
        "habitat_units_acres": [0.5], "traps_exact": [2.5], "traps": [3], "traps_given": [3],
        "existing_traps": [0], "sites": [count], "served_percent": [80.0 if count else 0.0],
        "solver_status": ["optimal" if count else "none"], "choice_acres": [0.4 if count else np.nan],
        "bound_acres": [0.4 if count else np.nan], "gap_percent": [0.0 if count else np.nan],
    })  # fmt: skip
    return {
        "properties": _layer(_properties(), squares),
        "habitat": _layer(habitat, patches),
        "complexes": _layer(complexes, [shapely.union_all(patches)]),
        "sites": _layer(sites, points),
        "candidates": _layer(_candidates(count), points),
        "service_areas": _layer(sites[["site_id", "served_acres"]].copy(), [point.buffer(30) for point in points]),
        "access_paths": _layer(
            sites[["site_id"]].assign(length_m=25.0),
            [shapely.LineString([(point.x, 25), point.coords[0]]) for point in points],
        ),
        "rounds": _layer(_rounds(count), [shapely.LineString([(0, 50), *(p.coords[0] for p in points), (0, 50)])]),
    }


def _rounds(count: int) -> pd.DataFrame:
    return pd.DataFrame({
        "round_id": ["R001"], "purpose": ["check"], "crew": [1], "turn": [1], "first_day": ["2027-02-25"],
        "last_day": ["2027-03-02"], "first_open_day": [24], "last_open_day": [29], "times": [6], "stops": [count],
        "distance_miles": [0.1 + 0.2], "hours": [1.5],
    })  # fmt: skip


def _work_tables(sites: list[str]) -> dict[str, pd.DataFrame]:
    """Kit with and without a price, a site with days and the others without a trap set, hours and money."""
    stages = {f"{stage}_{end}": "" for stage in ("build", "pre_bait", "capture", "reset") for end in ("first", "last")}
    dated = stages | {"build_first": "2027-02-01", "build_last": "2027-02-02", "capture_first": "2027-02-25",
                      "capture_last": "2027-03-02"}  # fmt: skip
    calendar = [
        {"site_id": site, "property_id": "00123", "trap_set": None if place else 1,
         "call_by": "" if place else "2027-01-26", "first_open_day": None if place else 1,
         "last_open_day": None if place else 30, **(stages if place else dated), "move_test": "",
         "reason": "no set is left" if place else ""}
        for place, site in enumerate(sites)
    ]  # fmt: skip
    frames = {
        "round_stops": [("R001", place, site, 0.1, 0.25) for place, site in enumerate([*sites, ""], start=1)],
        "equipment": [
            ("panel", "Panel, 16 x 5 ft", 3.0, 1, 1, 4.0, "each", 75.0, 300.0, "2026-01-15", "an invented quote", 71.5),
            ("bait", "Bait", np.nan, None, None, 675.0, "lb", np.nan, np.nan, "", "", 1.0),
        ],
        "labour": [("Build", 1.0, "sites", 6.0, "6 person-hours a site"), ("Drive", np.nan, "", np.nan, "no base")],
        "budget": [
            ("line", "e", "Panel, 16 x 5 ft", "supplies", "ordinary", 4.0, 75.0, 300.0),
            ("line", "", "Bait (pounds)", "supplies", "ordinary", 675.0, np.nan, np.nan),
            ("total", "", "Total of the lines with a price", "", "", np.nan, np.nan, 300.0),
        ],
    }  # fmt: skip
    columns = {name: [column.column for column in columns_of(name)] for name in (*frames, "calendar")}
    return {name: pd.DataFrame(rows, columns=columns[name]) for name, rows in frames.items()} | {
        "calendar": pd.DataFrame(calendar, columns=columns["calendar"])
    }


def _tables(study: Study) -> dict[str, pd.DataFrame]:
    return {
        "trap_shares": pd.DataFrame(
            {"property_id": ["00123", "00124"], "complex_id": ["C1", "C1"], "habitat_m2": [5058.571, 0.1 + 0.2],
             "complex_habitat_m2": [5058.871, 5058.871]}
        ),
        "shortfalls": pd.DataFrame(
            {"property_id": ["00124"], "complex_id": ["C1"], "traps": [1], "reason": ["no ground near a road"],
             "setting": ["sites.road_distance_m"], "value_now": ["[5, 60]"], "value_needed": ["[5, 75]"],
             "traps_placed": [1], "change": ["truck roads up to 75 m off"]}
        ),
        "field_decisions": pd.DataFrame(
            {"site_id": ["T009"], "decision": ["reject"], "decision_reason": ["wet"], "moved_m": [np.nan],
             "new_site_id": [""], "outcome": ["rejected; 3 spots within 100 m left out"]}
        ),
        "cover_acres": pd.DataFrame(
            {"property_id": ["00123", "00124"], "code": ["90", ""], "cover": ["Woody wetlands", "blank"],
             "area_acres": [2.4710538146716536, 2.4710538146716536], "habitat_acres": [1.25, 0.0],
             "habitat_units_acres": [1.0, 0.0]}
        ),
        "seasons": pd.DataFrame(
            {"season": ["year_round", "dry"], "is_planned": [True, False], "habitat_acres": [1.25, 1.0],
             "habitat_units_acres": [1.0, 0.8], "enrolled_habitat_acres": [1.25, 1.0], "gained_acres": [0.0, 0.25],
             "lost_acres": [0.0, 0.5], "traps_exact": [2.5, 2.0], "traps": [3, 2]}
        ),
        "season_acres": pd.DataFrame(
            {"property_id": ["00123"], "season": ["dry"], "habitat_acres": [1.0], "habitat_units_acres": [0.8],
             "traps": [2]}
        ),
        "sightings_check": pd.DataFrame(
            {"measure": ["Boyce index"], "value": [0.5], "low": [np.nan], "high": [np.nan], "sample": ["12 cells"],
             "meaning": ["invented"]}
        ),
        "ask_next": pd.DataFrame(
            {"rank": [1], "property_id": ["7"], "name": [NAMES[2]], "habitat_acres": [1.0],
             "habitat_units_acres": [0.8], "traps_added": [1], "complexes": [1], "with_traps": [1]}
        ),
        "frontier": pd.DataFrame(
            {"traps": [0, 1], "served_units_acres": [0.0, 0.6], "added_acres": [0.0, 0.6], "is_planned": [False, True]}
        ),
        "tornado": pd.DataFrame(
            {"assumption": ["acres per trap"], "low_traps": [2.0], "high_traps": [4.0], "width_traps": [2.0]}
        ),
        "yardsticks": pd.DataFrame(
            {"what": ["this plan's rule"], "figure": ["300 acres"], "acres": [300.0], "traps": [2.5],
             "source": ["common practice, no source"]}
        ),
        "pigs": pd.DataFrame(
            {"measure": ["pigs on this land"], "value": [10.0], "low": [1.0], "high": [30.0], "unit": ["pigs"],
             "source": ["invented"]}
        ),
        "assumptions": pd.DataFrame(
            {"setting": ["traps.acres_per_trap"], "value": ["300.0"], "unit": ["acres of habitat"],
             "meaning": ["habitat that one corral trap answers for"], "source": ["common practice, no source"]}
        ),
        "inputs": pd.DataFrame(
            [(part.role, part.path_name, part.crs, part.features, part.sha256) for part in study.inputs],
            columns=["role", "path_name", "crs", "features", "sha256"],
        ),
        "problems": pd.DataFrame(
            [(part.severity, part.source, part.message) for part in study.problems],
            columns=["severity", "source", "message"],
        ),
    }  # fmt: skip


def make_plan(sites: int = 2, settings: Settings | None = None, **tables: pd.DataFrame) -> Plan:
    """A plan with so many sites; keyword arguments replace whole tables."""
    study = make_study(settings)
    shape = (study.grid.rows, study.grid.columns)
    return Plan(
        study=study,
        totals=Totals(
            properties=3,
            area_acres=5.242107629343307,
            habitat_acres=1.25,
            habitat_units_acres=1.0,
            enrolled_habitat_acres=1.25,
            traps_exact=2.5,
            traps=3,
            traps_low=2,
            traps_high=4,
            traps_given=3,
            existing_traps=0,
            sites=sites,
            shortfall=3 - sites,
            trap_sets=min(sites, 1),
            trap_sets_bound=min(sites, 1),
            sites_served=min(sites, 1),
            person_hours=None,
            miles=None,
            crews=None,
            cost_usd=300.0,
            unpriced=1,
        ),
        solver=Solver("optimal" if sites else "none", 0.0 if sites else float("nan")),
        scores={"year_round": ScoreMap(study.grid, np.full(shape, 9000, dtype=np.uint16), np.ones(shape, dtype=bool))},
        justification=(
            "One trap for 300 acres of habitat is common practice.",
            "A score is a hypothesis, not a census.",
        ),
        warnings=("1 trap has no site",),
        facts={"area_error_percent": 0.0001, "components": ("cover", "water"), "cells": np.int64(300), "none": np.nan},
        **(_layers(sites) | _tables(study) | _work_tables(_sites(sites)["site_id"].tolist()) | tables),
    )
