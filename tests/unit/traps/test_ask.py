"""Whom to ask next, fewer traps than needed, and what a property would get alone: by hand."""

import numpy as np
import pytest
from shapely import LineString, Point, box

from allocator.core.study import Study
from allocator.core.units import square_metres
from allocator.plan import plan_traps
from allocator.traps.need import Pairs, give_traps, traps_alone, work_out_need
from tests.builders import PASTURE, SWAMP, make_settings, make_study


def need_of(acres, complex_of, **changes):
    m2 = np.array([float(square_metres(one)) for one in acres])
    pairs = Pairs(np.arange(len(acres)), np.array(complex_of), m2)
    total = np.bincount(complex_of, m2)
    return work_out_need(pairs, total, properties=len(acres), traps=make_settings(traps=changes).traps)


def test_alone_is_what_rounding_each_property_would_give():
    """Fifty parcels of 40 acres need 7 together; alone each rounds to 0; at 80 acres each has its one trap."""
    traps = make_settings().traps
    together = need_of([40] * 50, [0] * 50)
    assert together.complex_traps.tolist() == [7] and traps_alone(together, traps).sum() == 0
    assert traps_alone(need_of([80] * 10, [0] * 10), traps).tolist() == [1] * 10


def test_traps_given_are_shared_anew_by_the_same_rule():
    """410, 250 and 140 acres: of 3 traps 2, 1, 0; of 2 traps quotas 1.025, 0.625, 0.35: 1, 1, 0."""
    need = need_of([410, 250, 140], [0, 0, 0])
    assert need.property_traps.tolist() == [2, 1, 0]
    given = give_traps(need, np.array([2]), make_settings().traps)
    assert given.property_traps.tolist() == [1, 1, 0] and given.complex_traps.tolist() == [2]
    assert given.complex_exact.tolist() == need.complex_exact.tolist()


def swamps(**changes) -> Study:
    """Two swamps of 20 and 10 hectares, 700 m of pasture between them, a road along both; the owners west to east."""
    cover = np.full((40, 160), PASTURE, np.uint8)
    cover[10:30, 0:100] = SWAMP  # 1,000 m by 200 m = 20 ha = 49.4 acres
    cover[10:30, 120:160] = SWAMP  # 400 m by 200 m = 8 ha = 19.8 acres
    shapes = [box(0, 0, 500, 400), box(500, 0, 1100, 400), box(1100, 0, 1600, 400)]
    settings = make_settings(
        traps={"acres_per_trap": 10, "smallest_habitat_acres": 5} | changes.pop("traps", {}),
        sites={"spacing_m": 100.0, "road_distance_m": [5, 100]}, habitat={"join_distance_m": 100.0},
    )  # fmt: skip
    return make_study(cover, shapes, settings=settings, roads=[LineString([(0, 250), (1600, 250)])], **changes)


def test_asking_an_owner_adds_what_the_need_is_with_and_without():
    """West has signed; the middle holds the other half of its swamp, east a swamp of its own."""
    plan = plan_traps(swamps(enrolled=[True, False, False]))
    asked = plan.ask_next.set_index("property_id")
    for name, one in (("001", [True, True, False]), ("002", [True, False, True])):
        more = plan_traps(swamps(enrolled=one))
        assert asked.loc[name, "traps_added"] == more.totals.traps - plan.totals.traps
        assert asked.loc[name, "habitat_acres"] == pytest.approx(
            more.totals.enrolled_habitat_acres - plan.totals.enrolled_habitat_acres
        )
    assert plan.ask_next["property_id"].tolist() == ["001", "002"]
    assert asked["with_traps"].tolist() == [1, 0] and asked["complexes"].tolist() == [1, 1]
    assert len(plan_traps(swamps()).ask_next) == 0


