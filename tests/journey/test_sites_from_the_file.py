"""Sites of the demo checked from the written GeoPackage against the files that went in, and carried to the field."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from allocator import demo_study_file
from allocator.core.units import square_metres
from tests.journey.studies import run

INPUTS = Path(demo_study_file()).parent / "inputs"
NO_TRUCKS = ("S1100", "S1630", "S1710", "S1820")
"""Classes of the demo's roads that no truck may use or stop on: limited access, ramps, walkways, bike paths."""
WITH_LEAVE = ("S1740", "S1780")
"""Classes that a truck may use on enrolled land only."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sites") / "plan"
    assert run("plan", str(demo_study_file()), "--out", str(out)).returncode == 0
    return out


@pytest.fixture(scope="module")
def sites(folder: Path) -> gpd.GeoDataFrame:
    return gpd.read_file(folder / "plan.gpkg", layer="sites")


def given(name: str, sites: gpd.GeoDataFrame, layer: str | None = None) -> gpd.GeoDataFrame:
    """An input file in the plan's system."""
    return gpd.read_file(INPUTS / name, layer=layer).to_crs(sites.crs)


def test_no_site_breaks_a_hard_limit(folder: Path, sites: gpd.GeoDataFrame) -> None:
    points, tracts = sites.geometry.to_numpy(), given("tracts.gpkg", sites)
    signed = tracts[tracts["signed"] == "yes"].set_index("tract_no").geometry
    own = signed.loc[sites["property_id"]].to_numpy()
    assert len(points) > 10
    assert shapely.contains(own, points).all()
    assert shapely.distance(shapely.boundary(own), points).min() >= 10
    roads = given("roads.gpkg", sites)
    lines = roads[~roads["mtfcc"].isin(NO_TRUCKS + WITH_LEAVE)].geometry.union_all()
    private = roads[roads["mtfcc"].isin(WITH_LEAVE)].geometry.union_all().intersection(signed.union_all())
    by_road = shapely.distance(shapely.union(lines, private), points)
    assert (by_road.min() >= 5 - 1e-6, by_road.max() <= 60 + 1e-6) == (True, True)
    np.testing.assert_allclose(sites["road_distance_m"], by_road, atol=0.01)
    assert shapely.distance(given("houses.gpkg", sites).union_all(), points).min() >= 152.4
    assert not shapely.intersects(given("no_traps.gpkg", sites).union_all(), points).any()
    seen = given("sightings.gpkg", sites)
    damage = seen[seen["kind"].str.contains("damage", case=False)]
    assert len(damage) and shapely.distance(damage.union_all(), points).min() >= 50
    apart = shapely.distance(points[:, None], points[None])[np.triu_indices(len(points), 1)]
    assert apart.min() >= 500
    habitat = gpd.read_file(folder / "plan.gpkg", layer="habitat")
    assert shapely.distance(habitat.union_all(), points).max() <= 100
    assert sites["slope_percent"].max() <= 8


def test_ways_in_cross_neither_water_nor_land_not_signed_up(folder: Path, sites: gpd.GeoDataFrame) -> None:
    ways = gpd.read_file(folder / "plan.gpkg", layer="access_paths").set_index("site_id")
    assert list(ways.index) == list(sites["site_id"])
    np.testing.assert_allclose(ways.length, ways["length_m"], rtol=1e-9)
    np.testing.assert_allclose(sites["access_m"], ways["length_m"], rtol=1e-9)
    assert ways["length_m"].max() <= 150
    ends = shapely.get_point(ways.geometry.to_numpy(), -1)
    assert shapely.distance(ends, sites.geometry.to_numpy()).max() < 1e-6
    roads = given("roads.gpkg", sites)
    starts = shapely.get_point(ways.geometry.to_numpy(), 0)
    assert shapely.distance(roads[~roads["mtfcc"].isin(NO_TRUCKS)].union_all(), starts).max() < 0.01
    verge = shapely.buffer(starts, 10.0)
    past = shapely.difference(ways.geometry.to_numpy(), verge)
    for layer in ("streams", "water_bodies"):
        water = given("water.gpkg", sites, layer)
        assert not shapely.intersects(water.union_all(), past).any()
    tracts = given("tracts.gpkg", sites)
    signed = tracts["signed"] == "yes"
    foreign = tracts[~signed].union_all().difference(tracts[signed].union_all())
    assert shapely.length(shapely.intersection(past, foreign)).max() <= 0.5


def test_coverage_drawn_from_the_file_is_what_it_claims(folder: Path, sites: gpd.GeoDataFrame) -> None:
    circles = gpd.read_file(folder / "plan.gpkg", layer="service_areas").set_index("site_id").geometry
    complexes = gpd.read_file(folder / "plan.gpkg", layer="complexes").set_index("complex_id").geometry
    for name, its in sites.groupby("complex_id"):
        ground = circles.loc[its["site_id"]].union_all().intersection(complexes.loc[name])
        assert square_metres(its["served_acres"].sum()) == pytest.approx(ground.area, rel=1e-3)


def test_a_field_visit_comes_back(folder: Path, sites: gpd.GeoDataFrame, tmp_path: Path) -> None:
    """Two sites decided in a GIS, one of them moved by 30 m; the others left blank."""
    visited = sites.copy()
    keep, reject = visited.index[4], visited.index[2]
    visited.loc[keep, ["decision", "decision_reason"]] = ["Keep", "fresh sign on the trail"]
    visited.loc[reject, ["decision", "decision_reason"]] = ["reject", "standing water"]
    where = shapely.Point(visited.geometry[keep].x + 18, visited.geometry[keep].y + 24)
    visited.loc[[keep], "geometry"] = gpd.GeoSeries([where], index=[keep], crs=visited.crs)
    visited.to_file(tmp_path / "visited.gpkg", layer="sites")
    out = tmp_path / "plan"
    done = run("plan", str(demo_study_file()), "--out", str(out),
               "--set", f"inputs.site_decisions.path={tmp_path / 'visited.gpkg'}")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Field decisions: 1 kept, 1 rejected" in done.stdout
    new = gpd.read_file(out / "plan.gpkg", layer="sites")
    stays = new[new["decision"] == "keep"]
    assert len(stays) == 1 and stays.geometry.iloc[0].distance(where) < 0.01
    assert stays["decision_reason"].iloc[0] == "fresh sign on the trail"
    assert new.distance(sites.geometry[reject]).min() > 100
    told = pd.read_csv(out / "tables" / "field_decisions.csv", dtype=str).set_index("site_id")
    assert told.loc[sites["site_id"][keep], "outcome"].startswith(f"kept as {stays['site_id'].iloc[0]}, moved 30 m")
    assert told.loc[sites["site_id"][reject], "outcome"].startswith("rejected; ")
    assert told.loc[sites["site_id"][reject], "decision_reason"] == "standing water"
