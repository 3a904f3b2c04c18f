"""An invented plan for the map page, whose names try to run as code."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from allocator.core.crs import GEOGRAPHIC, local_equal_area, transform_points
from allocator.core.grid import Grid
from allocator.core.results import BLANK_SCORE, Plan, ScoreMap, Solver, Totals
from allocator.core.settings import Settings, default_values
from allocator.core.study import PolygonCover, Properties, Roads, Study, Water
from allocator.outputs.columns import columns_of, table_names
from tests.builders import KIT

CRS = local_equal_area(-64.6, 28.4)
PAYLOADS = (
    "<img src=x onerror=\"window.ran='img'\">",
    "</script><script>window.ran='end'</script>",
    "<script>window.ran='script'</script>",
    "${window.ran='template'}",
    "back`tick`;window.ran='tick'//",
    "C:\\path\\20190221\\x41",
    "both \"quotes\" and 'quotes' & ampersand",
    "two\nlines",
    "line\u2028end\u2029here",
    "<svg onload=\"window.ran='svg'\">",
    "<!-- <script> --><a href=\"javascript:window.ran='link'\">go</a>",
    "{{ 7 * 7 }}{% raw %}&lt;b&gt; Żółw ñ",
)


BASE = (-64.63, 28.39)
SEASON = {"first_day": "2027-02-01", "last_day": "2027-09-30", "closed": [["2027-04-01", "2027-05-15"]]}
HOLIDAYS = ("2027-02-15", "2027-05-31", "2027-06-18")
SITES_A_SET = 3


def _settings(name: str) -> Settings:
    values = default_values()
    values["calendar"] |= SEASON
    values["crews"] |= {"base_longitude": BASE[0], "base_latitude": BASE[1]}
    values["grant"] |= {"award_date": "2026-10-01", "match_percent": "25"}
    values["study"]["name"] = name
    values["inputs"] = {"properties": {"path": "tracts.gpkg"}, "land_cover": {"path": "cover.gpkg", "scheme": "nlcd"}}
    return Settings.model_validate(values)


def make_score(rows: int = 60, columns: int = 80) -> ScoreMap:
    down, across = np.mgrid[0:rows, 0:columns]
    score = (5000 + 4900 * np.sin(across / 9) * np.cos(down / 7)).astype(np.uint16)
    score[:6, :9] = BLANK_SCORE
    return ScoreMap(Grid(CRS, -4000.0, 3000.0, 100.0, rows, columns), score, score >= 5000)


def _blank_tables() -> dict[str, pd.DataFrame]:
    kinds = {"text": "object", "yes/no": "object", "number": "float64", "whole number": "Int64"}
    return {
        name: pd.DataFrame({column.column: pd.Series(dtype=kinds[column.type]) for column in columns_of(name)})
        for name in table_names()
    }


def _frame(table: str, rows: list[dict[str, Any]], shapes: list[Any]) -> gpd.GeoDataFrame:
    """Rows with every documented column; what a row does not give is blank."""
    blank = {"text": None, "yes/no": None, "number": np.nan, "whole number": pd.NA}
    values = {
        column.column: [row.get(column.column, blank[column.type]) for row in rows] for column in columns_of(table)
    }
    return gpd.GeoDataFrame(values, geometry=shapes, crs=CRS)


def _properties(count: int, names: tuple[str, ...]) -> gpd.GeoDataFrame:
    side = int(np.ceil(np.sqrt(count)))
    west, north, step = -3600.0, 2600.0, 7000.0 / side
    shapes = [
        box(west + (n % side) * step, north - (n // side + 0.8) * step * 0.75, west + (n % side + 0.92) * step,
            north - (n // side) * step * 0.75)
        for n in range(count)
    ]  # fmt: skip
    rows = [
        {"property_id": f"{n:05d}", "name": names[n % len(names)], "enrolled": n % 4 != 3, "area_acres": 700.0 + n,
         "habitat_acres": 1234.5678 if n == 0 else 300.0 - n % 300, "habitat_percent": 40.0,
         "habitat_units_acres": 100.0, "blank_percent": 0.0, "traps_exact": 1.2, "traps": n % 6,
         "sites": n % 3, "shortfall": 2 if n == 5 else 0,
         "shortfall_reason": "no road that a truck may use" if n == 5 else ""}
        for n in range(count)
    ]  # fmt: skip
    return _frame("properties", rows, shapes)


def _sites(count: int, ids: list[str]) -> gpd.GeoDataFrame:
    x = np.linspace(-3000, 3000, count)
    y = 1500 * np.sin(x / 900)
    longitude, latitude = transform_points(x, y, CRS, GEOGRAPHIC)
    rows = [
        {"site_id": f"S{n + 1:03d}", "rank": n + 1, "property_id": ids[n % len(ids)], "complex_id": "C1",
         "latitude": latitude[n], "longitude": longitude[n], "usng": "20R ME 12345 67890",
         "utm": "20N 412345 3141234", "road_name": "Levee Road" if n % 2 else PAYLOADS[0], "road_distance_m": 40.0 - n,
         "road_when": "all year", "water_distance_m": np.nan, "slope_percent": 2.0, "cover": "Woody Wetlands",
         "score": 0.8, "quality": 0.7, "served_acres": 2345.67 - n, "door_bearing_deg": 37.0 * n % 360,
         "decision": "", "cautions": "Verify on the ground: written permission."}
        for n in range(count)
    ]  # fmt: skip
    return _frame("sites", rows, list(shapely.points(x, y)))


def _study(score: ScoreMap, name: str, properties: gpd.GeoDataFrame) -> Study:
    roads = Roads(
        np.array([LineString([(-4000, -400), (4000, 300)]), LineString([(-1500, 3000), (-900, -3000)]),
                  LineString([(2100, 3000), (1700, -3000)])]),
        ("Levee Road", PAYLOADS[1], "Farm track"), ("yes", "dry", "no"),
    )  # fmt: skip
    seen = pd.DataFrame({"x_m": [500.0, -2000.0], "y_m": [900.0, -800.0], "date": ["2025-03-01", ""],
                         "count": ["4", ""], "kind": ["camera", PAYLOADS[2]]})  # fmt: skip
    river = LineString(np.column_stack([np.linspace(-4000, 4000, 60), 900 * np.sin(np.linspace(0, 7, 60))])).buffer(70)
    owners = Properties(
        tuple(properties["property_id"]), tuple(properties["name"]), properties["enrolled"].to_numpy(bool),
        properties.geometry.to_numpy(),
    )  # fmt: skip
    return Study(
        settings=_settings(name), grid=score.grid, properties=owners, water_kinds=frozenset({"permanent"}), classes=(),
        cover=PolygonCover(np.array([], object), np.array([], np.uint8)), kit=KIT, roads=roads, sightings=seen,
        water=Water(np.array([river, LineString([(-3000, 3000), (-2500, 0)])]), np.array(["permanent"] * 2, object)),
        buildings=np.array([Point(1000, 1000), box(-1200, -1200, -1150, -1160)]),
        exclusions=np.array([box(2400, -2400, 3300, -1700)]),
    )  # fmt: skip


def _asked() -> pd.DataFrame:
    return pd.DataFrame(
        [(place + 1, f"{place:05d}", name, 100.0, 80.0, 1, 1, 1) for place, name in enumerate(PAYLOADS)],
        columns=[column.column for column in columns_of("ask_next")],
    )


def _shortfalls() -> pd.DataFrame:
    """A trap without a site, with a change that would place it; and one without."""
    columns = [column.column for column in columns_of("shortfalls")]
    return pd.DataFrame(
        [
            ("00005", "C1", 1, PAYLOADS[1], "sites.spacing_m", "500", "430", 1, PAYLOADS[0]),
            ("00005", "C2", 1, "steep", "", "", "", 0, ""),
        ],
        columns=columns,
    )


def _decisions() -> pd.DataFrame:
    columns = [column.column for column in columns_of("field_decisions")]
    return pd.DataFrame([("S001", "reject", PAYLOADS[0], np.nan, "", "rejected")], columns=columns)


def _calendar(sites: gpd.GeoDataFrame) -> pd.DataFrame:
    """Three sites one after the other on every set; the last site gets no set."""
    stages = {"build": (0, 1), "pre_bait": (2, 23), "capture": (24, 29), "reset": (30, 30)}
    rows = []
    for place, site in enumerate(sites.to_dict("records")):
        row = {"site_id": site["site_id"], "property_id": site["property_id"]}
        start = date(2027, 5, 17) + timedelta(days=40 * (place % SITES_A_SET))
        if place == len(sites) - 1:
            row |= {"reason": f"no set is left {PAYLOADS[0]}"}
        else:
            row |= {
                "trap_set": place // SITES_A_SET + 1,
                "call_by": "2027-05-12",
                "move_test": str(start + timedelta(11)),
            }
            for stage, ends in stages.items():
                row |= {
                    f"{stage}_{end}": str(start + timedelta(days))
                    for end, days in zip(("first", "last"), ends, strict=True)
                }
        rows.append(row)
    columns = {column.column: column.type for column in columns_of("calendar")}
    return pd.DataFrame([{name: row.get(name, "" if kind == "text" else None) for name, kind in columns.items()}
                         for row in rows], columns=list(columns))  # fmt: skip


def _rounds() -> gpd.GeoDataFrame:
    """A round to bait and one to check over the same road, and one to check without a way."""
    x, y = transform_points(np.array([BASE[0]]), np.array([BASE[1]]), GEOGRAPHIC, CRS)
    shared = [(x[0], y[0]), (-1500, -400), (0, 0), (1500, 100)]
    ways = [LineString(shared), LineString([*shared, (2500, 900)]), LineString()]
    rows = [
        {"round_id": f"R{place:03d}", "purpose": purpose, "crew": 1, "turn": 1, "first_day": "2027-05-19",
         "last_day": "2027-06-09", "times": 7, "stops": 2, "distance_miles": 4.25, "hours": 1.75}
        for place, purpose in enumerate(("bait", "check", "check"), start=1)
    ]  # fmt: skip
    return _frame("rounds", rows, ways)


def _trap_shares(properties: gpd.GeoDataFrame) -> pd.DataFrame:
    """One complex, shared by all who have signed."""
    signed = properties[properties["enrolled"].to_numpy(bool)]
    habitat_m2 = signed["habitat_acres"].to_numpy(float) * 4046.8564224
    return pd.DataFrame(
        {"property_id": signed["property_id"].tolist(), "complex_id": "C1", "habitat_m2": habitat_m2,
         "complex_habitat_m2": habitat_m2.sum()}
    )  # fmt: skip


def _work_tables(sites: gpd.GeoDataFrame) -> dict[str, pd.DataFrame]:
    """Tables of what the plan takes; a price is missing, and names and sources try to run as code."""
    rows: dict[str, list[tuple[Any, ...]]] = {
        "round_stops": [(f"R{place:03d}", stop, site, leg, 0.4) for place in (1, 2)
                        for stop, (site, leg) in enumerate((("S002", 2.5), ("S001", 1.25), ("", 0.5)), start=1)],
        "equipment": [
            ("panel", f"Panel {PAYLOADS[0]}", 3.0, 4, 1, 13.0, "each", 75.0, 975.0, "2026-01-15", PAYLOADS[1], np.nan),
            ("trigger", "Trigger", 1.0, 4, 1, 5.0, "each", np.nan, np.nan, "", "", np.nan),
            ("bait", "Bait", np.nan, pd.NA, pd.NA, 13500.5, "lb", 0.225, 3037.61, "2026-01-15", PAYLOADS[2], 1.0),
        ],
        "labour": [("Build", 8.0, "sites", 48.0, "6 person-hours a site"),
                   ("Drive", np.nan, "miles", np.nan, PAYLOADS[0])],
        "budget": [
            ("line", "a", "Build: person-hours", "personnel", "ordinary", 48.0, 24.0, 1152.0),
            ("line", "", "Trigger", "", "ordinary", 5.0, np.nan, np.nan),
            ("line", "h", PAYLOADS[2], "other", "ordinary", 1.0, np.nan, np.nan),
            ("form", "a", "Personnel", "", "", np.nan, np.nan, 1152.0),
            ("form", "c", "Travel", "", "", np.nan, np.nan, 0.0),
            ("form", "e", "Supplies", "", "", np.nan, np.nan, 4012.61),
            ("form", "h", "Other", "", "", np.nan, np.nan, 0.0),
            ("form", "j", "Indirect charges", "", "", np.nan, np.nan, 0.0),
            ("form", "k", "Totals", "", "", np.nan, np.nan, 5164.61),
            ("match", "", "Match", "", "", np.nan, np.nan, 1291.15),
            ("each", "", "Cost of one trap set", "", "", 3.0, np.nan, 1721.54),
        ],
    }  # fmt: skip
    columns = {name: [column.column for column in columns_of(name)] for name in rows}
    return {name: pd.DataFrame(lines, columns=columns[name]) for name, lines in rows.items()} | {
        "calendar": _calendar(sites), "rounds": _rounds(),
    }  # fmt: skip


def make_plan(properties: int = 12, sites: int = 9, name: str = "Harlow Bottoms " + PAYLOADS[0]) -> Plan:
    """An invented plan whose names try to run as code."""
    score = make_score()
    owners = _properties(properties, PAYLOADS)
    places = _sites(sites, list(owners["property_id"]))
    patch = Polygon([(-3500, -300), (-500, 900), (3000, 600), (2600, -900), (-2500, -1500)])
    ring = box(-3000, 1500, -1800, 2500).difference(box(-2600, 1800, -2200, 2200))
    habitat = _frame("habitat", [{"patch_id": "P1", "complex_id": "C1", "area_acres": 2000.4, "mean_score": 0.71},
                                 {"patch_id": "P2", "complex_id": "C1", "area_acres": 260.0, "mean_score": 0.6}],
                     [patch, ring])  # fmt: skip
    complexes = _frame("complexes", [{"complex_id": "C1", "patches": 2, "habitat_acres": 2260.4, "traps": 9, "sites": 9,
                                      "enrolled_habitat_acres": 2000.0, "traps_exact": 7.5, "served_percent": 81.0,
                                      "gap_percent": 0.0}], [MultiPolygon([patch, ring])])  # fmt: skip
    circles = [{"site_id": site, "served_acres": 300.0} for site in places["site_id"]]
    spots = _frame("candidates", [{"candidate_id": f"K{n}", "property_id": "00000", "quality": n / 40, "shade": "open",
                                   "is_chosen": False} for n in range(40)],
                   [Point(-3000 + 150 * n, 300) for n in range(40)])  # fmt: skip
    blank = _blank_tables()
    return Plan(
        study=_study(score, name, owners), solver=Solver("optimal", 0.0), scores={"year_round": score}, habitat=habitat,
        complexes=complexes,
        totals=Totals(
            properties=properties, area_acres=9000.0, habitat_acres=2260.4, habitat_units_acres=1600.0,
            enrolled_habitat_acres=2000.0, traps_exact=7.5, traps=11, traps_low=8, traps_high=14, traps_given=11,
            existing_traps=0, sites=sites, shortfall=2, trap_sets=3, trap_sets_bound=3, sites_served=sites - 1,
            person_hours=551.5, miles=2163.25, crews=2, cost_usd=5164.61, unpriced=2,
        ),
        properties=owners, sites=places, candidates=spots,
        service_areas=_frame("service_areas", circles, list(places.geometry.buffer(620))),
        access_paths=_frame("access_paths", [{"site_id": site, "length_m": 50.0} for site in places["site_id"]],
                            [LineString([(at.x, at.y - 40), (at.x, at.y)]) for at in places.geometry]),
        shortfalls=_shortfalls(), field_decisions=_decisions(), cover_acres=blank["cover_acres"],
        seasons=blank["seasons"], season_acres=blank["season_acres"],
        sightings_check=blank["sightings_check"], ask_next=_asked(), frontier=blank["frontier"],
        tornado=blank["tornado"], yardsticks=blank["yardsticks"], pigs=blank["pigs"],
        assumptions=blank["assumptions"], inputs=blank["inputs"],
        problems=blank["problems"], warnings=("2 traps have no site.", PAYLOADS[1]),
        justification=("11 traps are justified.", PAYLOADS[2]),
        facts={"area_error_percent": 2.4e-6, "length_error_percent": 0.031, "holidays_off": list(HOLIDAYS)},
        trap_shares=_trap_shares(owners), **_work_tables(places),
    )  # fmt: skip


def make_county(properties: int = 5000, sites: int = 1200) -> Plan:
    """A county of random squares, with habitat, roads, water, spots and rounds as many as a real one may have."""
    random = np.random.default_rng(7)
    reach, plan = 30_000.0, make_plan(properties, sites, "A county")
    score = ScoreMap(Grid(CRS, -reach, reach, 50.0, 1200, 1200), *_rough_score(1200, random))

    def places(count: int) -> Any:
        return random.uniform(-reach, reach, (count, 2))

    def ways(count: int, corners: int, step_m: float) -> list[LineString]:
        walks = np.cumsum(random.normal(0, step_m, (count, corners, 2)), axis=1) + places(count)[:, None]
        return [LineString(walk) for walk in walks]

    def patches(count: int, size_m: float) -> list[Polygon]:
        turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        wave = size_m * random.uniform(0.5, 1.0, (count, 60))
        return [Polygon(at + np.column_stack([far * np.cos(turn), far * np.sin(turn)]))
                for at, far in zip(places(count), wave, strict=True)]  # fmt: skip

    sides = random.uniform(150, 800, properties)
    squares = [box(x, y, x + side, y + side) for (x, y), side in zip(places(properties), sides, strict=True)]
    habitat = [{"patch_id": f"P{n:04d}", "complex_id": f"C{n % 400:03d}", "area_acres": 40.0, "mean_score": 0.7}
               for n in range(3000)]  # fmt: skip
    spots = [{"candidate_id": f"K{n:05d}", "property_id": "00000", "quality": n / 2e4, "shade": "open"}
             for n in range(20_000)]  # fmt: skip
    names = tuple(f"Road {n % 900}" for n in range(4000))
    study = replace(
        plan.study, grid=score.grid, roads=Roads(np.array(ways(4000, 12, 120), object), names, ("yes", "dry") * 2000),
        water=Water(np.array(ways(500, 40, 90), object), np.array(["permanent"] * 500, object)),
        buildings=shapely.points(places(6000)),
    )  # fmt: skip
    turns = [{"round_id": f"R{n:03d}", "purpose": ("bait", "check")[n % 2], "crew": 1, "turn": 1, "times": 7,
              "stops": 9, "distance_miles": 40.0, "hours": 6.0} for n in range(200)]  # fmt: skip
    return replace(
        plan, study=study, scores={"year_round": score}, properties=plan.properties.set_geometry(squares, crs=CRS),
        habitat=_frame("habitat", habitat, patches(3000, 400.0)),
        candidates=_frame("candidates", spots, list(shapely.points(places(20_000)))),
        rounds=_frame("rounds", turns, ways(200, 300, 100)),
    )  # fmt: skip


def _rough_score(side: int, random: np.random.Generator) -> tuple[Any, Any]:
    """A score that changes from cell to cell, as real land does, and the habitat in it."""
    down, across = np.mgrid[0:side, 0:side]
    smooth = 5000 + 3500 * np.sin(across / 31) * np.cos(down / 27)
    score = np.clip(smooth + random.normal(0, 700, smooth.shape), 0, 10_000).astype(np.uint16)
    return score, score >= 5000
