"""Real open data, planned as it comes: a watershed near Durham, North Carolina (sources: ../shared/data/README.md)."""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from allocator import plan_traps, read_study
from tests.journey.studies import NO_SHARED, SHARED, run, write_study

AREA = SHARED / "area_durham_nc"
pytestmark = pytest.mark.skipif(not AREA.is_dir(), reason=NO_SHARED)

NAMES = {
    "11": "Water", "21": "Dev OS", "22": "Dev LI", "23": "Dev MI", "24": "Dev HI", "31": "Barren", "41": "Dec For",
    "42": "Ev For", "43": "Mix For", "52": "Shrub", "71": "Grass", "81": "Pasture", "90": "Wd Wet", "95": "Herb Wet",
}  # fmt: skip


def _inputs(properties: str) -> str:
    data = AREA / "durham_nc.gpkg"
    return f"""
[inputs.properties]
{properties}
[inputs.land_cover]
path = "{AREA / "durham_nlcd_30m.tif"}"
scheme = "nlcd"
[inputs.water]
path = ["{data}:nhd_flowline_hires_third_fork", "{data}:nhd_waterbody_new_hope", "{data}:nhd_area_new_hope"]
[inputs.roads]
path = "{data}:osm_roads_tertiary_and_above"
class_field = "type"
name_field = "name"
scheme = "osm"
[inputs.elevation]
path = "{AREA / "durham_ned_1arcsec.tif"}"
"""


@pytest.mark.parametrize("layer", ["watershed_huc12", "city_parks_2019"])
def test_plans_without_preparation(tmp_path: Path, layer: str) -> None:
    study = write_study(tmp_path, _inputs(f'path = "{AREA / "durham_nc.gpkg"}:{layer}"'))
    done = run("plan", study, "--out", tmp_path / "plan")
    assert done.returncode == 0, done.stderr
    made = gpd.read_file(tmp_path / "plan" / "plan.gpkg", layer="properties")
    # Published: ACRES = 10628.358361 of the watershed; the parks' acres column agrees within 0.014 %.
    known = gpd.read_file(AREA / "durham_nc.gpkg", layer=layer)
    published = known["ACRES" if layer == "watershed_huc12" else "acres"][known.geometry.notna()].sum()
    assert made["area_acres"].sum() == pytest.approx(published, rel=2e-4)
    assert (made["habitat_acres"] <= made["area_acres"] * (1 + 1e-9)).all()
    assert made["habitat_acres"].sum() > 50


def test_wetland_cells_of_the_watershed(tmp_path: Path) -> None:
    # Classes 90 and 95 inside the HUC12: 2,566 cells, 571 acres. A cell belongs where its centre is inside.
    inputs = _inputs(f'path = "{AREA / "durham_nc.gpkg"}:watershed_huc12"')
    study = read_study(write_study(tmp_path, inputs, 'property_lines = "centre"'))
    cover = plan_traps(study).cover_acres
    acres = cover[cover["code"].isin(["90", "95"])]["area_acres"].sum()
    assert round(acres / (900 / 4046.8564224)) == 2566
    assert acres == pytest.approx(2566 * 900 / 4046.8564224, rel=1e-12)
    assert round(acres) == 571


def test_land_cover_of_each_catchment_is_as_published(tmp_path: Path) -> None:
    # durham_nlcd_by_catchment_published.csv, computed by its authors in R: land cover masked to the HUC12, a cell
    # belongs to a catchment if its centre is inside. A centre inside both is a centre inside where they meet.
    data = AREA / "durham_nc.gpkg"
    catchments = gpd.read_file(data, layer="nhdplus_catchments_third_fork")
    watershed = gpd.read_file(data, layer="watershed_huc12").geometry.iloc[0]
    catchments["geometry"] = catchments.geometry.intersection(watershed)
    catchments["no"] = catchments["FEATUREID"].astype("int64").astype(str)
    catchments[["no", "geometry"]].to_file(tmp_path / "catchments.gpkg")
    inputs = _inputs(f'path = "{tmp_path / "catchments.gpkg"}"\nid = "no"')
    study = read_study(write_study(tmp_path, inputs, 'property_lines = "centre"'))
    cover = plan_traps(study).cover_acres
    acres = cover[cover["code"] != ""].pivot(index="property_id", columns="code", values="area_acres").fillna(0)
    published = pd.read_csv(AREA / "durham_nlcd_by_catchment_published.csv", dtype={"FEATUREID": str})
    published = published.set_index("FEATUREID")
    assert sorted(acres.index) == sorted(published.index) and len(acres) == 28
    cells = (acres.sum(axis=1) / (900 / 4046.8564224)).round(6)
    assert (cells == published["Total"].loc[cells.index]).all() and cells.sum() == 47_651
    percent = acres.div(acres.sum(axis=1), axis=0) * 100
    assert set(percent.columns) <= set(NAMES)
    for code, name in NAMES.items():
        found = percent[code] if code in percent else 0 * cells
        assert (found - published[name].loc[cells.index]).abs().max() < 1e-9, name
