"""The season: open days, holidays, calls to 811, trap sets at hand, crews, and runs of days with the same sites."""

from datetime import date, timedelta

import pytest

from allocator.field.open_days import Stages
from allocator.field.rotation import Rotation
from allocator.field.schedule import Phase, Schedule, plan_schedule
from tests.builders import joined, make_settings

# 60 days from Monday 21 June to Thursday 19 August 2027, less a week: runs of 28 and 25 open days. Holidays of 2027
# under 5 U.S.C. 6103: 19 June is a Saturday, observed on Friday 18; 4 July is a Sunday, observed on Monday 5.
SEASON = {
    "first_day": date(2027, 6, 21), "last_day": date(2027, 8, 19), "holidays": "work",
    "closed": [(date(2027, 7, 19), date(2027, 7, 25))], "locate_business_days": 3,
    "build_days": 2, "pre_bait_days": 10, "capture_days": 5, "reset_days": 1, "move_test_day": 8,
}  # fmt: skip


def season(sites, equipment=None, crews=None, **calendar):
    return plan_schedule(
        make_settings(calendar=joined(SEASON, calendar), equipment=equipment or {}, crews=crews or {}), sites
    )


def dates(schedule, site):
    """First and last calendar day of each stage, as month-day."""
    return {
        stage: tuple(f"{schedule.days[day].month}-{schedule.days[day].day}" for day in span)
        for stage, span in schedule.stage_days(site).items()
    }


def by_hand(starts, stages, days=None, lead=3):
    """A schedule with the starts given, one set for each site; -1: not served."""
    end = tuple(start + stages.cycle_days - 1 if start >= 0 else -1 for start in starts)
    rotation = Rotation(tuple(range(len(starts))), tuple(starts), end, len(starts), 1, len(starts), "feasible", ())
    return Schedule(stages, days, frozenset(), lead, rotation, ())


def test_three_sites_in_a_season_with_a_closed_week():
    """A stay of 18 days fits once into each run of 28 and 25 days: a set does two sites, three sites take two sets."""
    plan = season(3)
    assert len(plan.days) == 53 and plan.notes == ()
    assert (plan.rotation.sets, plan.rotation.bound) == (2, 2)
    assert plan.start.tolist() == [0, 0, 28] and plan.served.tolist() == [0, 1, 2]
    first = {"build": ("6-21", "6-22"), "pre_bait": ("6-23", "7-2"), "capture": ("7-3", "7-7"), "reset": ("7-8", "7-8")}
    assert dates(plan, 0) == dates(plan, 1) == first
    assert dates(plan, 2) == {
        "build": ("7-26", "7-27"), "pre_bait": ("7-28", "8-6"), "capture": ("8-7", "8-11"), "reset": ("8-12", "8-12"),
    }  # fmt: skip


def test_a_holiday_makes_a_stay_one_calendar_day_longer():
    """5 July 2027 is no open day; nothing else of the stay changes but its end."""
    plan = season(3, holidays="off")
    assert len(plan.days) == 52 and date(2027, 7, 5) not in plan.days
    assert dates(plan, 0) == {
        "build": ("6-21", "6-22"), "pre_bait": ("6-23", "7-2"), "capture": ("7-3", "7-8"), "reset": ("7-9", "7-9"),
    }  # fmt: skip
    assert dates(plan, 2) == dates(season(3), 2)  # no holiday in it


@pytest.mark.parametrize(
    ("first_day", "lead", "call"),
    # worked on a wall calendar of 2027: business days strictly between the call and the first day of building
    [
        (date(2027, 6, 21), 3, date(2027, 6, 14)),  # Monday: Tue, Wed, Thu count; Fri 18 is a holiday
        (date(2027, 6, 21), 0, date(2027, 6, 17)),  # the last business day before
        (date(2027, 6, 24), 3, date(2027, 6, 17)),  # Thursday: 21, 22, 23
        (date(2027, 6, 26), 3, date(2027, 6, 22)),  # Saturday: 23, 24, 25
        (date(2027, 7, 6), 1, date(2027, 7, 1)),  # Tuesday after the holiday: Fri 2
        (date(2027, 7, 6), 3, date(2027, 6, 29)),  # Wed 30, Thu 1, Fri 2
    ],
)
@pytest.mark.parametrize("holidays", ["off", "work"])
def test_the_lead_is_over_before_posts_are_driven(first_day, lead, call, holidays):
    plan = season(1, first_day=first_day, locate_business_days=lead, holidays=holidays, closed=[])
    assert plan.days[plan.start[0]] == first_day and plan.call_by(0) == call


