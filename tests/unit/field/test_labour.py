"""Person-hours and miles in round numbers."""

import math

import numpy as np
import pytest
import shapely

from allocator.core.units import METRES_PER_MILE
from allocator.field.labour import driven_miles, labour
from allocator.field.open_days import Stages
from allocator.field.rotation import Rotation
from allocator.field.schedule import Phase, Schedule
from allocator.field.trips import Round, Trips, Visits
from tests.builders import PASTURE, make_settings, make_study

STAGES = Stages(build=2, pre_bait=9, capture=4, reset=1)
ROTATION = Rotation((0, 1, -1), (0, 0, -1), (15, 15, -1), 2, 2, 2, "optimal", ((2, "no set free"),))
SCHEDULE = Schedule(STAGES, None, frozenset(), 3, ROTATION, ())
CREWS = {
    "size": 2, "road_mph": 30, "check_minutes": 30, "bait_minutes": 15,
    "locate_hours": 0.5, "build_hours": 6, "reset_hours": 4,
}  # fmt: skip
BAIT = Visits("bait", Phase(2, 10, (0, 1)), 3, 1)  # days 3, 6 and 9: three times
CHECK = Visits("check", Phase(11, 14, (0, 1)), 1, 1)  # four times
ON_FOOT = np.array([0.5, 1.0, 100.0])  # the third site has no set: nobody walks there


def round_of(visits, miles=(10, 5, 15), stops=(0, 1), turn=1):
    legs = tuple(mile * METRES_PER_MILE for mile in miles)
    return Round(visits, 1, turn, stops, legs, (1.0,) * len(stops), 3.0, shapely.LineString())


def trips_of(base_miles, rounds=(), visits=(BAIT, CHECK), crews=2):
    base_m = np.array(base_miles) * METRES_PER_MILE
    return Trips(tuple(visits), tuple(rounds), base_m, ON_FOOT, crews, 1, ())


def tasks_of(trips, **crews):
    study = make_study(
        np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], settings=make_settings(crews=CREWS | crews)
    )
    return {one.words: (one.count, one.unit, one.hours) for one in labour(study, SCHEDULE, trips)}


def test_hours_of_a_season_by_hand():
    """Miles: 30 x 3 and 30 x 4 on rounds, and 2 x (2 + 1) days x (10 + 15) to build and take down: 90 + 120 + 150."""
    trips = trips_of([10, 15, 40], [round_of(BAIT), round_of(CHECK)])
    assert driven_miles(SCHEDULE, trips) == pytest.approx(360)
    tasks = tasks_of(trips)
    assert tasks == {
        "Locate utilities (811)": (2, "sites", 1.0),
        "Build": (2, "sites", 12.0),
        "Bait and look at cameras": (6, "visits", 12.0),  # 2 people x (6 x 15 min + 3 x (0.5 + 1) h)
        "Check armed traps": (8, "visits", 20.0),  # 2 people x (8 x 30 min + 4 x (0.5 + 1) h)
        "Take down and move": (2, "sites", 8.0),
        "Drive": (pytest.approx(360), "miles", pytest.approx(24.0)),  # 360 miles at 30, two people
    }
    assert list(tasks) == ["Locate utilities (811)", "Build", "Bait and look at cameras", "Check armed traps",
                           "Take down and move", "Drive"]  # fmt: skip


def test_twice_the_people_take_twice_the_hours_on_the_way_and_at_traps():
    trips = trips_of([10, 15, 40], [round_of(BAIT), round_of(CHECK)])
    two, four = tasks_of(trips), tasks_of(trips, size=4)
    for words in ("Bait and look at cameras", "Check armed traps", "Drive"):
        assert four[words][2] == pytest.approx(2 * two[words][2])
    for words in ("Locate utilities (811)", "Build", "Take down and move"):
        assert four[words] == two[words]  # person-hours a site


def test_twice_the_checks_a_day():
    twice = Visits("check", CHECK.phase, 1, 2)
    trips = trips_of([10, 15, 40], [round_of(BAIT), round_of(twice)], (BAIT, twice))
    assert tasks_of(trips)["Check armed traps"] == (16, "visits", 40.0)
    assert driven_miles(SCHEDULE, trips) == pytest.approx(90 + 240 + 150)


def test_a_round_on_a_later_turn_is_driven_on_its_days():
    """Every other day of days 12 to 14, counted from day 0: on the first turn 12 and 14, on the second 13."""
    other = Visits("check", Phase(12, 14, (0, 1)), 2, 1)
    rounds = [round_of(other, (10, 10), (0,)), round_of(other, (15, 15), (1,), turn=2)]
    trips = trips_of([10, 15, 40], rounds, (other,))
    assert [one.times for one in rounds] == [2, 1]
    assert driven_miles(SCHEDULE, trips) == pytest.approx(2 * 20 + 1 * 30 + 150)
    count, _, hours = tasks_of(trips)["Check armed traps"]
    assert (count, hours) == (3, 2 * (3 * 0.5 + 2 * 0.5 + 1 * 1.0))


def test_without_a_base_driving_is_not_known_and_the_rest_is():
    trips = trips_of([math.nan] * 3, crews=None)
    assert driven_miles(SCHEDULE, trips) is None
    tasks = tasks_of(trips)
    assert tasks["Drive"] == (None, "miles", None)
    assert tasks["Check armed traps"] == (8, "visits", 20.0) and tasks["Build"][2] == 12.0


def test_a_site_that_no_road_leads_to_is_left_out_of_driving_only():
    """2 x 3 days x 10 miles to the site that is reached; both are still visited."""
    trips = trips_of([10, math.inf, math.inf], [round_of(CHECK, (10, 10), (0,))])
    assert driven_miles(SCHEDULE, trips) == pytest.approx(60 + 4 * 20)
    assert tasks_of(trips)["Check armed traps"][0] == 8


def test_no_site_served():
    none = Rotation((-1,), (-1,), (-1,), 0, 0, 0, "optimal", ((0, "no set free"),))
    schedule = Schedule(STAGES, None, frozenset(), 3, none, ())
    trips = Trips((), (), np.array([METRES_PER_MILE]), np.array([1.0]), 0, 0, ())
    study = make_study(np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)])
    tasks = labour(study, schedule, trips)
    assert [one.hours for one in tasks] == [0] * 6 and driven_miles(schedule, trips) == 0
