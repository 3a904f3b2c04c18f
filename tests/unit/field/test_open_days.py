"""Leads in business days, federal holidays, and the open runs of a season."""

from datetime import date, timedelta

import pandas as pd
import pytest
from pandas.tseries.holiday import USFederalHolidayCalendar

from allocator.field.open_days import Window, business_day_after, federal_holidays, open_windows

# 2026: 1 March is a Sunday; 25 May (Memorial Day) and 7 September (Labor Day) are Mondays, 26 November is a Thursday.
HOLIDAYS = frozenset({date(2026, 5, 25), date(2026, 9, 7), date(2026, 11, 26), date(2026, 12, 25), date(2027, 1, 1)})


@pytest.mark.parametrize(
    ("call", "days", "over"),
    [
        # worked by hand on a wall calendar
        (date(2026, 3, 2), 2, date(2026, 3, 4)),  # Monday: Tuesday, Wednesday
        (date(2026, 3, 5), 3, date(2026, 3, 10)),  # Thursday: Friday, Monday, Tuesday
        (date(2026, 3, 6), 1, date(2026, 3, 9)),  # Friday: Monday
        (date(2026, 3, 7), 1, date(2026, 3, 9)),  # Saturday: Monday
        (date(2026, 3, 8), 2, date(2026, 3, 10)),  # Sunday: Monday, Tuesday
        (date(2026, 5, 22), 2, date(2026, 5, 27)),  # Friday before Memorial Day: Tuesday, Wednesday
        (date(2026, 9, 7), 3, date(2026, 9, 10)),  # called on the holiday itself
        (date(2026, 11, 25), 2, date(2026, 11, 30)),  # Wednesday: Friday, Monday
        (date(2026, 12, 24), 5, date(2027, 1, 4)),  # Thursday: 28, 29, 30, 31, then 1 January and a weekend are off
        (date(2026, 3, 7), 0, date(2026, 3, 7)),  # no lead
        (date(2026, 3, 2), 10, date(2026, 3, 16)),  # two weeks
    ],
)
def test_a_lead_is_over(call, days, over):
    assert business_day_after(call, days, HOLIDAYS) == over


def test_a_negative_lead_is_refused():
    with pytest.raises(ValueError, match="-1 business days"):
        business_day_after(date(2026, 3, 2), -1, HOLIDAYS)


def test_federal_holidays_of_2012():
    # As the Office of Personnel Management lists them, printed by fedsmith.com, "2012 paid federal holidays"
    # (2 January 2012): two of them observed on the Monday after a Sunday.
    published = [(1, 2), (1, 16), (2, 20), (5, 28), (7, 4), (9, 3), (10, 8), (11, 12), (11, 22), (12, 25)]
    found = federal_holidays(date(2012, 1, 1), date(2012, 12, 31))
    assert sorted(found) == [date(2012, month, day) for month, day in published]


@pytest.mark.parametrize(
    ("year", "dates"),
    [
        # Dates of the Office of Personnel Management, from memory, unverified
        (2021, "1-1 1-18 2-15 5-31 6-18 7-5 9-6 10-11 11-11 11-25 12-24 12-31"),
        (2022, "1-17 2-21 5-30 6-20 7-4 9-5 10-10 11-11 11-24 12-26"),
        (2023, "1-2 1-16 2-20 5-29 6-19 7-4 9-4 10-9 11-10 11-23 12-25"),
        (2026, "1-1 1-19 2-16 5-25 6-19 7-3 9-7 10-12 11-11 11-26 12-25"),
    ],
)
def test_federal_holidays_of_other_years(year, dates):
    found = federal_holidays(date(year, 1, 1), date(year, 12, 31))
    assert " ".join(f"{day.month}-{day.day}" for day in sorted(found)) == dates