def test_a_long_lead_counts_holidays_long_before_the_season():
    """So many business days lie between call and building, whatever the lead; holidays under 5 U.S.C. 6103."""
    plan = season(1, first_day=date(2027, 6, 1), locate_business_days=60)
    off = {date(2027, 5, 31)}
    between = [plan.call_by(0) + timedelta(days=day) for day in range(1, (date(2027, 6, 1) - plan.call_by(0)).days)]
    assert sum(day.weekday() < 5 and day not in off for day in between) == 60
    far = season(1, first_day=date(2027, 6, 1), locate_business_days=100)
    off |= {date(2027, 2, 15), date(2027, 1, 18), date(2027, 1, 1)}
    between = [far.call_by(0) + timedelta(days=day) for day in range(1, (date(2027, 6, 1) - far.call_by(0)).days)]
    assert sum(day.weekday() < 5 and day not in off for day in between) == 100


@pytest.mark.parametrize(
    ("first_call", "build", "call"),
    [
        (date(2027, 2, 3), date(2027, 2, 9), date(2027, 2, 3)),  # Wednesday: Thu, Fri, Mon are the lead
        (date(2027, 2, 6), date(2027, 2, 12), date(2027, 2, 8)),  # Saturday: called on Monday; Tue, Wed, Thu
        (date(2027, 2, 15), date(2027, 2, 20), date(2027, 2, 16)),  # holiday: called on Tuesday; Wed, Thu, Fri
        (date(2027, 1, 4), date(2027, 2, 1), date(2027, 1, 26)),  # long before the season: as late as the season lets
    ],
)
def test_the_first_call_delays_the_first_build(first_call, build, call):
    plan = season(1, first_day=date(2027, 2, 1), last_day=date(2027, 3, 31), closed=[], first_call=first_call)
    assert plan.days[plan.start[0]] == build and plan.call_by(0) == call >= first_call


def test_sets_at_hand_leave_the_worst_rank_without_a_set():
    plan = season(3, {"sets": 1})
    assert plan.start.tolist() == [0, 28, -1] and plan.rotation.set_of == (0, 0, -1)
    assert plan.served.tolist() == [0, 1] and plan.stage_days(2) == {} and plan.call_by(2) is None
    (note,) = plan.notes
    assert note.startswith("1 of 3 sites gets no trap set in the season from 2027-06-21 to 2027-08-19 (no set free)")
    assert "equipment.sets" in note
    assert season(5, {"sets": 1}).notes[0].startswith("3 of 5 sites get no trap set")


def test_sites_that_are_ready_too_late_are_told_what_would_help():
    """A call on 4 August is marked on 9 August: 10 days are left of the season, a stay is 18."""
    plan = season(2, first_call=date(2027, 8, 4))
    assert plan.rotation.sets == 0 and len(plan.served) == 0
    (note,) = plan.notes
    assert "2 of 2 sites get" in note and "ready too late" in note and "calendar.first_call" in note
    assert "equipment.sets" not in note


def test_no_season_gives_every_site_a_set_of_its_own():
    plan = plan_schedule(make_settings(), 3)
    assert plan.days is None and plan.notes == () and plan.call_by(0) is None
    assert plan.rotation.set_of == (0, 1, 2) and plan.start.tolist() == [0, 0, 0] and plan.rotation.sets == 3
    cycle = 2 + 21 + 6 + 1  # the shipped stages
    assert plan.rotation.end == (cycle - 1,) * 3


def test_no_season_and_too_few_sets_is_told():
    plan = plan_schedule(make_settings(equipment={"sets": 2}), 5)
    assert plan.rotation.set_of == (0, 1, -1, -1, -1) and plan.served.tolist() == [0, 1]
    (note,) = plan.notes
    assert note.startswith("3 of 5 sites get no trap set (no set free)") and "None" not in note


