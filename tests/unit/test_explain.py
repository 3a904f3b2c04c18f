"""Why a place has its score: the same score as in the plan, made of the components shown."""

import re

import numpy as np
import pytest

from allocator import SettingsError, demo_study_file, plan_traps, read_study
from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.explain import explain_point
from allocator.grid.land import land_reader
from allocator.habitat.explain import explain_cell


@pytest.fixture(scope="module")
def study():
    return read_study(demo_study_file(), ["study.season=year_round"])


def test_cells_have_the_score_of_the_plan_and_it_follows_from_the_components(study):
    plan = plan_traps(study)
    reader = land_reader(study)
    rng = np.random.default_rng(3)
    seen = set()
    for row, column in zip(rng.integers(0, study.grid.rows, 60), rng.integers(0, study.grid.columns, 60), strict=True):
        why = explain_cell(study, reader, study.planned, row=int(row), column=int(column))
        assert why.score == plan.score.score[row, column] / 10_000
        by_name = {one.component: one for one in why.reasons}
        assert list(by_name) == ["cover", "water", "lowland", "developed"]
        assert why.left_out == ("escape", "crops", "flooding", "drainage", "canopy")
        product = np.prod([one.index**one.weight for one in why.reasons if not one.is_limit])
        limit = by_name["developed"].index
        assert why.score == pytest.approx(product ** (1 / 4) * limit, abs=1.01e-4)  # weights 2, 1, 1
        assert by_name["cover"].source == "cover.tif" and "water.gpkg:streams" in by_name["water"].source
        assert by_name["water"].value.endswith("to water (permanent, wetland)")
        seen.add(why.score >= why.threshold)
    assert seen == {True, False}


def test_a_distance_by_hand(study):
    """The index of the water shown is that of its distance: 1 up to 200 m, then straight to 0 at 1,500 m."""
    reader, found = land_reader(study), 0
    for column in range(100, 1100, 50):
        (water,) = (
            one
            for one in explain_cell(study, reader, study.planned, row=300, column=column).reasons
            if one.component == "water"
        )
        distance = re.fullmatch(r"(\d+) m to water \(permanent, wetland\)", water.value)
        if distance and int(distance[1]) > 200:
            assert water.index == pytest.approx(1 - (int(distance[1]) - 200) / 1300, abs=0.001)
            found += 1
    assert found > 3


def test_words_for_a_site(study):
    site = plan_traps(study).sites.iloc[0]
    text = explain_point(study, f"{site['latitude']:.6f},{site['longitude']:.6f}")
    assert f"score {site['score']:.4f}, habitat" in text
    assert site["cover"] in text and "geometric of:" in text


@pytest.mark.parametrize("at", ["here", "28.4", "28.4;-64.6", "-64.6,28.4", "95,-64.6", "0,0"])
def test_not_a_point_of_this_study(study, at):
    with pytest.raises(SettingsError, match=re.escape(f"--at {at}")):
        explain_point(study, at)


def test_water_left_out_is_said(study):
    x, y = study.grid.centres(np.array([10]), np.array([10]))
    (longitude,), (latitude,) = transform_points(x, y, study.grid.crs_wkt, GEOGRAPHIC)
    dry = read_study(demo_study_file(), ["habitat.weights.lowland=0"])
    assert "lowland   left out" in explain_point(dry, f"{latitude:.5f},{longitude:.5f}")


def test_every_season_has_its_own_reasons(study):
    site = plan_traps(study).sites.iloc[0]
    at = f"{site['latitude']:.6f},{site['longitude']:.6f}"
    text = explain_point(read_study(demo_study_file(), ['study.season=["dry", "wet"]']), at)
    assert ", dry: score" in text and ", wet: score" in text
    assert "to water (permanent)" in text and "to water (permanent, wetland)" in text
    assert "weight 3" in text and "weight 2" in text
