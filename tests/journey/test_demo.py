"""The demo as a user meets it: planned with no network, its map opened in a browser, its files read back."""

import json
import os
import resource
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio

from allocator import demo_study_file
from tests.journey.browser import NO_BROWSER, find_browser, opened, serious_findings
from tests.journey.studies import run

FOLDER = Path(demo_study_file()).parent


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("demo") / "plan"
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "allocator", "demo", "--out", str(out)]
    cut = ["unshare", "-n"]  # no network at all, where the system lets us cut it
    if os.geteuid() == 0 and subprocess.run([*cut, "true"], check=False, capture_output=True).returncode == 0:
        command = [*cut, *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert seconds < 15, "the demo's budget is 15 s of processor time"
    return out


def test_every_output_is_there(plan: Path) -> None:
    names = {path.name for path in plan.iterdir()}
    assert names == {
        "map.html", "plan.gpkg", "plan.json", "settings.toml", "tables", "habitat_score.tif", "justification.txt",
        "tables.xlsx", "styles", "sites.gpx", "sites.kmz", "site_cards.html", "report.html",
    }  # fmt: skip


def test_numbers_agree_in_every_output(plan: Path) -> None:
    totals = json.loads((plan / "plan.json").read_text())["totals"]
    properties = gpd.read_file(plan / "plan.gpkg", layer="properties")
    table = pd.read_csv(plan / "tables" / "properties.csv", encoding="utf-8-sig", dtype={"property_id": str})
    assert totals["properties"] == len(properties) == len(table) >= 60
    assert totals["traps"] == properties["traps"].sum() == table["traps"].sum()
    assert totals["sites"] == len(gpd.read_file(plan / "plan.gpkg", layer="sites"))
    assert totals["shortfall"] == totals["traps"] - totals["sites"] == table["shortfall"].sum()
    assert totals["habitat_acres"] == pytest.approx(table["habitat_acres"].sum(), abs=1e-6)
    assert (table["property_id"] == properties["property_id"]).all() and "0022" in set(table["property_id"])
    patches = pd.read_csv(plan / "tables" / "habitat.csv", encoding="utf-8-sig")
    complexes = pd.read_csv(plan / "tables" / "complexes.csv", encoding="utf-8-sig")
    assert patches["area_acres"].sum() == pytest.approx(complexes["habitat_acres"].sum(), rel=1e-12)
    cover = pd.read_csv(plan / "tables" / "cover_acres.csv", encoding="utf-8-sig")
    assert cover["area_acres"].sum() == pytest.approx(table["area_acres"].sum(), rel=1e-6)


def test_sites_keep_the_hard_limits_measured_from_the_file(plan: Path) -> None:
    sites = gpd.read_file(plan / "plan.gpkg", layer="sites")
    properties = gpd.read_file(plan / "plan.gpkg", layer="properties").set_index("property_id")
    roads = gpd.read_file(FOLDER / "inputs" / "roads.gpkg").to_crs(sites.crs)
    roads = roads[~roads["mtfcc"].isin(["S1100", "S1630"])]
    houses = gpd.read_file(FOLDER / "inputs" / "houses.gpkg").to_crs(sites.crs)
    no_traps = gpd.read_file(FOLDER / "inputs" / "no_traps.gpkg").to_crs(sites.crs)
    assert len(sites) > 5
    for place, site in sites.iterrows():
        own = properties.loc[site["property_id"]]
        assert own["enrolled"] == "yes"
        assert own.geometry.contains(site.geometry) and own.geometry.boundary.distance(site.geometry) >= 10
        road_m = roads.distance(site.geometry).min()
        assert 5 <= road_m <= 60 and road_m == pytest.approx(site["road_distance_m"], abs=1e-6)
        assert houses.distance(site.geometry).min() >= 152.4
        assert not no_traps.intersects(site.geometry).any()
        assert site["slope_percent"] <= 8 and 10 <= site["water_distance_m"] <= 400
        others = sites.geometry.drop(index=place)
        assert others.distance(site.geometry).min() >= 500


def test_served_acres_follow_from_the_file(plan: Path) -> None:
    sites = gpd.read_file(plan / "plan.gpkg", layer="sites")
    circles = gpd.read_file(plan / "plan.gpkg", layer="service_areas").set_index("site_id").geometry
    complexes = gpd.read_file(plan / "plan.gpkg", layer="complexes").set_index("complex_id").geometry
    for name, group in sites.groupby("complex_id"):
        ground = circles.loc[group["site_id"]].union_all().intersection(complexes.loc[name])
        assert group["served_acres"].sum() == pytest.approx(ground.area / 4046.8564224, rel=1e-3)


def test_score_raster_is_a_valid_cog_with_the_habitat_of_the_plan(plan: Path) -> None:
    from rio_cogeo.cogeo import cog_validate  # the validator of the rio-cogeo project, independent of ours

    valid, errors, warnings = cog_validate(plan / "habitat_score.tif", strict=True)
    assert (valid, errors, warnings) == (True, [], [])
    with rasterio.open(plan / "habitat_score.tif") as raster:
        score = raster.read(1)
        acres = float((score >= np.float32(0.5)).sum()) * raster.res[0] * raster.res[1] / 4046.8564224
    assert np.nanmin(score) >= 0 and np.nanmax(score) <= 1
    patches = gpd.read_file(plan / "plan.gpkg", layer="habitat")
    assert patches["area_acres"].sum() <= acres <= patches["area_acres"].sum() * 1.05  # patches under 2 acres left out


def test_geopackage_is_version_1_3_and_documented(plan: Path) -> None:
    header = (plan / "plan.gpkg").read_bytes()[:72]
    assert header[:15] == b"SQLite format 3" and header[68:72] == b"GPKG"  # OGC 12-128r18, requirements 1 and 2
    with sqlite3.connect(f"file:{plan / 'plan.gpkg'}?mode=ro", uri=True) as base:
        assert base.execute("pragma user_version").fetchone() == (10300,)
        assert base.execute("pragma integrity_check").fetchone() == ("ok",)
        assert base.execute("pragma foreign_key_check").fetchall() == []
        documented = set(base.execute("select table_name, column_name from gpkg_data_columns"))
        for (table,) in base.execute("select table_name from gpkg_contents").fetchall():
            columns = {row[1] for row in base.execute(f"pragma table_info({table})")} - {"fid", "geom"}
            assert columns and {(table, column) for column in columns} <= documented
    base.close()


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
@pytest.mark.parametrize("width", [1400, 390])
def test_map_opens_with_the_network_cut(plan: Path, width: int) -> None:
    sites = gpd.read_file(plan / "plan.gpkg", layer="sites")
    with opened(plan / "map.html", width=width) as seen:
        assert seen.page.locator(".site-marker").count() == len(sites)
        assert seen.requests == [] and seen.faults == []
        assert seen.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        text = seen.page.inner_text("body")
    assert "Local law and licensed practice come first" in text


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
@pytest.mark.parametrize("width", [1400, 390])
@pytest.mark.parametrize("name", ["report.html", "site_cards.html"])
def test_pages_can_be_used_by_everybody(plan: Path, name: str, width: int) -> None:
    with opened(plan / name, width=width) as seen:
        assert seen.requests == [] and seen.faults == []
        assert seen.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        assert serious_findings(seen.page) == []


def test_start_writes_a_study_that_check_reads(tmp_path: Path) -> None:
    assert run("start", tmp_path / "mine").returncode == 0
    done = run("check", tmp_path / "mine" / "study.toml")
    assert done.returncode == 2 and "tracts.gpkg" in done.stdout and "cover.tif" in done.stdout
    again = run("start", tmp_path / "mine")
    assert again.returncode == 2 and "is there already" in again.stderr


def test_settings_written_plan_the_same_again(plan: Path, tmp_path: Path) -> None:
    settings = (plan / "settings.toml").read_text().replace("inputs/", f"{FOLDER.as_posix()}/inputs/")
    (tmp_path / "study.toml").write_text(settings)
    done = run("plan", tmp_path / "study.toml", "--out", tmp_path / "plan")
    assert done.returncode == 0, done.stderr
    for name in ("properties.csv", "habitat.csv", "sites.csv", "complexes.csv"):
        assert (tmp_path / "plan" / "tables" / name).read_bytes() == (plan / "tables" / name).read_bytes()


def test_help_answers_at_once() -> None:
    began = time.monotonic()
    assert run("--help").returncode == 0
    assert time.monotonic() - began < 2  # heavy imports stay inside the commands
