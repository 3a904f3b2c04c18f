"""The season of a plan: which trap set stands at which site on which days."""

import math
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from allocator.core.arrays import Ints
from allocator.core.settings import CalendarSettings, Settings
from allocator.field.open_days import (
    SATURDAY,
    Stages,
    business_day_after,
    federal_holidays,
    open_windows,
    stage_dates,
)  # fmt: skip
from allocator.field.rotation import NO_SET, TOO_LATE, Rotation, plan_rotation

HAIR = 1e-9
"""Keeps a quotient that is whole but for float rounding from being rounded down."""


@dataclass(frozen=True)
class Phase:
    """A run of open days on which the same sites are in the same stage.

    Parameters
    ----------
    first, last : int
        First and last open day, both included.
    sites : tuple of int
        Positions of the sites, in order of rank.
    """

    first: int
    last: int
    sites: tuple[int, ...]


@dataclass(frozen=True)
class Schedule:
    """Every site with its trap set and its days.

    Parameters
    ----------
    stages : Stages
        Days of each stage at a site.
    days : tuple of date, or None
        Calendar day of every open day, in order: open, and no holiday where crews are off on holidays. None: no
        dates are planned, and open days are counted from 0.
    holidays : frozenset of date
        Federal holidays around the season; days on which a lead of business days does not go on.
    lead_days : int
        Business days from the call to the day on which the utilities are marked.
    rotation : Rotation
        Set, first and last open day of each site, in order of rank; with sets used, the bound, and sites not served.
    notes : tuple of str
        What the user should know, such as a season without an open day.
    """

    stages: Stages
    days: tuple[date, ...] | None
    holidays: frozenset[date]
    lead_days: int
    rotation: Rotation
    notes: tuple[str, ...]

    @property
    def start(self) -> Ints:
        """First open day at each site; -1 where it is not served."""
        return np.array(self.rotation.start, dtype=np.int64)

    @property
    def served(self) -> Ints:
        """Positions of the sites that get a set, in order of rank."""
        return np.flatnonzero(self.start >= 0)

    def stage_days(self, site: int) -> dict[str, tuple[int, int]]:
        """First and last open day of each stage at a site.

        Parameters
        ----------
        site : int
            Position of a site.

        Returns
        -------
        dict of str to (int, int)
            By stage, in order; empty where the site is not served.
        """
        start = self.rotation.start[site]
        return stage_dates(start, self.stages) if start >= 0 else {}

    def phases(self, stage: str) -> tuple[Phase, ...]:
        """Runs of days on which the same sites are in a stage.

        Parameters
        ----------
        stage : str
            Such as ``capture``.

        Returns
        -------
        tuple of Phase
            In order of days; days without such a site are in none.
        """
        spans = {int(site): days[stage] for site in self.served if stage in (days := self.stage_days(int(site)))}
        cuts = sorted({first for first, _ in spans.values()} | {last + 1 for _, last in spans.values()})
        phases = []
        for first, after in pairwise(cuts):
            sites = tuple(site for site, (begin, end) in spans.items() if begin <= first <= end)
            if sites:
                phases.append(Phase(first, after - 1, sites))
        return tuple(phases)

    def call_by(self, site: int) -> date | None:
        """Latest day to call 811 for a site, so that its posts may be driven on its first day.

        Parameters
        ----------
        site : int
            Position of a site.

        Returns
        -------
        date or None
            The lead is over before the first day at the site. None where there are no dates.
        """
        start = self.rotation.start[site]
        if self.days is None or start < 0:
            return None
        call = self.days[start] - timedelta(days=1)
        while (
            call.weekday() >= SATURDAY or call in self.holidays
            or business_day_after(call, self.lead_days, self.holidays) >= self.days[start]
        ):  # fmt: skip
            call -= timedelta(days=1)
        return call


