"""An invented plan for the map page, whose names try to run as code."""

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


def _settings(name: str) -> Settings:
    values = default_values()
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
        cover=PolygonCover(np.array([], object), np.array([], np.uint8)), roads=roads, sightings=seen,
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
        totals=Totals(properties, 9000.0, 2260.4, 1600.0, 2000.0, 7.5, 11, 8, 14, 11, 0, sites, 2), complexes=complexes,
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
        facts={"area_error_percent": 2.4e-6, "length_error_percent": 0.031},
    )  # fmt: skip
