"""Every component of the score by hand on a row of cells; seasons that change them."""

import math

import numpy as np
import pytest
from shapely import LineString, Point, box

from allocator.core.study import BLANK_CLASS, CoverClass, Crops, Soils, class_score
from allocator.grid.land import land_reader
from allocator.grid.targets import Target, all_targets, season_targets
from allocator.habitat.components import components, used_components
from allocator.habitat.tile import score_tile
from tests.builders import CLASSES, FOREST, PASTURE, SWAMP, ArrayReader, make_settings, make_study, objects

ROW = np.full((1, 8), SWAMP, np.uint8)
WHERE = [box(0, 0, 80, 10)]
LINE = [[0, 1], [80, 0]]
"""1 at 0 m, 0 at 80 m: a cell of 10 m takes off an eighth."""


def index_of(study, name, season=0):
    """Index of one component on each cell of the row."""
    part = next(
        one for one in components(land_reader(study).land(study.grid.window), study, study.seasons[season])
        if one.name == name
    )  # fmt: skip
    return np.asarray(part.spread(part.index)).ravel().tolist()


def curves(**changes):
    return make_settings(habitat={"curves": changes})


def test_distance_to_escape_cover_runs_to_the_nearest_cell_that_it_touches():
    study = make_study(ROW, WHERE, settings=curves(escape_m=LINE), escape_cover=objects([box(21, 1, 28, 9)]))
    assert index_of(study, "escape") == [0.75, 0.875, 1, 0.875, 0.75, 0.625, 0.5, 0.375]


def test_development_is_buildings_and_built_up_land_but_not_lawns():
    classes = (*CLASSES, CoverClass("24", "High", 0, "no", "open", "invented", "developed"),
               CoverClass("21", "Lawn", 0, "no", "open", "invented", "developed_open"))  # fmt: skip
    cover = ROW.copy()
    cover[0, 0], cover[0, 5] = len(CLASSES), len(CLASSES) + 1
    study = make_study(cover, WHERE, settings=curves(developed_m=LINE), classes=classes, buildings=[Point(75, 5)])
    assert index_of(study, "developed") == [1, 0.875, 0.75, 0.625, 0.625, 0.75, 0.875, 1]


def test_a_building_as_a_polygon_counts_with_all_cells_that_it_touches():
    study = make_study(ROW, WHERE, settings=curves(developed_m=LINE), buildings=[box(12, 2, 38, 8)])
    assert index_of(study, "developed") == [0.875, 1, 1, 1, 0.875, 0.75, 0.625, 0.5]


CROPS = (
    CoverClass("1", "Corn", 0.1, "no", "open", "invented", "crop", ("corn",)),
    CoverClass("26", "Dbl Crop WinWht/Soybeans", 0.1, "no", "open", "invented", "crop", ("winter wheat", "soybeans")),
    CoverClass("176", "Grass", 0.1, "no", "open", "invented", "grass"),
)


def crop_study(crops, *, seasons="year_round", **season):
    grown = np.full((1, 8), 2, np.uint8)
    grown[0, 0], grown[0, 4], grown[0, 7] = 0, 1, BLANK_CLASS
    settings = make_settings(
        study={"season": seasons}, habitat={"crops": crops, "curves": {"crops_m": LINE}, "seasons": season}
    )
    return make_study(ROW, WHERE, settings=settings, crops=Crops(ArrayReader(grown, BLANK_CLASS), CROPS))


@pytest.mark.parametrize("crop", ["winter wheat", "soybeans"])
def test_a_double_crop_counts_for_both_of_its_crops(crop):
    assert index_of(crop_study([crop]), "crops") == [0.5, 0.625, 0.75, 0.875, 1, 0.875, 0.75, 0.625]


def test_the_nearest_of_all_crops_that_draw_pigs_counts():
    assert index_of(crop_study(["corn", "soybeans"]), "crops") == [1, 0.875, 0.75, 0.875, 1, 0.875, 0.75, 0.625]


