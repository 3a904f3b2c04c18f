"""Sites of whole plans: sightings, damage, complexes side by side, traps on hand, and spots that must not be lost."""

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.core.visits import SiteDecision
from allocator.plan import plan_traps
from tests.builders import PASTURE, SWAMP, joined, make_settings, make_study


def study_of(*blocks, shapes=None, columns=60, cell_m=10.0, settings=None, **more):
    """Pasture with blocks of swamp, 400 m high, a road through the middle at y = 200."""
    rows = round(400 / cell_m)
    cover = np.full((rows, columns), PASTURE, np.uint8)
    for block in blocks:
        cover[block] = SWAMP
    base = {
        "habitat": {"smallest_patch_acres": 0.1, "join_distance_m": 10.0},
        "traps": {"acres_per_trap": 10, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 100.0, "building_setback_m": 1.0, "candidate_spacing_m": 60.0},
    }
    more = {"roads": [LineString([(0, 200), (columns * cell_m, 200)])]} | more
    shapes = shapes or [box(0, 0, columns * cell_m, 400)]
    return make_study(cover, shapes, cell_m=cell_m, settings=make_settings(**joined(base, settings or {})), **more)


def seen(*places, kind="tracks"):
    x_m, y_m = np.array(places, float).T
    blank = [""] * len(places)
    return pd.DataFrame({"x_m": x_m, "y_m": y_m, "date": blank, "count": blank, "kind": [kind] * len(places)})


LOBES = (np.s_[8:32, 5:25], np.s_[10:30, 35:55], np.s_[19:21, 25:35])
"""West 240 by 200 m, east 200 by 200 m, joined by a neck: one complex of 22.7 acres."""
ONE_TRAP = {"traps": {"acres_per_trap": 20, "smallest_habitat_acres": 1}, "sites": {"service_radius_m": 140.0}}


def only_site(plan):
    assert len(plan.complexes) == 1
    assert plan.totals.sites == plan.totals.traps == 1
    return plan.sites.geometry[0]


def test_the_larger_lobe_is_served_where_nothing_was_seen():
    assert only_site(plan_traps(study_of(*LOBES, settings=ONE_TRAP))).x < 300


def test_a_sighting_draws_the_trap_to_the_second_best_lobe():
    found = seen((450, 260))
    assert only_site(plan_traps(study_of(*LOBES, settings=ONE_TRAP, sightings=found))).x > 300


def test_a_sighting_with_no_weight_draws_nothing():
    settings = joined(ONE_TRAP, {"traps": {"sightings_weight": 0.0}})
    assert only_site(plan_traps(study_of(*LOBES, settings=settings, sightings=seen((450, 260))))).x < 300


def test_a_sighting_beyond_the_radius_of_any_habitat_draws_nothing():
    assert only_site(plan_traps(study_of(*LOBES, settings=ONE_TRAP, sightings=seen((735, 200))))).x < 300


@pytest.mark.parametrize("weight", [0.5, 2.0])
def test_habitat_near_a_sighting_counts_by_its_weight(weight):
    """One trap that serves the whole of a block: choice_acres less what quality is worth is worked out by hand.

    A block of 100 by 100 m with a sighting at its west side, radius 60: squares are single cells.
    """
    settings = {
        "traps": {"acres_per_trap": 2, "smallest_habitat_acres": 1, "sightings_weight": weight},
        "sites": {"service_radius_m": 60.0, "spacing_m": 500.0, "quality_share": 0.0, "candidate_spacing_m": 10.0},
    }
    plan = plan_traps(study_of(np.s_[15:25, 20:30], settings=settings, sightings=seen((195, 205))))
    site = only_site(plan)
    x_m, y_m = np.meshgrid(np.arange(20, 30) * 10 + 5.0, np.arange(15, 25) * 10 + 5.0)
    served = np.hypot(x_m - site.x, y_m - site.y) <= 60
    factor = np.where(np.hypot(x_m - 195, y_m - 205) <= 60, 1 + weight, 1)
    assert 1 < factor[served].mean() < 1 + weight
    assert plan.complexes["choice_acres"][0] == pytest.approx(factor[served].sum() * 100 / 4046.8564224, rel=1e-9)
    assert plan.complexes["served_percent"][0] == pytest.approx(100 * served.mean(), rel=1e-9)  # weights left out


