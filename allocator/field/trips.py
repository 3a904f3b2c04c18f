"""Driving: the rounds of crews over the roads, and the ways to build and take down, from the base."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from allocator.core.arrays import Floats, Ints
from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.ids import numbered
from allocator.core.study import Shapes, Study
from allocator.field.rounds import Rounds, plan_rounds
from allocator.field.schedule import Phase, Schedule
from allocator.sites.measured import Measured
from allocator.sites.road_graph import RoadGraph, RoadPlaces, locate
from allocator.sites.road_ways import road_distances, road_routes
from allocator.sites.roads import TruckRoads

Purpose = Literal["check", "bait"]
STAGE: dict[Purpose, str] = {"check": "capture", "bait": "pre_bait"}
"""Stage during which sites are visited for each purpose."""


@dataclass(frozen=True)
class Visits:
    """When the sites of a phase are visited, whether or not a road leads there.

    Parameters
    ----------
    purpose : str
        check (armed traps) or bait.
    phase : Phase
        Days and sites.
    every, a_day : int
        Days from one visit of a site to the next, and visits on such a day.
    """

    purpose: Purpose
    phase: Phase
    every: int
    a_day: int

    def times(self, turn: int = 1) -> int:
        """How often a site is visited in the phase.

        Parameters
        ----------
        turn : int
            Day of the interval on which it is visited, from 1; intervals are counted from the first day of the season.

        Returns
        -------
        int
            May be 0 in a phase that is shorter than the interval.
        """
        shift = turn - 1
        return ((self.phase.last - shift) // self.every - (self.phase.first - 1 - shift) // self.every) * self.a_day


@dataclass(frozen=True)
class Round:
    """One round of a crew, from the base and back.

    Parameters
    ----------
    visits : Visits
        What for, on which days and how often it is driven.
    crew : int
        Crew, from 1.
    turn : int
        Day of the interval on which it is driven, from 1.
    stops : tuple of int
        Positions of the sites in the order of the visits.
    legs_m : tuple of float
        Metres along roads from the base to the first stop, from stop to stop, and back.
    stop_hours : tuple of float
        Hours at each stop, the way on foot included.
    hours : float
        Driving and stops.
    path : shapely.LineString
        The way along roads; empty where it has no length.
    """

    visits: Visits
    crew: int
    turn: int
    stops: tuple[int, ...]
    legs_m: tuple[float, ...]
    stop_hours: tuple[float, ...]
    hours: float
    path: shapely.LineString

    @property
    def distance_m(self) -> float:
        """Metres along roads, once round."""
        return math.fsum(self.legs_m)

    @property
    def times(self) -> int:
        """How often it is driven in its phase."""
        return self.visits.times(self.turn)


@dataclass(frozen=True)
class Trips:
    """All driving of a plan.

    Parameters
    ----------
    visits : tuple of Visits
        Visits to sites, check and bait, in order of days.
    rounds : tuple of Round
        The rounds on which they are made; empty without a base on the road network.
    base_m : array of float64, shape (sites,)
        Metres along roads from the base to each site; infinite where no road leads, NaN where no base is known.
    on_foot_hours : array of float64, shape (sites,)
        Hours from the truck to each trap and back.
    crews : int or None
        Crews on the busiest day, building and taking down counted; None where no base is known.
    fewest_rounds : int or None
        Proven: the busiest day's rounds cannot be fewer. None where no base is known.
    notes : tuple of str
        What the user should know, such as a base off the road network.
    """

    visits: tuple[Visits, ...]
    rounds: tuple[Round, ...]
    base_m: Floats
    on_foot_hours: Floats
    crews: int | None
    fewest_rounds: int | None
    notes: tuple[str, ...]

    @property
    def is_known(self) -> bool:
        """Whether driving is known at all."""
        return self.crews is not None

    def visits_to_sites(self, purpose: Purpose) -> Ints:
        """Visits to each site, whether or not a road leads there.

        Parameters
        ----------
        purpose : str
            check or bait.

        Returns
        -------
        array of int64, shape (sites,)
            On the turn of its round; on the first turn where it is on none.
        """
        of = [one for one in self.rounds if one.visits.purpose == purpose]
        turns = {(one.visits.phase.first, site): one.turn for one in of for site in one.stops}
        count = np.zeros(len(self.base_m), np.int64)
        for one in self.visits:
            for site in one.phase.sites if one.purpose == purpose else ():
                count[site] += one.times(turns.get((one.phase.first, site), 1))
        return count


def plan_trips(study: Study, roads: TruckRoads, places: Measured, schedule: Schedule) -> Trips:
    """Rounds and ways to build, from the base.

    Parameters
    ----------
    study : Study
        Settings of crews.
    roads : TruckRoads
        The road graph.
    places : Measured
        The sites, in order of rank.
    schedule : Schedule
        Their days.

    Returns
    -------
    Trips
        Without rounds where no base is given, or where it is not on the road network: ``notes`` say so.
    """
    crews, visits = study.settings.crews, _visits(study, schedule)
    on_foot_hours, unknown = _on_foot_hours(study, places), np.full(len(places), np.nan)
    if crews.base is None or not len(places) or roads.graph is None:
        return Trips(visits, (), unknown, on_foot_hours, None, None, ())
    graph = roads.graph
    if study.settings.sites.dry_weather_roads == "no":
        graph = graph.take(graph.edge_truck == "yes")
    longitude, latitude = crews.base
    x_m, y_m = transform_points(np.array([longitude]), np.array([latitude]), GEOGRAPHIC, study.grid.crs_wkt)
    base = locate(graph, np.asarray(shapely.points(x_m, y_m)))
    if not base.distance_m[0] <= crews.base_road_distance_m:
        return Trips(visits, (), unknown, on_foot_hours, None, None, (_off_road(study, float(base.distance_m[0])),))
    stops = locate(graph, _parking(places))
    all_places = RoadPlaces(*(np.r_[getattr(base, one), getattr(stops, one)] for one in vars(base)))
    driven = _Driven(study, graph, all_places, road_distances(graph, all_places), on_foot_hours)
    rounds, notes, fewest = _all_rounds(study, driven, visits, schedule)
    base_m = driven.distance_m[0, 1:]
    needed = _crews_needed(study, schedule, rounds, base_m)
    notes += _too_few_crews(study, needed)
    return Trips(visits, rounds, base_m, on_foot_hours, needed, fewest, notes)


@dataclass(frozen=True)
class _Driven:
    """What rounds are planned from: row and column 0 are the base, then the sites."""

    study: Study
    graph: RoadGraph
    places: RoadPlaces
    distance_m: Floats
    on_foot_hours: Floats

    def stop_hours(self, purpose: Purpose) -> Floats:
        """Hours at each site."""
        crews = self.study.settings.crews
        minutes = crews.check_minutes if purpose == "check" else crews.bait_minutes
        return self.on_foot_hours + minutes / 60

    def rounds(self, visits: Visits, found: Rounds) -> tuple[Round, ...]:
        """The rounds of a phase with their ways, shared out over crews and the days of the interval."""
        stops = np.array(visits.phase.sites)
        at_once = math.ceil(len(found.routes) / visits.every)
        hours = self.stop_hours(visits.purpose)
        made = []
        for number, route in enumerate(found.routes):
            sites = stops[np.array(route) - 1]
            nodes = np.r_[0, sites + 1, 0]
            legs = self.distance_m[nodes[:-1], nodes[1:]]
            made.append(
                Round(
                    visits=visits,
                    crew=number % at_once + 1,
                    turn=number // at_once + 1,
                    stops=tuple(sites.tolist()),
                    legs_m=tuple(legs.tolist()),
                    stop_hours=tuple(hours[sites].tolist()),
                    hours=found.lengths[number],
                    path=_joined(road_routes(self.graph, self.places, nodes)),
                )
            )
        return tuple(made)


def _interval(study: Study, purpose: Purpose) -> int:
    """Open days from one visit of a site to the next."""
    crews = study.settings.crews
    return crews.days_between_checks if purpose == "check" else crews.bait_every_days


def _visits(study: Study, schedule: Schedule) -> tuple[Visits, ...]:
    """Visits by purpose and phase."""
    found: list[Visits] = []
    for purpose, stage in STAGE.items():
        a_day = study.settings.crews.checks_per_day if purpose == "check" else 1
        found += [Visits(purpose, phase, _interval(study, purpose), a_day) for phase in schedule.phases(stage)]
    return tuple(sorted(found, key=lambda one: (one.phase.first, one.purpose)))


def _parking(places: Measured) -> Shapes:
    """Where the truck stops for each site: the start of the way on foot, or the nearest place on a road."""
    path = places.access.path
    foot = np.asarray(shapely.points(places.road.x_m, places.road.y_m))
    return np.where(shapely.is_missing(path), foot, shapely.get_point(path, 0))


def _on_foot_hours(study: Study, places: Measured) -> Floats:
    """Hours from the truck to each trap and back."""
    known = np.isfinite(places.access.length_m)
    way_m = np.where(known, places.access.length_m, places.road.distance_m)
    return np.asarray(2 * way_m / study.settings.crews.walk_m_per_hour)


def _all_rounds(
    study: Study, driven: _Driven, visits: Sequence[Visits], schedule: Schedule
) -> tuple[tuple[Round, ...], tuple[str, ...], int]:
    """Rounds of every phase; notes on sites that no round takes in; and the most rounds proven needed at once."""
    crews = study.settings.crews
    hours = driven.distance_m / crews.road_m_per_hour
    distinct = {(one.purpose, one.phase.sites) for one in visits}
    solved: dict[tuple[Purpose, tuple[int, ...]], Rounds] = {}
    rounds: list[Round] = []
    for one in visits:
        key = (one.purpose, one.phase.sites)
        if key not in solved:
            at = np.r_[0, np.array(one.phase.sites) + 1]
            stop = driven.stop_hours(one.purpose)[at[1:] - 1]
            seconds = crews.seconds / len(distinct)
            solved[key] = plan_rounds(hours[np.ix_(at, at)], stop, shift=crews.shift_hours, seconds=seconds)
        rounds += driven.rounds(one, solved[key])
    unreached = {sites[stop - 1] for (_, sites), found in solved.items() for stop in found.unreached}
    too_long = {sites[stop - 1] for (_, sites), found in solved.items() for stop in found.too_long}
    notes, number = [], len(driven.places) - 1
    if unreached:
        notes.append(
            f"crews: no truck road of the roads file leads from the base to {_sites(unreached, number)}; no round goes "
            "there. Add the missing road, close a gap with sites.road_snap_m, or choose another base."
        )
    if too_long:
        notes.append(
            f"crews: {_sites(too_long, number)} alone would take longer than a shift of {crews.shift_hours:g} hours; "
            "no round goes there. Choose a nearer base or a longer shift (crews.shift_hours)."
        )
    return tuple(rounds), tuple(notes), max((found.fewest for found in solved.values()), default=0)


def _sites(positions: set[int], number: int) -> str:
    named = numbered("T", number)[sorted(positions)].tolist()
    shown = ", ".join(named[:5]) + (f" and {len(named) - 5} more" if len(named) > 5 else "")
    return f"{'site' if len(named) == 1 else 'sites'} {shown}"


def _joined(ways: Sequence[shapely.LineString]) -> shapely.LineString:
    """Ways one after the other as one line."""
    parts = [shapely.get_coordinates(way) for way in ways if not way.is_empty]
    if not parts:
        return shapely.LineString()
    points = np.concatenate(parts)
    moved = np.r_[True, (points[1:] != points[:-1]).any(axis=1)]
    return shapely.LineString(points[moved])


def _crews_needed(study: Study, schedule: Schedule, rounds: Sequence[Round], base_m: Floats) -> int:
    """Crews on the busiest open day: those on rounds, and those that build and take down."""
    crews, days = study.settings.crews, max(schedule.rotation.end, default=-1) + 1
    on_rounds = {purpose: np.zeros(days, np.int64) for purpose in STAGE}
    for one in rounds:
        phase = one.visits.phase
        busy = on_rounds[one.visits.purpose][phase.first : phase.last + 1]
        np.maximum(busy, one.crew * one.visits.a_day, out=busy)
    hauling = np.zeros(days)
    drive = np.where(np.isfinite(base_m), 2 * base_m / crews.road_m_per_hour, 0.0)
    for site in schedule.served.tolist():
        for stage, work in (("build", crews.build_hours), ("reset", crews.reset_hours)):
            if stage in (spans := schedule.stage_days(site)):
                first, last = spans[stage]
                hauling[first : last + 1] += work / crews.size / (last - first + 1) + drive[site]
    needed: Ints = sum(on_rounds.values(), np.zeros(days, np.int64))
    needed = needed + np.ceil(hauling / crews.shift_hours - 1e-9).astype(np.int64)
    return int(needed.max(initial=0))


def _too_few_crews(study: Study, needed: int) -> tuple[str, ...]:
    at_hand = study.settings.crews.available
    if at_hand is None or needed <= at_hand:
        return ()
    return (
        f"crews: the busiest day needs {needed} crews and crews.available gives {at_hand}. Use fewer trap sets at once "
        "(equipment.sets), a longer shift, or more crews.",
    )


def _off_road(study: Study, distance_m: float) -> str:
    crews = study.settings.crews
    where = f"lies {distance_m:,.0f} m from the nearest" if math.isfinite(distance_m) else "is not near any"
    return (
        f"crews: the base at {crews.base_latitude:g}, {crews.base_longitude:g} {where} truck road of the roads file; "
        f"expected within {crews.base_road_distance_m:g} m. No rounds and no driving were planned. Correct "
        "crews.base_latitude and crews.base_longitude, or give roads that reach the base."
    )