def test_crops_that_nobody_grows_here_are_left_out():
    study = crop_study(["sugarcane"])
    assert "crops" not in used_components(study, study.planned)


def test_a_season_has_crops_of_its_own():
    study = crop_study(["corn"], seasons=("year_round", "planting"), planting={"crops": ["soybeans"]})
    assert index_of(study, "crops", season=0)[:2] == [1, 0.875]
    assert index_of(study, "crops", season=1)[:2] == [0.5, 0.625]


def test_crops_of_the_land_cover_count_where_no_crops_are_given():
    classes = (*CLASSES, CROPS[0])
    cover = ROW.copy()
    cover[0, 3] = len(CLASSES)
    settings = make_settings(habitat={"crops": ["corn"], "curves": {"crops_m": LINE}})
    study = make_study(cover, WHERE, settings=settings, classes=classes)
    assert index_of(study, "crops") == [0.625, 0.75, 0.875, 1, 0.875, 0.75, 0.625, 0.5]
    without = make_study(ROW, WHERE, settings=settings)
    assert used_components(without, without.planned) == ("cover",)


def test_soil_counts_by_the_unit_that_holds_the_centre_and_is_blank_elsewhere():
    soils = Soils(objects([box(0, 0, 20, 10), box(20, 0, 40, 10), box(40, 0, 60, 10)]),
                  np.array([4, BLANK_CLASS, 0], np.uint8), np.array([6, 2, 0], np.uint8))  # fmt: skip
    study = make_study(ROW, WHERE, soils=soils)
    flooding, drainage = index_of(study, "flooding"), index_of(study, "drainage")
    # frequent 1.0, blank, none 0.6, no unit; very poorly 1.0, well 0.6, excessively 0.4, no unit
    assert np.nan_to_num(flooding, nan=-1).tolist() == [1, 1, -1, -1, 0.6, 0.6, -1, -1]
    assert np.nan_to_num(drainage, nan=-1).tolist() == [1, 1, 0.6, 0.6, 0.4, 0.4, -1, -1]
    only = make_study(ROW, WHERE, soils=Soils(soils.shapes, None, soils.drainage))
    assert used_components(only, only.planned) == ("cover", "drainage")


def test_canopy_by_its_curve_and_a_blank_component_is_left_out_of_the_cell():
    canopy = np.array([[0, 25, 45, 65, 100, np.nan, 12.5, 65]], np.float32)
    cover = np.full((1, 8), FOREST, np.uint8)
    study = make_study(cover, WHERE, canopy=ArrayReader(canopy, np.nan))
    found = index_of(study, "canopy")
    assert np.nan_to_num(found, nan=-1) == pytest.approx([0.3, 0.6, 0.8, 1, 1, -1, 0.45, 1])
    score = score_tile(land_reader(study).land(study.grid.window), study, study.planned).score[0] / 10_000
    # weights 2 and 0.5: (0.4^2 * c^0.5)^(1/2.5); where the canopy is blank 0.4 alone
    for place, index in enumerate(found):
        expected = 0.4 if math.isnan(index) else (0.4**2 * index**0.5) ** (1 / 2.5)
        assert score[place] == pytest.approx(expected, abs=1.01e-4)


def test_all_components_at_once_in_one_formula():
    soils = Soils(objects([box(0, 0, 80, 10)]), np.array([1], np.uint8), np.array([3], np.uint8))
    study = make_study(
        np.full((1, 8), FOREST, np.uint8), WHERE, soils=soils, water=[LineString([(1, 5), (2, 5)])],
        elevation=np.arange(8, dtype=np.float32)[None], canopy=ArrayReader(np.full((1, 8), 45, np.float32), np.nan),
        escape_cover=objects([box(71, 1, 79, 9)]), buildings=[Point(5, 5)],
        crops=Crops(ArrayReader(np.zeros((1, 8), np.uint8), BLANK_CLASS), CROPS),
        settings=make_settings(habitat={"curves": {"water_m": LINE, "escape_m": LINE, "developed_m": LINE}}),
    )  # fmt: skip
    assert len(used_components(study, study.planned)) == 9
    score = score_tile(land_reader(study).land(study.grid.window), study, study.planned).score[0] / 10_000
    for cell in range(8):
        water, escape, developed = 1 - cell / 8, 1 - (7 - cell) / 8, 1 - cell / 8
        lowland = min(1, max(0.2, 1 - 0.2 * (cell - 2)))
        product = 0.4**2 * water * lowland * (escape * 1.0 * 0.8) ** 0.5 * (0.7 * 0.7) ** 0.25
        assert score[cell] == pytest.approx(product ** (1 / 6) * developed, abs=1.01e-4)