def test_fewer_traps_go_where_they_gain_most_and_the_frontier_says_how_much():
    whole = plan_traps(swamps())
    assert whole.totals.traps == whole.totals.traps_given == whole.complexes["traps"].sum() == 7
    few = plan_traps(swamps(traps={"available": 3}))
    assert few.totals.traps == 7 and few.totals.traps_given == few.totals.sites == 3 and few.totals.shortfall == 0
    assert few.properties["traps"].tolist() == whole.properties["traps"].tolist()
    assert few.properties["traps_given"].sum() == few.complexes["traps_given"].sum() == 3
    frontier = whole.frontier
    assert frontier["traps"].tolist() == list(range(whole.totals.sites + 1))
    assert (np.diff(frontier["served_units_acres"]) >= 0).all()
    assert frontier["added_acres"].iloc[1:].tolist() == pytest.approx(np.diff(frontier["served_units_acres"]).tolist())
    assert frontier.loc[frontier["is_planned"], "traps"].tolist() == [whole.totals.sites]
    assert any("7 traps are needed and 3 are placed" in warning for warning in few.warnings)
    none = plan_traps(swamps(traps={"available": 0}))
    assert none.totals.sites == none.totals.shortfall == 0 and none.totals.traps == 7
    plenty = plan_traps(swamps(traps={"available": 50}))
    assert plenty.sites.drop(columns="geometry").equals(whole.sites.drop(columns="geometry"))


def test_a_sighting_draws_the_only_trap():
    """One trap: the large swamp gains more; with pigs seen at the small one and a large weight, that one does."""
    import pandas as pd

    def site_x(**changes):
        seen = pd.DataFrame({"x_m": [1400.0], "y_m": [200.0], "date": [""], "count": [""], "kind": [""]})
        plan = plan_traps(swamps(traps={"available": 1} | changes, sightings=seen))
        return float(plan.sites.geometry.x.iloc[0])

    assert site_x(sightings_weight=0.0) < 1100 < site_x(sightings_weight=9.0)
    assert Point(site_x(sightings_weight=9.0), 200).distance(Point(1400, 200)) < 622


def test_pigs_only_when_asked_for_and_as_the_figures_say():
    """0.32 growth: 0.32 / 1.32 = 24 percent of the pigs hold the number (computed from Mellish et al. 2014)."""
    assert len(plan_traps(swamps()).pigs) == 0
    study = swamps()
    counted = study.settings.model_copy(update={"pigs": study.settings.pigs.model_copy(update={"counted": 132.0})})
    table = plan_traps(make_with(study, counted)).pigs.set_index("measure")
    assert table.loc["pigs on this land", "value"] == 132
    assert table.loc["removals that hold the number", "value"] == pytest.approx(32.0)
    target = next(name for name in table.index if name.startswith("published target"))
    assert table.loc[target, "value"] == 66 and "not derived" in table.loc[target, "source"]
    dense = study.settings.model_copy(update={"pigs": study.settings.pigs.model_copy(update={"density_per_km2": 5.34})})
    row = plan_traps(make_with(study, dense)).pigs.set_index("measure").loc["pigs on this land"]
    km2 = 1600 * 400 / 1e6
    assert (row["value"], row["low"], row["high"]) == pytest.approx((5.34 * km2, 0.6 * km2, 15.85 * km2))


def make_with(study, settings):
    from dataclasses import replace

    return replace(study, settings=settings)


def test_the_range_holds_the_count_and_collapses_without_doubt():
    plan = plan_traps(swamps())
    assert plan.totals.traps_low <= plan.totals.traps <= plan.totals.traps_high
    assert (plan.properties["traps_low"] <= plan.properties["traps"]).all()
    assert (plan.properties["traps_high"] >= plan.properties["traps"]).all()
    assert plan.tornado["assumption"].iloc[0] == "acres per trap"
    study = swamps(traps={"acres_per_trap_range": [10, 10]})
    sure = study.settings.model_copy(
        update={"range": study.settings.range.model_copy(update={"threshold": 0.0, "scores": 0.0, "curves": 0.0})}
    )
    plan = plan_traps(make_with(study, sure))
    assert plan.totals.traps_low == plan.totals.traps == plan.totals.traps_high
    assert plan.properties["traps_low"].tolist() == plan.properties["traps"].tolist()
    assert plan.properties["habitat_low_acres"].tolist() == plan.properties["habitat_acres"].tolist()
    assert plan.properties["habitat_high_acres"].tolist() == plan.properties["habitat_acres"].tolist()
    assert len(plan.tornado) == 0
