"""Layers that a study may add: soils, crops, canopy, escape cover; and what a season needs of the water."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from allocator.core.study import BLANK_CLASS
from allocator.inputs.read_study import check_study, read_study
from allocator.inputs.soils import CLASSES, class_positions
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, classes, square, write, write_raster, write_study


def messages(path, overrides=(), severity="error"):
    return "\n".join(one.message for one in check_study(path, overrides) if one.severity == severity)


def soils(folder, **columns):
    shapes = [square(column, 1, 1200.0) for column in (0, 1)]
    columns = columns or {"flodfreqdcd": ["Frequent", "None"], "drclassdcd": ["Very poorly drained", "Well drained"]}
    return write(gpd.GeoDataFrame(columns, geometry=shapes, crs=ALBERS).to_crs(4269), folder / "soils.gpkg")


SOILS = '[inputs.soils]\npath = "soils.gpkg"\nflooding_field = "flodfreqdcd"\ndrainage_field = "drclassdcd"\n'


def test_the_words_of_a_soil_survey():
    """Frequency and drainage classes in order (NRCS custom report dnrweblink.state.co.us 847206, Page72: none, very
    rare < 1 %, rare 1-5 %, occasional 5-50 %, frequent > 50 %, very frequent > 50 % in all months; seven drainage
    classes from excessively to very poorly).
    """
    assert CLASSES["flooding"] == ("none", "very_rare", "rare", "occasional", "frequent", "very_frequent")
    assert len(CLASSES["drainage"]) == 7 and CLASSES["drainage"][0] == "excessively"
    assert CLASSES["drainage"][-1] == "very_poorly"
    found, unknown = class_positions(["None", "very rare", "VERY FREQUENT", " Occasional ", "", "Ponded"], "flooding")
    assert found.tolist() == [0, 1, 5, 3, BLANK_CLASS, BLANK_CLASS] and unknown == {"Ponded": 1}
    words = ["Excessively drained", "somewhat excessively drained", "Somewhat poorly drained", "poorly"]
    assert class_positions(words, "drainage")[0].tolist() == [0, 1, 4, 5]


def test_soil_map_units(tmp_path):
    soils(tmp_path)
    study = read_study(write_study(tmp_path, SOILS))
    assert study.soils.flooding.tolist() == [4, 0] and study.soils.drainage.tolist() == [6, 2]
    assert [one.path_name for one in study.inputs if one.role == "soils"] == ["soils.gpkg"]
    only = write_study(tmp_path, '[inputs.soils]\npath = "soils.gpkg"\ndrainage_field = "drclassdcd"\n')
    assert read_study(only).soils.flooding is None


def test_soil_words_that_are_no_class_are_told_and_blank(tmp_path):
    soils(tmp_path, flodfreqdcd=["Often", "None"], drclassdcd=["Subaqueous", None])
    path = write_study(tmp_path, SOILS)
    study = read_study(path)
    assert study.soils.flooding.tolist() == [BLANK_CLASS, 0]
    assert study.soils.drainage.tolist() == [BLANK_CLASS, BLANK_CLASS]
    told = messages(path, severity="warning")
    assert "1 soil map unit with a flooding class that is none of none, very rare" in told and "Often (1)" in told


def test_soils_need_a_column(tmp_path):
    soils(tmp_path)
    assert "names no column" in messages(write_study(tmp_path, '[inputs.soils]\npath = "soils.gpkg"\n'))
    wrong = '[inputs.soils]\npath = "soils.gpkg"\nflooding_field = "flood"\n'
    assert "flood" in messages(write_study(tmp_path, wrong))


def test_canopy_is_percent_and_what_is_not_is_blank(tmp_path):
    canopy = np.full((100, 100), 40, np.uint8)
    canopy[:, :50] = 254  # no data in products of tree canopy
    write_raster(tmp_path / "canopy.tif", canopy)
    study = read_study(write_study(tmp_path, '[inputs.canopy]\npath = "canopy.tif"\n'))
    percent = study.canopy.read(study.grid.window)
    assert np.isnan(percent).any() and set(np.unique(percent[~np.isnan(percent)])) == {40}


@pytest.mark.parametrize(("values", "told"), [(np.float32(0.4), "Multiply a raster of fractions"),
                                              (np.float32(200), "no cell around the properties")])  # fmt: skip
def test_canopy_that_cannot_be_percent_is_refused(tmp_path, values, told):
    write_raster(tmp_path / "canopy.tif", np.full((100, 100), values, np.float32))
    assert told in messages(write_study(tmp_path, '[inputs.canopy]\npath = "canopy.tif"\n'))


def test_crops_on_other_cells_than_the_land_cover(tmp_path):
    from affine import Affine

    grown = np.full((350, 350), 176, np.uint8)
    grown[:, 170:] = 26
    write_raster(tmp_path / "crops.tif", grown, transform=Affine(10.0, 0.0, WEST, 0.0, -10.0, NORTH))
    study = read_study(write_study(tmp_path, '[inputs.crops]\npath = "crops.tif"\n'))
    positions = study.crops.cells.read(study.grid.window)
    names = {study.crops.classes[at].crops for at in np.unique(positions)}
    assert names == {(), ("winter wheat", "soybeans")}


def test_crops_need_a_scheme_that_names_crops(tmp_path):
    write_raster(tmp_path / "crops.tif", classes())
    path = write_study(tmp_path, '[inputs.crops]\npath = "crops.tif"\nscheme = "nlcd"\n')
    assert "no class of this scheme names a crop" in messages(path)


def test_escape_cover(tmp_path):
    write(gpd.GeoDataFrame(geometry=[square(1, 1, 300.0)], crs=ALBERS), tmp_path / "thicket.gpkg")
    study = read_study(write_study(tmp_path, '[inputs.escape_cover]\npath = "thicket.gpkg"\n'))
    assert len(study.escape_cover) == 1
    far = shapely.affinity.translate(square(1, 1), 90_000)
    write(gpd.GeoDataFrame(geometry=[far], crs=ALBERS), tmp_path / "far.gpkg")
    path = write_study(tmp_path, '[inputs.escape_cover]\npath = "far.gpkg"\n')
    assert read_study(path).escape_cover is None
    assert "none of its 1 feature lies near the properties: it is left out of the score" in messages(
        path, severity="warning"
    )


def test_a_season_without_its_water_is_told(tmp_path):
    write_raster(tmp_path / "cover.tif", np.full((100, 100), 90, np.uint8))
    path = write_study(tmp_path)
    assert read_study(path).water_kinds == {"wetland"}
    told = messages(path, ["study.season=dry"], severity="warning")
    assert "season dry: no permanent water is known near the properties (only wetland)" in told


@pytest.mark.parametrize(("override", "told"), [
    ("study.season=dri", "'dri', which is not a season. Expected one of year_round, dry, wet"),
    ('study.season=["dry", "dry"]', "names a season twice"),
    ("habitat.profile=texas", "expected one of florida_flatwoods, southeast_bottoms, texas_brush"),
    ("habitat.groups.shrubs=0.4", "unknown key habitat.groups.shrubs. The nearest valid key is habitat.groups.shrub"),
    ("habitat.seasons.dry.curves.water=[[0,1],[10,0]]", "nearest valid key is habitat.seasons.dry.curves.water_m"),
    ("habitat.seasons.dry.curve.water_m=[[0,1],[9,0]]", "nearest valid key is habitat.seasons.dry.curves."),
    ("habitat.seasons.dry.curves.water_m=[[0,1]]", "habitat.seasons.dry.curves.water_m"),
    ("habitat.seasons.dry.weights.water=-1", "dry.weights.water is -1; expected a number of at least 0"),
    ("habitat.seasons.dry.water=[\"sea\"]", "habitat.seasons.dry.water"),
    ("habitat.seasons.dry.cover.91=0.4", "habitat.seasons.dry.cover.91"),
    ("habitat.cover.91=0.4", "habitat.cover.91"),
])  # fmt: skip
def test_seasons_profiles_and_groups_that_do_not_exist(tmp_path, override, told):
    assert told in messages(write_study(tmp_path), [override])


def test_a_season_without_any_weight_is_refused_in_words(tmp_path):
    none = ", ".join(f"{name} = 0" for name in (
        "cover", "water", "lowland", "escape", "crops", "flooding", "drainage", "canopy"))  # fmt: skip
    path = write_study(tmp_path, f"[habitat.seasons.bare]\nweights = {{{none}}}\n")
    told = messages(path, ["study.season=bare"])
    assert "habitat.seasons.bare: " in told and "at least one weight other than developed must be above 0" in told
    assert "properties" not in told  # not the whole of the settings


def test_a_season_of_ones_own(tmp_path):
    extra = '[habitat.seasons.acorns]\nwater = ["permanent"]\n[habitat.seasons.acorns.groups]\nmixed_forest = 0.9\n'
    study = read_study(write_study(tmp_path, extra), ['study.season=["acorns", "wet"]'])
    assert [one.name for one in study.seasons] == ["acorns", "wet"]
    by_code = {one.code: score for one, score in zip(study.classes, study.planned.scores, strict=True)}
    assert by_code["43"] == 0.9 and by_code["41"] == 0.4


def test_a_profile_stands_between_the_defaults_and_the_study_file(tmp_path):
    path = write_study(tmp_path, '[habitat]\nprofile = "texas_brush"\n[habitat.weights]\nwater = 5\n')
    study = read_study(path)
    assert study.settings.habitat.weights.water == 5 and study.settings.habitat.weights.cover == 3
    by_code = {one.code: score for one, score in zip(study.classes, study.planned.scores, strict=True)}
    assert (by_code["90"], by_code["95"], by_code["52"], by_code["41"]) == (0.8, 0.35, 0.75, 0.4)
