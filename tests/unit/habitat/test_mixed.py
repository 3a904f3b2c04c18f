"""Cells that hold the edge of a land-cover polygon count by their pieces."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import box

from allocator.core.study import BLANK_CLASS, PolygonCover
from allocator.core.units import SQUARE_METRES_PER_ACRE
from allocator.grid.cover import cover_source
from allocator.grid.edges import WHOLE
from allocator.plan import plan_traps
from tests.builders import FOREST, PASTURE, SWAMP, make_settings, make_study, objects

WHERE = [box(0, 0, 30, 30)]
ALL = {"smallest_patch_acres": 0}


def polygon_study(shapes, positions, properties=WHERE, side=3, **habitat):
    settings = make_settings(habitat=ALL | habitat, **{})
    study = make_study(np.zeros((side, side), np.uint8), properties, settings=settings)
    return replace(study, cover=PolygonCover(objects(shapes), np.array(positions, np.uint8)))


def pieces_of(study):
    found = cover_source(study).pieces(study.grid.window)
    rows = zip(found.cell.tolist(), found.position.tolist(), (found.share / WHOLE).round(4).tolist(), strict=True)
    return sorted(rows)


def test_pieces_of_cells_by_hand():
    """Swamp to x = 14, pasture from 14 to 25, nothing beyond: the middle column is mixed, and the last half blank."""
    study = polygon_study([box(0, 0, 14, 30), box(14, 0, 25, 30)], [SWAMP, PASTURE])
    expected = []
    for row in range(3):
        expected += [(3 * row + 1, SWAMP, 0.4), (3 * row + 1, PASTURE, 0.6)]
        expected += [(3 * row + 2, PASTURE, 0.5), (3 * row + 2, BLANK_CLASS, 0.5)]
    assert pieces_of(study) == sorted(expected)


def test_of_two_that_overlap_the_later_keeps_its_whole_share():
    study = polygon_study([box(0, 0, 30, 30), box(4, 0, 8, 10)], [SWAMP, PASTURE])
    assert pieces_of(study) == [(6, SWAMP, 0.6), (6, PASTURE, 0.4)]


def test_two_polygons_of_one_class_in_a_cell_are_one_piece():
    study = polygon_study([box(0, 0, 14, 30), box(14, 0, 30, 30)], [SWAMP, SWAMP])
    assert pieces_of(study) == []


def test_cells_that_count_by_their_centre_and_rasters_have_no_pieces():
    study = polygon_study([box(0, 0, 14, 30)], [SWAMP])
    centre = study.settings.model_copy(
        update={"study": study.settings.study.model_copy(update={"property_lines": "centre"})}
    )
    assert cover_source(replace(study, settings=centre)).pieces(study.grid.window) is None
    assert cover_source(make_study(np.zeros((3, 3), np.uint8), WHERE)).pieces(study.grid.window) is None


def test_habitat_acres_follow_the_polygon_not_the_cells():
    """420 of 900 m2 of swamp at score 1; the rest pasture at 0.2, no water known: no habitat."""
    plan = plan_traps(polygon_study([box(0, 0, 14, 30), box(14, 0, 30, 30)], [SWAMP, PASTURE]))
    acres = 420 / SQUARE_METRES_PER_ACRE
    assert plan.properties["habitat_acres"].tolist() == pytest.approx([acres], rel=1e-6)
    assert plan.properties["habitat_units_acres"].tolist() == pytest.approx([acres], rel=1e-6)
    assert plan.totals.habitat_acres == pytest.approx(acres, rel=1e-4)
    assert plan.habitat["area_acres"].sum() == pytest.approx(acres, rel=1e-4)  # parts of cells in 65,536ths
    assert plan.complexes["habitat_acres"].sum() == pytest.approx(acres, rel=1e-4)
    by_class = plan.cover_acres.set_index("code")
    assert by_class.loc["90", "area_acres"] == pytest.approx(acres, rel=1e-6)
    assert by_class.loc["90", "habitat_acres"] == pytest.approx(acres, rel=1e-6)
    assert by_class.loc["81", "area_acres"] == pytest.approx(480 / SQUARE_METRES_PER_ACRE, rel=1e-6)
    assert by_class.loc["81", "habitat_acres"] == 0


def test_a_mixed_cell_scores_the_mean_of_its_habitat():
    """Threshold 0.3: swamp 1.0 on 4 of 10, forest 0.4 on 6 of 10 of the middle column."""
    plan = plan_traps(polygon_study([box(0, 0, 14, 30), box(14, 0, 30, 30)], [SWAMP, FOREST], threshold=0.3))
    units = (420 * 1.0 + 480 * 0.4) / SQUARE_METRES_PER_ACRE
    assert plan.properties["habitat_units_acres"].tolist() == pytest.approx([units], rel=1e-6)
    assert plan.habitat["habitat_units_acres"].sum() == pytest.approx(units, rel=1e-4)


def test_a_property_line_within_a_mixed_cell_shares_it_out():
    """Line at x = 12, polygon to 14: the two owners' habitat sums to the polygon's, cell by cell in proportion."""
    study = polygon_study([box(0, 0, 14, 30)], [SWAMP], [box(0, 0, 12, 30), box(12, 0, 30, 30)])
    plan = plan_traps(study)
    square_m = plan.properties["habitat_acres"].to_numpy() * SQUARE_METRES_PER_ACRE
    assert square_m.sum() == pytest.approx(420, rel=1e-5)
    assert square_m == pytest.approx([300 + 0.2 * 120, 0.8 * 120], rel=1e-4)


def test_a_patch_of_slivers_still_has_an_outline():
    plan = plan_traps(polygon_study([box(8, 0, 12, 30)], [SWAMP]))
    assert plan.habitat["area_acres"].tolist() == pytest.approx([120 / SQUARE_METRES_PER_ACRE], rel=1e-4)
    assert not plan.habitat.geometry.is_empty.any() and plan.habitat.geometry.is_valid.all()


@pytest.mark.parametrize("seed", range(4))
def test_ragged_wetlands_against_an_overlay_and_the_same_for_all_tiles(seed):
    """Exact overlay by shapely; properties as large as many cells, so that lines crossing in one cell weigh little."""
    random = np.random.default_rng(seed)
    blobs = shapely.union_all(
        shapely.buffer(shapely.points(random.uniform(50, 750, (25, 2))), random.uniform(20, 90, 25))
    )
    shapes = shapely.get_parts(blobs)
    properties = [box(3, 4, 401, 797), box(401, 4, 795, 797)]
    study = polygon_study(shapes, [SWAMP] * len(shapes), properties, side=80)
    plans = [plan_traps(study, tile_cells=cells) for cells in (64, 1024)]
    exact = [shapely.area(shapely.intersection(blobs, one)) / SQUARE_METRES_PER_ACRE for one in properties]
    assert plans[0].properties["habitat_acres"].tolist() == pytest.approx(exact, rel=2e-3)
    assert plans[0].totals.habitat_acres == pytest.approx(sum(exact), rel=2e-3)
    for name in ("properties", "habitat", "complexes", "cover_acres"):
        first, second = (getattr(plan, name) for plan in plans)
        assert first.drop(columns="geometry", errors="ignore").equals(second.drop(columns="geometry", errors="ignore"))
    assert shapely.equals(plans[0].habitat.geometry.to_numpy(), plans[1].habitat.geometry.to_numpy()).all()