@pytest.mark.parametrize(
    ("calendar", "words"),
    [
        ({"closed": [(date(2027, 6, 1), date(2027, 9, 1))]}, ["has no open day", "a site needs 18"]),
        ({"last_day": date(2027, 7, 7)}, ["at most 17 open days in a row", "a site needs 18", "to 2027-07-07"]),
        # 18 days, of which Monday 5 July is a holiday
        ({"last_day": date(2027, 7, 8), "holidays": "off"}, ["at most 17 open days in a row", "holidays left out"]),
        # 53 open days, none of the three runs long enough: 17, 8 and 19 - 2
        ({"closed": [(date(2027, 7, 8), date(2027, 7, 25)), (date(2027, 8, 12), date(2027, 8, 19))]},
         ["at most 17 open days in a row"]),
        ({"last_day": date(2027, 6, 21), "closed": []}, ["at most 1 open day (", "2027-06-21 to 2027-06-21"]),
    ],
)  # fmt: skip
def test_a_season_without_room_gives_no_dates_and_says_why(calendar, words):
    plan = season(3, **calendar)
    assert plan.days is None and plan.start.tolist() == [0, 0, 0] and plan.rotation.set_of == (0, 1, 2)
    (note,) = plan.notes
    assert all(word in note for word in [*words, "first_day", "last_day", "closed"]), note
    few = season(3, {"sets": 2}, **calendar)
    assert few.served.tolist() == [0, 1] and "1 of 3 sites gets no trap set" in few.notes[1]


def test_one_more_day_makes_room():
    assert season(1, last_day=date(2027, 7, 8)).days is not None


@pytest.mark.parametrize(
    ("hours", "starts"),
    [
        ((6, 2), [0, 0, 1, 1, 2]),  # one crew of 2 for 8 hours: 16 person-hours a day, 8 a site
        ((10, 6), [0, 1, 2, 3, 4]),
        ((12, 8), [0, 1, 2, 3, 4]),  # more than a day each: one a day all the same
        ((4, 1.3), [0, 0, 0, 1, 1]),  # 16 / 5.3 = 3.02
        ((0, 0), [0, 0, 0, 0, 0]),
    ],
)
def test_crews_at_hand_stagger_the_starts(hours, starts):
    crews = {"available": 1, "size": 2, "shift_hours": 8, "build_hours": hours[0], "reset_hours": hours[1]}
    plan = season(5, crews=crews, last_day=date(2027, 7, 12))  # 22 days: room for starts on days 0 to 4
    assert plan.start.tolist() == starts
    assert season(5, last_day=date(2027, 7, 12)).start.tolist() == [0] * 5


def test_hours_that_divide_evenly_but_for_float_rounding():
    crews = {"available": 1, "size": 1, "shift_hours": 0.6, "build_hours": 0.2, "reset_hours": 0}  # 0.6 / 0.2 < 3
    assert season(4, crews=crews, last_day=date(2027, 7, 12)).start.tolist() == [0, 0, 0, 1]


def test_no_site():
    for plan in (season(0), plan_schedule(make_settings(), 0)):
        assert plan.rotation.sets == plan.rotation.bound == 0 and plan.notes == ()
        assert plan.start.shape == (0,) and plan.served.shape == (0,) and plan.phases("capture") == ()


def test_phases_are_runs_of_days_with_the_same_sites():
    """Capture is days 3 to 6 of a start on day 0, and 6 to 9 of a start on day 3; site 2 is not served."""
    plan = by_hand([0, 3, -1, 0], Stages(build=1, pre_bait=2, capture=4, reset=0))
    assert plan.phases("capture") == (Phase(3, 5, (0, 3)), Phase(6, 6, (0, 1, 3)), Phase(7, 9, (1,)))
    assert plan.phases("build") == (Phase(0, 0, (0, 3)), Phase(3, 3, (1,)))  # days 1 and 2 in none
    assert plan.phases("reset") == ()  # a stage of no days


def test_phases_of_the_season():
    plan = season(3)
    assert plan.phases("capture") == (Phase(12, 16, (0, 1)), Phase(40, 44, (2,)))