@pytest.mark.parametrize("combine", ["geometric", "arithmetic", "minimum"])
def test_people_only_take_away(combine):
    """Swamp scores 1 alone; a house takes to 0.5 at 0 m, 0.75 at 150 m, nothing from 300 m; weight is a power."""
    row = np.full((1, 60), SWAMP, np.uint8)
    found = []
    for weight in (1, 2, 0):
        settings = make_settings(habitat={"combine": combine, "weights": {"developed": weight}})
        study = make_study(row, [box(0, 0, 600, 10)], settings=settings, buildings=[Point(5, 5)])
        found.append(score_tile(land_reader(study).land(study.grid.window), study, study.planned).score[0] / 10_000)
    assert found[0][[0, 6, 15, 24, 30, 59]] == pytest.approx([0.5, 0.6, 0.75, 0.9, 1, 1])
    assert found[1][[0, 6, 15, 24, 30]] == pytest.approx([0.25, 0.36, 0.5625, 0.81, 1])
    assert (found[2] == 1).all()


def kinds_study(seasons, **changes):
    classes = (*CLASSES, CoverClass("95", "Marsh", 0.85, "wetland", "partial", "invented", "herbaceous_wetland"))
    cover = np.full((1, 8), PASTURE, np.uint8)
    cover[0, 7] = len(CLASSES)
    settings = make_settings(study={"season": seasons}, habitat={
        "curves": {"water_m": LINE},
        "seasons": {"dry": {"curves": {"water_m": LINE}}, "wet": {"curves": {"water_m": LINE}}},
    })  # fmt: skip
    return make_study(
        cover, WHERE, settings=settings, classes=classes, water=[Point(5, 5).buffer(1), Point(35, 5).buffer(1)],
        water_kinds_of_shapes=["permanent", "seasonal"], **changes,
    )  # fmt: skip


def test_a_season_says_which_water_counts():
    """Permanent in cell 0, seasonal in cell 3, a marsh in cell 7: all of it all year, only the first when dry."""
    study = kinds_study(("year_round", "dry"))
    assert index_of(study, "water", season=0) == [1, 0.875, 0.875, 1, 0.875, 0.75, 0.875, 1]
    assert index_of(study, "water", season=1) == [1, 0.875, 0.75, 0.625, 0.5, 0.375, 0.25, 0.125]


def test_height_is_above_the_water_of_the_season():
    ground = np.arange(8, dtype=np.float32)[None]
    study = kinds_study(("year_round", "dry"), elevation=ground)
    whole = land_reader(study).land(study.grid.window)
    every = Target("water", ("permanent", "seasonal", "wetland"))
    assert whole.height_m[every][0].tolist() == [0, 1, -1, 0, 1, 2, -1, 0]
    assert whole.height_m[Target("water", ("permanent",))][0].tolist() == list(range(8))