def by_the_statute(year):
    """Holidays of a year and their days off; rules as in FSIS Notice 35-21, Holidays in 2022, sections II and III."""

    def nth(month, weekday, number):
        one = date(year, month, 1)
        return one + timedelta(days=(weekday - one.weekday()) % 7 + 7 * (number - 1))

    memorial = date(year, 5, 31)
    memorial -= timedelta(days=memorial.weekday())
    days = [nth(1, 0, 3), nth(2, 0, 3), memorial, nth(9, 0, 1), nth(10, 0, 2), nth(11, 3, 4)]
    for month, day in [(1, 1), (6, 19), (7, 4), (11, 11), (12, 25)]:
        that = date(year, month, day)
        days.append(that + timedelta(days={5: -1, 6: 1}.get(that.weekday(), 0)))
    return days


def test_federal_holidays_follow_the_statute():
    every = {day for year in range(2022, 2051) for day in by_the_statute(year)}
    first, last = date(2022, 1, 1), date(2049, 12, 31)
    assert federal_holidays(first, last) == {day for day in every if first <= day <= last}


def test_federal_holidays_agree_with_another_library():
    # pandas' own rules of the federal calendar
    theirs = USFederalHolidayCalendar().holidays(pd.Timestamp(2022, 1, 1), pd.Timestamp(2040, 12, 31))
    assert federal_holidays(date(2022, 1, 1), date(2040, 12, 31)) == {day.date() for day in theirs}


def test_holidays_are_those_asked_for():
    assert federal_holidays(date(2021, 12, 31), date(2021, 12, 31)) == {date(2021, 12, 31)}  # New Year's Day of 2022
    assert federal_holidays(date(2022, 1, 1), date(2022, 1, 16)) == frozenset()
    assert federal_holidays(date(2022, 3, 1), date(2022, 2, 1)) == frozenset()


def day(number):
    return date(2026, 1, number)


@pytest.mark.parametrize(
    ("closed", "open_days"),
    [
        ([], [(1, 31)]),
        ([(10, 19)], [(1, 9), (20, 31)]),
        ([(1, 3), (31, 31)], [(4, 30)]),
        ([(20, 22), (5, 9)], [(1, 4), (10, 19), (23, 31)]),  # out of order
        ([(5, 20), (8, 12), (18, 25)], [(1, 4), (26, 31)]),  # one inside another, one over its end
        ([(5, 9), (10, 12)], [(1, 4), (13, 31)]),  # end to end
        ([(1, 31)], []),
        ([(3, 10), (3, 5)], [(1, 2), (11, 31)]),
    ],
)
def test_windows_of_january(closed, open_days):
    windows = open_windows(day(1), day(31), [(day(a), day(b)) for a, b in closed])
    assert [(w.first.day, w.last.day) for w in windows] == open_days
    assert all(w.days == w.work_days == w.last.day - w.first.day + 1 for w in windows)


def test_closed_times_outside_the_season_change_nothing():
    outside = [(date(2025, 11, 1), date(2025, 12, 31)), (date(2026, 2, 1), date(2026, 3, 1))]
    assert open_windows(day(1), day(31), outside) == (Window(day(1), day(31), 31, 31),)
    across = [(date(2025, 12, 1), day(4)), (day(30), date(2026, 3, 1))]
    assert open_windows(day(1), day(31), across) == (Window(day(5), day(29), 25, 25),)


def test_holidays_take_work_days_and_leave_the_trap_standing():
    off = federal_holidays(day(1), day(31))  # 1 and 19 January 2026
    closed = [(day(5), day(9))]
    rest = open_windows(day(1), day(31), closed, off, work_on_holidays=False)
    assert rest == (Window(day(1), day(4), 4, 3), Window(day(10), day(31), 22, 21))
    work = open_windows(day(1), day(31), closed, off, work_on_holidays=True)
    assert work == (Window(day(1), day(4), 4, 4), Window(day(10), day(31), 22, 22))


@pytest.mark.parametrize(
    ("first", "last", "closed"), [(day(2), day(1), []), (day(1), day(9), [(day(5), day(4))])], ids=["season", "closed"]
)
def test_times_that_end_before_they_begin_are_refused(first, last, closed):
    with pytest.raises(ValueError, match="ends before it begins"):
        open_windows(first, last, closed)
