"""Habitat acres from land cover held as polygons, against the overlay of the same polygons by shapely.

Real open data: 2,015 wetlands and 33 creek basins of a county (source: ../shared/data/README.md).
"""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from allocator import plan_traps, read_study
from tests.journey.studies import ALBERS, NO_SHARED, SHARED, write_study

DATA = SHARED / "area_mecklenburg_nc" / "mecklenburg_nc.gpkg"
pytestmark = pytest.mark.skipif(not DATA.is_file(), reason=NO_SHARED)

ACRE_M2 = 4046.8564224
BAR = 0.0025
ENOUGH_ACRES = 40.0
INPUTS = """
[inputs.properties]
path = "basins.gpkg"
id = "name"
[inputs.land_cover]
path = "wetlands.gpkg"
scheme = "wetlands.csv"
class_field = "class"
[habitat]
smallest_patch_acres = 0
"""


@pytest.fixture(scope="module")
def acres(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Habitat acres of each basin as planned, and as shapely's overlay in Conus Albers (EPSG:5070) gives them."""
    folder: Path = tmp_path_factory.mktemp("overlay")
    wetlands = gpd.read_file(DATA, layer="wetlands").assign(**{"class": "wet"})
    basins = gpd.read_file(DATA, layer="creek_basins")
    assert (len(wetlands), len(basins)) == (2015, 33)
    wetlands.to_file(folder / "wetlands.gpkg")
    basins.to_file(folder / "basins.gpkg")
    (folder / "wetlands.csv").write_text("code,name,score\nwet,Wetland,1\n", encoding="utf-8")
    plan = plan_traps(read_study(write_study(folder, INPUTS)))
    found = plan.properties.set_index("property_id")["habitat_acres"]

    basins = basins.to_crs(ALBERS).set_index("name").geometry
    assert basins.is_valid.all()
    overlap_m2 = basins.area.sum() - shapely.union_all(basins.to_numpy()).area
    assert overlap_m2 < 1e-6 * basins.area.sum()  # so that the acres of the basins are the acres of all
    wet = shapely.union_all(wetlands.to_crs(ALBERS).geometry.to_numpy())
    return pd.DataFrame({"planned": found, "overlay": basins.intersection(wet).area / ACRE_M2})


def test_each_basin_with_enough_habitat(acres: pd.DataFrame, record_property) -> None:
    large = acres[acres["overlay"] >= ENOUGH_ACRES]
    assert len(large) == 20 and not acres.isna().any().any()
    error = (large["planned"] / large["overlay"] - 1).abs()
    record_property("worst basin", f"{error.idxmax()}: {error.max():.4%}")
    assert error.max() <= BAR, f"\n{large.assign(error=error).sort_values('error')}"


def test_all_basins_together(acres: pd.DataFrame, record_property) -> None:
    planned, overlay = acres.sum()
    record_property("total", f"{planned / overlay - 1:+.4%}")
    # The wetlands hold about 2,116 acres (that README); the rest lies outside the basins.
    assert 2000 < overlay < 2116
    assert planned == pytest.approx(overlay, rel=BAR)