@pytest.mark.parametrize(("kind", "setback_m", "least"), [("crop damage", 50.0, 50), ("Damage", 90.0, 90)])
def test_no_site_stands_near_damage(kind, setback_m, least):
    block = np.s_[5:35, 5:55]
    before = plan_traps(study_of(block))
    where = [(point.x + 3, point.y) for point in before.sites.geometry[:2]]
    settings = {"sites": {"damage_setback_m": setback_m}}
    plan = plan_traps(study_of(block, settings=settings, sightings=seen(*where, kind=kind)))
    apart = shapely.distance(plan.candidates.geometry.to_numpy()[:, None], shapely.points(where)[None]).min(axis=1)
    assert least <= apart.min() < least + 30
    assert plan.totals.sites == 4
    np.testing.assert_allclose(plan.candidates["damage_distance_m"], apart, rtol=1e-12)


def test_other_sightings_keep_nothing_away():
    block = np.s_[5:35, 5:55]
    before = plan_traps(study_of(block))
    where = [(point.x + 3, point.y) for point in before.sites.geometry[:2]]
    plan = plan_traps(study_of(block, sightings=seen(*where, kind="rooting")))
    assert {(one.x, one.y) for one in plan.candidates.geometry} == {
        (one.x, one.y) for one in before.candidates.geometry
    }
    assert plan.candidates["damage_distance_m"].isna().all()


def test_complexes_side_by_side_keep_the_spacing():
    plan = plan_traps(study_of(np.s_[5:35, 5:28], np.s_[5:35, 30:55], settings={"sites": {"spacing_m": 150.0}}))
    assert plan.complexes["sites"].tolist() == [2, 2]
    points = plan.sites.geometry.to_numpy()
    apart = shapely.distance(points[:, None], points[None])[np.triu_indices(4, 1)]
    assert apart.min() >= 150


def test_what_a_site_serves_of_its_complex_is_not_taken_off_by_a_site_of_another():
    """Circles of 160 m reach over the gap of 20 m into the other complex."""
    plan = plan_traps(study_of(np.s_[5:35, 5:28], np.s_[5:35, 30:55], settings={
        "sites": {"spacing_m": 50.0, "service_radius_m": 160.0}}))  # fmt: skip
    overlaps = 0.0
    for name, block in (("C001", box(50, 50, 280, 350)), ("C002", box(300, 50, 550, 350))):
        own = plan.sites["complex_id"] == name
        its, other = (
            shapely.union_all(shapely.buffer(plan.sites.geometry[which].to_numpy(), 160.0, quad_segs=64))
            for which in (own, ~own)
        )
        overlaps += its.intersection(other).intersection(block).area
        assert plan.sites["served_acres"][own].sum() == pytest.approx(
            its.intersection(block).area / 4046.8564, rel=1e-3
        )
    assert overlaps > 500


def test_without_spacing_no_spot_holds_two_traps():
    plan = plan_traps(study_of(np.s_[5:35, 5:28], np.s_[5:35, 30:55], settings={"sites": {"spacing_m": 0.0}}))
    assert len({(point.x, point.y) for point in plan.sites.geometry}) == len(plan.sites) == 4


def test_the_bound_of_a_complex_in_anothers_way_is_that_of_one_alone():
    """Two strips along one road, 30 m apart: only one trap stands between them, the other complex could do better."""
    blocks = (np.s_[12:18, 25:35], np.s_[22:28, 25:35])
    settings = {
        "traps": {"acres_per_trap": 1.4, "smallest_habitat_acres": 1},
        "sites": {"spacing_m": 300.0, "service_radius_m": 60.0, "road_distance_m": [5, 30]},
    }
    shapes = [box(200, 0, 400, 400)]
    both = plan_traps(study_of(*blocks, shapes=shapes, settings=settings))
    alone = [plan_traps(study_of(one, shapes=shapes, settings=settings)) for one in blocks]
    assert both.totals.sites == 1 < both.totals.traps
    worth = [plan.complexes["choice_acres"][0] for plan in alone]
    sited = both.complexes["sites"] == 1
    assert both.complexes["bound_acres"][sited].tolist() == pytest.approx([max(worth)], rel=1e-6)
    assert both.solver.status == "feasible"
    gap = 100 * (1 - both.complexes["choice_acres"].sum() / sum(worth))
    assert both.solver.gap_percent == pytest.approx(gap, abs=1e-3)


