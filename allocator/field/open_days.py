"""Days of a season: leads in business days, holidays, open runs of days, and the stages of work at a site."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

SATURDAY = 5
"""Saturday and Sunday as ``date.weekday`` counts them: 5 and 6."""


@dataclass(frozen=True)
class Window:
    """A run of days on which trapping is open.

    Parameters
    ----------
    first, last : date
        First and last day, both included.
    days : int
        Days from first to last, both counted: days on which a trap set may stand.
    work_days : int
        Days of these on which crews work: all of them, less the holidays where crews are off on holidays.
    """

    first: date
    last: date
    days: int
    work_days: int


@dataclass(frozen=True)
class Stages:
    """What happens at one site, in this order, in whole days.

    Parameters
    ----------
    build, pre_bait, capture, reset : int
        Days of each stage, 0 or more, together at least 1. Reset takes the trap down and brings it to the next site.
    move_test : int
        Day of pre-bait, counted from 1, by which a site without visits is given up; 0 for none. For the words of the
        plan only: the season is planned as if no site were given up.

    Raises
    ------
    ValueError
        A number of days is negative or not whole, all are 0, or the test comes after the pre-bait.
    """

    build: int
    pre_bait: int
    capture: int
    reset: int
    move_test: int = 0

    def __post_init__(self) -> None:
        for name, days in vars(self).items():
            if days != int(days) or days < 0:
                raise ValueError(f"{name} is {days} days; it must be a whole number, 0 or more.")
        if self.cycle_days < 1:
            raise ValueError("All stages have 0 days; together they must have at least 1.")
        if self.move_test > self.pre_bait:
            raise ValueError(f"move_test is day {self.move_test}, but pre_bait has only {self.pre_bait} days.")

    @property
    def cycle_days(self) -> int:
        """Days that a set stays at a site."""
        return self.build + self.pre_bait + self.capture + self.reset


def business_day_after(day: date, days: int, holidays: frozenset[date]) -> date:
    """The day on which a lead of so many business days is over.

    Parameters
    ----------
    day : date
        Day of the call. It is not counted, even if it is a business day.
    days : int
        Business days of the lead, 0 or more.
    holidays : frozenset of date
        Days that do not count, besides Saturdays and Sundays. Empty: none.

    Returns
    -------
    date
        The last business day of the lead; the day of the call itself where the lead is 0. Whether posts may be driven
        on that day or only on the next is for the local rule to say.

    Raises
    ------
    ValueError
        The lead is negative.

    Examples
    --------
    A call on a Thursday with a lead of three business days:

    >>> business_day_after(date(2026, 3, 5), 3, frozenset()).isoformat()
    '2026-03-10'
    """
    if days < 0:
        raise ValueError(f"The lead is {days} business days; it must be 0 or more.")
    left = days
    while left:
        day += timedelta(days=1)
        left -= day.weekday() < SATURDAY and day not in holidays
    return day


def federal_holidays(first: date, last: date) -> frozenset[date]:
    """US federal holidays, as days off for an office that works Monday to Friday.

    Parameters
    ----------
    first, last : date
        First and last day asked for, both included.

    Returns
    -------
    frozenset of date
        Days on which the holidays are observed: the Friday before one on a Saturday, the Monday after one on a Sunday.
        Never a Saturday or Sunday. Days granted once by executive order, and Inauguration Day, are not among them, nor
        are holidays of a state or county. Empty where ``last`` comes before ``first``.

    Notes
    -----
    5 U.S.C. 6103 and Executive Order 11582, as the ``holidays`` library holds them.

    Examples
    --------
    Independence Day of 2026 is a Saturday:

    >>> [day.isoformat() for day in sorted(federal_holidays(date(2026, 7, 1), date(2026, 9, 7)))]
    ['2026-07-03', '2026-09-07']
    """
    from holidays import country_holidays  # slow to import

    named = country_holidays("US", years=range(first.year, last.year + 1), observed=True)
    return frozenset(day for day in named if first <= day <= last and day.weekday() < SATURDAY)


def open_windows(
    first: date,
    last: date,
    closed: Sequence[tuple[date, date]],
    holidays: frozenset[date] = frozenset(),
    work_on_holidays: bool = True,
) -> tuple[Window, ...]:
    """The longest runs of days inside a season and outside its closed times, in order.

    Parameters
    ----------
    first, last : date
        First and last day of the season, both included.
    closed : sequence of (date, date)
        First and last day of each closed time, both included; in any order, may overlap or lie outside the season.
    holidays : frozenset of date
        Holidays. Empty: none.
    work_on_holidays : bool
        Whether crews work on them.

    Returns
    -------
    tuple of Window
        At least one day of closed time lies between two of them. Empty where no day is open.

    Raises
    ------
    ValueError
        The season, or a closed time, ends before it begins.

    Notes
    -----
    A trap set stands every day of a window, through weekends and holidays: neither splits a window, and both count in
    its ``days``. A Saturday or Sunday is a day of work, because an armed trap is looked at every day. A holiday is a
    day of work only if ``work_on_holidays``; otherwise it is left out of ``work_days``, and the plan for that day must
    be a trap that is not armed, or somebody on call: the check interval of the local rule knows no holidays. Business
    days matter for leads only, see ``business_day_after``.

    Examples
    --------
    >>> runs = open_windows(date(2026, 1, 1), date(2026, 1, 31), [(date(2026, 1, 10), date(2026, 1, 19))])
    >>> [(run.first.day, run.last.day, run.days) for run in runs]
    [(1, 9, 9), (20, 31, 12)]
    """
    for begin, end in ((first, last), *closed):
        if end < begin:
            raise ValueError(f"{begin.isoformat()} to {end.isoformat()} ends before it begins.")
    runs, begin = [], first
    for shut, shut_end in sorted(closed):
        runs.append((begin, min(shut - timedelta(days=1), last)))
        begin = max(begin, shut_end + timedelta(days=1))
    runs.append((begin, last))
    off = frozenset() if work_on_holidays else holidays
    windows = []
    for start, end in runs:
        if start <= end:
            days = (end - start).days + 1
            windows.append(Window(start, end, days, days - sum(start <= day <= end for day in off)))
    return tuple(windows)


def stage_dates(start: int, stages: Stages) -> dict[str, tuple[int, int]]:
    """First and last day of each stage at a site.

    Parameters
    ----------
    start : int
        First day at the site, a day index.
    stages : Stages
        Days of each stage.

    Returns
    -------
    dict of str to (int, int)
        By name of the stage, in order; both days included. A stage of 0 days is left out.

    Examples
    --------
    >>> stage_dates(10, Stages(build=1, pre_bait=14, capture=5, reset=0))
    {'build': (10, 10), 'pre_bait': (11, 24), 'capture': (25, 29)}
    """
    dates = {}
    for name in ("build", "pre_bait", "capture", "reset"):
        days = int(getattr(stages, name))
        if days:
            dates[name] = (start, start + days - 1)
        start += days
    return dates