def plan_schedule(settings: Settings, sites: int) -> Schedule:
    """The season of so many sites.

    Parameters
    ----------
    settings : Settings
        Calendar, trap sets at hand, crews.
    sites : int
        Number of sites, in order of rank.

    Returns
    -------
    Schedule
        With the fewest trap sets that serve all sites, or the most sites for those at hand. Where no season is given,
        or no site fits into it, without dates: every site then has a set of its own as far as sets go, and ``notes``
        say so.
    """
    calendar = settings.calendar
    stages = Stages(
        build=calendar.build_days, pre_bait=calendar.pre_bait_days, capture=calendar.capture_days,
        reset=calendar.reset_days, move_test=calendar.move_test_day,
    )  # fmt: skip
    lead, cycle = calendar.locate_business_days, stages.cycle_days
    if calendar.first_day is None or calendar.last_day is None:
        rotation = _undated(settings, sites, cycle)
        return Schedule(stages, None, frozenset(), lead, rotation, _left_over(calendar, rotation))
    first, last = calendar.first_day, calendar.last_day
    before = timedelta(days=30 + 2 * lead)  # calls for the first sites come so long before the season, at most
    holidays = federal_holidays(min(first, calendar.first_call or first) - before, last)
    runs = _runs_of_open_days(calendar, first, last, holidays)
    longest = max(map(len, runs), default=0)
    if longest < cycle:
        rotation = _undated(settings, sites, cycle)
        notes = (_no_room(calendar, longest, cycle), *_left_over(calendar, rotation))
        return Schedule(stages, None, holidays, lead, rotation, notes)
    days = tuple(day for run in runs for day in run)
    ends = np.cumsum([len(run) for run in runs])
    windows = [(int(end) - len(run), int(end) - 1) for run, end in zip(runs, ends, strict=True)]
    ready = _ready(settings, sites, days, holidays)
    rotation = plan_rotation(ready, [cycle] * sites, windows, settings.equipment.sets)
    return Schedule(stages, days, holidays, lead, rotation, _left_over(calendar, rotation))


def _undated(settings: Settings, sites: int, cycle: int) -> Rotation:
    """All sites at once, as far as sets go."""
    at_hand = settings.equipment.sets
    sets = sites if at_hand is None else min(sites, at_hand)
    left = tuple((site, NO_SET) for site in range(sets, sites))
    gone = (-1,) * len(left)
    return Rotation(
        set_of=(*range(sets), *gone), start=(*(0,) * sets, *gone), end=(*(cycle - 1,) * sets, *gone), sets=sets,
        bound=sets, most=sets, status="optimal", unserved=left,
    )  # fmt: skip


def _runs_of_open_days(
    calendar: CalendarSettings, first: date, last: date, holidays: frozenset[date]
) -> tuple[tuple[date, ...], ...]:
    """Days on which stages go on, one tuple for each run of open days."""
    off = holidays if calendar.holidays == "off" else frozenset()
    runs = []
    for window in open_windows(first, last, calendar.closed):
        every = (window.first + timedelta(days=number) for number in range(window.days))
        runs.append(tuple(day for day in every if day not in off))
    return tuple(run for run in runs if run)


def _ready(settings: Settings, sites: int, days: tuple[date, ...], holidays: frozenset[date]) -> list[int]:
    """First open day of each site: after the utility locate, and as crews get round to building, by rank."""
    calendar, crews = settings.calendar, settings.crews
    first = 0
    if calendar.first_call is not None:
        called = business_day_after(calendar.first_call - timedelta(days=1), 1, holidays)
        marked = business_day_after(called, calendar.locate_business_days, holidays)
        first = sum(day <= marked for day in days)
    if crews.available is None:
        return [first] * sites
    each = crews.build_hours + crews.reset_hours
    hours = crews.available * crews.size * crews.shift_hours
    a_day = max(1, math.floor(hours / each + HAIR)) if each else max(1, sites)
    return [first + site // a_day for site in range(sites)]


def _left_over(calendar: CalendarSettings, rotation: Rotation) -> tuple[str, ...]:
    """Which sites get no trap set, and why."""
    left = [reason for _, reason in rotation.unserved]
    if not left:
        return ()
    has_season = calendar.first_day is not None
    season = f" in the season from {calendar.first_day} to {calendar.last_day}" if has_season else ""
    ways = ["more sets (equipment.sets)"] * (NO_SET in left)
    ways += ["an earlier call (calendar.first_call)", "more crews (crews.available)"] * (TOO_LATE in left)
    ways += ["a longer season", "shorter stages"] if has_season else ["a season (calendar.first_day, last_day)"]
    return (
        f"{len(left)} of {len(rotation.start)} sites {'gets' if len(left) == 1 else 'get'} no trap set{season} "
        f"({', '.join(sorted(set(left)))}): give {', '.join(ways[:-1])} or {ways[-1]}.",
    )


def _no_room(calendar: CalendarSettings, longest: int, cycle: int) -> str:
    """Why no site fits into the season, with the numbers."""
    season = f"the season from {calendar.first_day} to {calendar.last_day}"
    run = "1 open day" if longest == 1 else f"{longest} open days in a row"
    found = f"has at most {run}" if longest else "has no open day"
    return (
        f"calendar: {season} {found} (closed times{' and holidays' if calendar.holidays == 'off' else ''} left out); a "
        f"site needs {cycle}. No dates are planned; kit and money count one trap set for each site. Change first_day, "
        "last_day or closed, or shorten the stages."
    )
