"""Person-hours of a plan by task, and the miles that are driven."""

import math
from dataclasses import dataclass

import numpy as np

from allocator.core.settings import CrewSettings
from allocator.core.study import Study
from allocator.core.units import METRES_PER_MILE
from allocator.field.schedule import Schedule
from allocator.field.trips import STAGE, Purpose, Trips

VISIT_WORDS: dict[Purpose, str] = {"bait": "Bait and look at cameras", "check": "Check armed traps"}


@dataclass(frozen=True)
class Task:
    """One task of the season.

    Parameters
    ----------
    words : str
        What is done.
    count : float or None
        How many; None where not known.
    unit : str
        What is counted: sites, visits, miles.
    hours : float or None
        Person-hours of all of them; None where not known.
    basis : str
        How the hours come about.
    """

    words: str
    count: float | None
    unit: str
    hours: float | None
    basis: str


def labour(study: Study, schedule: Schedule, trips: Trips) -> tuple[Task, ...]:
    """Person-hours by task, in the order of a season.

    Parameters
    ----------
    study : Study
        Settings of crews.
    schedule : Schedule
        Sites that get a trap set, and their stages.
    trips : Trips
        Visits and driving.

    Returns
    -------
    tuple of Task
        Driving comes last; its miles and hours are None without a base on the road network.
    """
    crews, sites = study.settings.crews, len(schedule.served)
    each = (("Locate utilities (811)", "locate_hours"), ("Build", "build_hours"), ("Take down and move", "reset_hours"))
    by_site = [
        Task(words, sites, "sites", sites * getattr(crews, key), f"{getattr(crews, key):g} person-hours a site")
        for words, key in each
    ]
    return (*by_site[:2], *_visits(crews, trips), by_site[2], _driving(crews, schedule, trips))


def driven_miles(schedule: Schedule, trips: Trips) -> float | None:
    """Miles of the season: all rounds as often as they are driven, and the ways to build and take down.

    Parameters
    ----------
    schedule : Schedule
        Sites that get a trap set, and their stages.
    trips : Trips
        Rounds, and how far each site is.

    Returns
    -------
    float or None
        A way out and back on each day of building and taking down. None without a base on the road network.
    """
    if not trips.is_known:
        return None
    base_m = trips.base_m[schedule.served]
    days = schedule.stages.build + schedule.stages.reset
    hauls_m = 2 * days * float(base_m[np.isfinite(base_m)].sum())
    rounds_m = math.fsum(one.distance_m * one.times for one in trips.rounds)
    return (hauls_m + rounds_m) / METRES_PER_MILE


def _visits(crews: CrewSettings, trips: Trips) -> list[Task]:
    """Visits at the sites: time there and on foot, for the whole crew."""
    tasks = []
    for purpose, words in VISIT_WORDS.items():
        minutes = crews.check_minutes if purpose == "check" else crews.bait_minutes
        times = trips.visits_to_sites(purpose)
        count, on_foot = int(times.sum()), float(times @ trips.on_foot_hours)
        basis = f"{minutes:g} minutes a visit and the way on foot, {crews.size} people; days of {STAGE[purpose]}"
        hours = crews.size * (count * minutes / 60 + on_foot)
        tasks.append(Task(words, count, "visits", hours, basis.replace("_", "-")))
    return tasks


def _driving(crews: CrewSettings, schedule: Schedule, trips: Trips) -> Task:
    miles = driven_miles(schedule, trips)
    basis = f"{crews.road_mph:g} miles an hour, {crews.size} people; rounds, and a way out and back on each day of work"
    if miles is None:
        return Task("Drive", None, "miles", None, "not known: no base on the road network")
    return Task("Drive", miles, "miles", crews.size * miles / crews.road_mph, basis)