def test_rank_one_serves_the_most_and_each_site_what_better_ranks_leave():
    plan = plan_traps(study_of(np.s_[5:35, 5:55]))
    check_ranks(plan)


def test_ranks_hold_among_kept_sites_too():
    """The first to be kept overlaps the second, and the second alone serves more."""
    decisions = tuple(
        SiteDecision(name, "keep", "", x, 215.0, np.nan) for name, x in (("T1", 75.0), ("T2", 180.0), ("T3", 285.0))
    )
    check_ranks(plan_traps(study_of(np.s_[5:35, 5:55], site_decisions=decisions)))


def check_ranks(plan):
    """Column ``rank``: 1 serves the most habitat not served by a site of better rank."""
    habitat = shapely.union_all(plan.habitat.geometry.to_numpy())
    circles = [circle.intersection(habitat) for circle in plan.service_areas.geometry]
    taken = Point()
    for place, circle in enumerate(circles):
        left = [other.difference(taken).area for other in circles[place:]]
        assert left[0] >= 0.98 * max(left), f"rank {place + 1}: {left}"
        taken = taken | circle


def test_traps_on_hand_go_where_they_gain_most():
    """West a block of 20 acres and two traps, east one of 7 acres and one: traps on hand go west, west, east."""
    blocks = (np.s_[8:32, 5:39], np.s_[14:26, 65:90])
    given = []
    for available in (0, 1, 2, 3):
        plan = plan_traps(study_of(*blocks, columns=100, settings={"traps": {"available": available}}))
        assert plan.totals.sites == plan.totals.traps_given == available
        given.append(plan.complexes["sites"].tolist())
    assert given == [[0, 0], [1, 0], [2, 0], [2, 1]]


def test_one_trap_on_hand_goes_where_one_trap_serves_most():
    """Alone, a trap serves 9.9 acres west and 9.3 acres east; of the two that the west needs each serves less."""
    blocks = (np.s_[8:32, 5:39], np.s_[10:30, 65:90])
    one = {"settings": {"traps": {"available": 1}}, "columns": 100}
    west, east = (plan_traps(study_of(block, **one)).sites["served_acres"].sum() for block in blocks)
    assert west > 1.05 * east
    assert plan_traps(study_of(*blocks, **one)).sites["served_acres"].sum() == pytest.approx(west, rel=1e-6)


def test_with_traps_short_the_whole_frontier_is_still_known():
    block = np.s_[5:35, 5:55]
    whole = plan_traps(study_of(block))
    short = plan_traps(study_of(block, settings={"traps": {"available": 2}}))
    np.testing.assert_allclose(short.frontier.select_dtypes("number"), whole.frontier.select_dtypes("number"))
    served = [plan.complexes["served_percent"][0] for plan in (short, whole)]
    assert 0 < served[0] < served[1]


def test_a_spot_is_not_lost_to_others_of_its_square_that_the_exact_road_distance_rules_out():
    """Property from y = 240: rows at y = 255 (55 m from the road, 15 m inside) hold, 265 (65 m) do not.

    Squares of 60 m hold six cells of the row at 255, so each square of the property must have a candidate: 10.
    """
    plan = plan_traps(study_of(np.s_[5:35, 5:55], shapes=[box(0, 240, 600, 400)]))
    assert set(plan.candidates.geometry.y) == {255.0}
    assert len(plan.candidates) == 10


def test_a_property_far_from_the_road_has_a_site_once_the_road_limit_reaches_it():
    """Property from y = 300, road at 200: y = 315 is 115 m off and 15 m inside the line."""
    settings = {"sites": {"road_distance_m": [5, 115]}}
    plan = plan_traps(study_of(np.s_[5:35, 5:55], shapes=[box(0, 300, 600, 400)], settings=settings))
    assert plan.totals.sites >= 1


def test_spots_that_all_lie_in_cells_of_the_road_are_reached():
    """Cells of 40 m and at most 15 m from the road: every way starts in the spot's own cell."""
    settings = {"sites": {"road_distance_m": [5, 15], "candidate_spacing_m": 80.0}}
    study = study_of(np.s_[1:9, 1:14], columns=15, cell_m=40.0, settings=settings,
                     roads=[LineString([(0, 190), (600, 190)])])  # fmt: skip
    plan = plan_traps(study)
    assert plan.totals.sites >= 1
    np.testing.assert_allclose(plan.sites["access_m"], 10.0)