def test_a_longer_curve_of_another_season_moves_no_height():
    """The lowland of a season reaches as far as its own water curve: beyond it the ground counts as high."""
    ground = np.zeros((1, 8), np.float32)
    settings = make_settings(study={"season": ["year_round", "far"]}, habitat={
        "curves": {"water_m": [[0, 1], [30, 0.5]]}, "seasons": {"far": {"curves": {"water_m": LINE}}}
    })  # fmt: skip
    study = make_study(ROW, WHERE, settings=settings, water=[Point(5, 5).buffer(1)], elevation=ground)
    assert index_of(study, "lowland", season=0) == [1, 1, 1, 1, 0.2, 0.2, 0.2, 0.2]
    assert index_of(study, "lowland", season=1) == [1] * 8
    alone = make_settings(habitat={"curves": {"water_m": [[0, 1], [30, 0.5]]}})
    single = make_study(ROW, WHERE, settings=alone, water=[Point(5, 5).buffer(1)], elevation=ground)
    np.testing.assert_array_equal(index_of(single, "lowland"), index_of(study, "lowland", season=0))


def test_sites_are_measured_to_open_water_not_to_marsh():
    study = kinds_study("year_round")
    assert Target("water", ("permanent", "seasonal")) in all_targets(study)
    dry = kinds_study("dry")
    assert season_targets(dry, dry.planned)["water"] == Target("water", ("permanent",))


def test_scores_go_from_scheme_to_group_to_code_and_seasons_over_both():
    marsh = CoverClass("95", "Marsh", 0.85, "wetland", "partial", "invented", "herbaceous_wetland")
    habitat = make_settings(habitat={
        "groups": {"herbaceous_wetland": 0.5}, "seasons": {"dry": {"groups": {"herbaceous_wetland": 0.3}}},
    }).habitat  # fmt: skip
    assert [class_score(marsh, habitat.in_season(name)) for name in ("year_round", "dry", "wet")] == [0.5, 0.3, 0.5]
    by_code = make_settings(habitat={
        "cover": {"95": 0.7}, "groups": {"herbaceous_wetland": 0.5},
        "seasons": {"dry": {"groups": {"herbaceous_wetland": 0.3}}, "wet": {"cover": {"95": 0.9}}},
    }).habitat  # fmt: skip
    assert [class_score(marsh, by_code.in_season(name)) for name in ("year_round", "dry", "wet")] == [0.7, 0.7, 0.9]


def test_a_mixed_class_scores_the_mean_of_its_parts_after_the_users_changes():
    forest = CoverClass("PFO", "Forested", 1.0, "wetland", "closed", "invented", "woody_wetland")
    marsh = CoverClass("PEM", "Emergent", 0.8, "wetland", "partial", "invented", "herbaceous_wetland")
    both = CoverClass("PFO/PEM", "Both", 0.9, "wetland", "closed", "invented", "woody_wetland", parts=(forest, marsh))
    assert class_score(both, make_settings().habitat) == pytest.approx(0.9)
    assert class_score(both, make_settings(habitat={"cover": {"pem": 0.2}}).habitat) == pytest.approx(0.6)
    assert class_score(both, make_settings(habitat={"cover": {"PFO/PEM": 0.1}}).habitat) == 0.1


def test_background_stays_unscored_whatever_its_group():
    blank = CoverClass("0", "Background", math.nan, "no", "open", "invented")
    assert math.isnan(class_score(blank, make_settings(habitat={"groups": {"other": 0.9}}).habitat))


def test_sums_of_indices_by_patch():
    """Two patches: swamp cells 0 to 2 and 5 to 6; water in cell 0; means by hand, in ten-thousandths."""
    cover = np.array([[SWAMP, SWAMP, SWAMP, PASTURE, PASTURE, SWAMP, SWAMP, PASTURE]], np.uint8)
    study = make_study(cover, WHERE, settings=curves(water_m=[[0, 1], [80, 0.2]]), water=[Point(5, 5).buffer(1)])
    tile = score_tile(land_reader(study).land(study.grid.window), study, study.planned)
    assert tile.count == 2
    total, cells = tile.index_sums["water"]
    assert total.tolist() == [10000 + 9000 + 8000, 5000 + 4000] and cells.tolist() == [3, 2]
    assert [part.tolist() for part in tile.index_sums["cover"]] == [[30000, 20000], [3, 2]]
