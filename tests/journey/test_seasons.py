"""Seasons on real land: which way acres move, that nothing is lost on the way, and that company changes nothing."""

import geopandas as gpd
import pytest
import rasterio
from shapely.geometry import box

from allocator import plan_traps, read_study, write_plan
from tests.journey.studies import NO_SHARED, SHARED

pytestmark = pytest.mark.skipif(not SHARED.exists(), reason=NO_SHARED)
SEASONS = 'study.season=["year_round", "dry", "wet"]'


def durham(folder, elevation=True):
    data = SHARED / "area_durham_nc"
    study = folder / "durham.toml"
    study.write_text(
        f"""
[study]
name = "Creek watershed"
[inputs.properties]
path = "{data}/durham_nc.gpkg:nhdplus_catchments_third_fork"
id = "FEATUREID"
[inputs.land_cover]
path = "{data}/durham_nlcd_30m.tif"
scheme = "nlcd"
{f'[inputs.elevation]{chr(10)}path = "{data}/durham_ned_1arcsec.tif"' if elevation else ""}
[inputs.water]
path = ["{data}/durham_nc.gpkg:nhd_flowline_hires_third_fork", "{data}/durham_nc.gpkg:nhd_waterbody_new_hope",
        "{data}/durham_nc.gpkg:nhd_area_new_hope"]
class_field = "FCode"
scheme = "nhd"
""",
        encoding="utf-8",
    )
    return study


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plan_traps(read_study(durham(tmp_path_factory.mktemp("durham")), [SEASONS]))


def test_dry_shrinks_and_wet_grows(plan):
    """Less water counts and it matters more when dry; nearness to water counts less when wet (model, seasons)."""
    acres = plan.seasons.set_index("season")["habitat_acres"]
    assert 0 < acres["dry"] < acres["year_round"] < acres["wet"]


def test_every_acre_moved_is_accounted_for(plan):
    rows = plan.seasons.set_index("season")
    planned = rows.loc["year_round"]
    assert planned["is_planned"] and not rows.drop("year_round")["is_planned"].any()
    assert planned["gained_acres"] == planned["lost_acres"] == 0
    for name in ("dry", "wet"):
        one = rows.loc[name]
        moved = planned["habitat_acres"] + one["gained_acres"] - one["lost_acres"]
        assert one["habitat_acres"] == pytest.approx(moved, rel=1e-9)
    by_property = plan.season_acres.groupby("season")[["habitat_acres", "habitat_units_acres", "traps"]].sum()
    # the catchments do not overlap
    for name, row in rows.iterrows():
        assert by_property.loc[name, "habitat_acres"] == pytest.approx(row["habitat_acres"], rel=1e-6)
        assert by_property.loc[name, "traps"] == row["traps"]


@pytest.mark.parametrize("season", ["dry", "wet"])
def test_a_season_in_company_is_the_season_alone(season, tmp_path):
    """Without elevation: a raster on other cells is interpolated from as far as the longest curve, and the last bits of
    a height depend on where that begins.
    """
    path = durham(tmp_path, elevation=False)
    company, alone = (plan_traps(read_study(path, [one])) for one in (SEASONS, f"study.season={season}"))
    row = company.seasons.set_index("season").loc[season]
    assert alone.totals.habitat_acres == row["habitat_acres"]
    assert alone.totals.habitat_units_acres == row["habitat_units_acres"]
    assert alone.totals.traps == row["traps"]
    assert (alone.score.score == company.scores[season].score).all()


def test_streams_that_dry_up_are_what_dry_takes_away(plan, tmp_path):
    """With intermittent streams counted in the dry season too, less is lost."""
    study = read_study(durham(tmp_path), [SEASONS, 'habitat.seasons.dry.water=["permanent", "seasonal"]'])
    more = plan_traps(study).seasons.set_index("season")
    assert more.loc["dry", "lost_acres"] < plan.seasons.set_index("season").loc["dry", "lost_acres"]


@pytest.mark.parametrize("name", ["augusta_ga_nlcd2011_30m.tif", "benton_or_nlcd_30m.tif"])
def test_land_cover_alone_moves_the_same_way(name, tmp_path):
    raster = SHARED / "landcover" / name
    with rasterio.open(raster) as source:
        frame = gpd.GeoDataFrame({"no": ["1"]}, geometry=[box(*source.bounds)], crs=source.crs)
    frame.to_file(tmp_path / "whole.gpkg")
    study = tmp_path / "study.toml"
    study.write_text(
        f'[study]\nname = "Clip"\n[inputs.properties]\npath = "whole.gpkg"\nid = "no"\n'
        f'[inputs.land_cover]\npath = "{raster}"\nscheme = "nlcd"\n',
        encoding="utf-8",
    )
    plan = plan_traps(read_study(study, [SEASONS]))
    acres = plan.seasons.set_index("season")["habitat_acres"]
    assert 0 < acres["dry"] < acres["year_round"] <= acres["wet"]


def test_the_written_plan_shows_every_season(plan, tmp_path):
    folder = write_plan(plan, tmp_path / "out")
    page = (folder / "map.html").read_text(encoding="utf-8")
    for words in ("Habitat score, year round (planned)", "Habitat score, dry season", "Habitat score, wet season",
                  "How habitat moves with the season"):  # fmt: skip
        assert words in page
    assert gpd.read_file(folder / "plan.gpkg", layer="seasons")["season"].tolist() == ["year_round", "dry", "wet"]
