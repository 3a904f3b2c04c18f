"""Check rounds: every trap on one round from the base, the fewest rounds first, then the least travel.

Up to ``EXACT_STOPS`` stops exactly, by dynamic programming over sets of stops (Held and Karp 1962, Journal of SIAM
10:196-210). Beyond that by savings (Clarke and Wright 1964, Operations Research 12:568-581), made better by PyVRP. A
lower bound on the number of rounds goes with either.
"""

import math
import time
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from allocator.core.arrays import Bools, Floats, Ints

Routes = list[list[int]]

EXACT_STOPS = 8
"""Up to so many stops are solved exactly."""
TRIES_PER_STOP, STEPS_PER_STOP, IDLE_PER_STOP = 30, 60, 20
"""Steps of the search for each stop: with one round fewer; for travel; for travel without a gain."""
FEWEST_STEPS = 1_000
"""The search takes at least so many steps."""
FIT = 1e-7
"""A round fits a shift or a truck to within this share of it, so that 0.1 + 0.2 fits in 0.3."""
LARGEST_SUM, LARGEST_PENALTY = 2**40, 1_000.0
"""Numbers are scaled by a power of two to whole ones with no sum above this; times the penalty for a unit over a limit,
and a way that is closed at every stop, it stays within 64 bits."""


@dataclass(frozen=True)
class Rounds:
    """Rounds from the base and back, and the stops that no round can take in.

    Parameters
    ----------
    routes : tuple of tuple of int
        Stop numbers, from 1, of each round, in the order of the visits; rounds by their lowest stop.
    total : float
        Travel of all rounds, without the time at stops.
    longest : float
        Travel and stops of the longest round; 0 without rounds.
    travel : tuple of float
        Travel of each round.
    lengths : tuple of float
        Travel and stops of each round.
    loads : tuple of float
        Demand of the stops of each round; 0 where no demand was given.
    unreached : tuple of int
        Stops without a road from the base or without one back; in no round.
    too_long : tuple of int
        Stops that do not fit in a shift or a truck on their own; in no round.
    fewest : int
        Proven: the stops in rounds cannot be served by fewer rounds.
    """

    routes: tuple[tuple[int, ...], ...]
    total: float
    longest: float
    travel: tuple[float, ...]
    lengths: tuple[float, ...]
    loads: tuple[float, ...]
    unreached: tuple[int, ...]
    too_long: tuple[int, ...]
    fewest: int


@dataclass(frozen=True)
class Task:
    """The stops that can be served, renumbered from 1, in whole numbers.

    Parameters
    ----------
    travel : array of int64, shape (n + 1, n + 1)
        Row and column 0 are the base; ``closed`` where no road leads.
    closed : int
        More than any round trip over open roads, so that a closed way never pays.
    stop, demand : array of int64, shape (n,)
        Time and load of each stop.
    shift, capacity : int, optional
        Limits of a round. None: no limit.
    """

    travel: Ints
    closed: int
    stop: Ints
    demand: Ints
    shift: int | None
    capacity: int | None


def plan_rounds(
    travel: Any, stop: Any, shift: float | None = None, demand: Any = None, capacity: float | None = None,
    seconds: float = 20.0, seed: int = 0,
) -> Rounds:  # fmt: skip
    """Rounds that visit every stop once: with a shift the fewest, then the least travel; without one the least travel.

    Parameters
    ----------
    travel : array, shape (n + 1, n + 1)
        From row to column: the base (0), then the stops; need not be symmetric. ``inf`` where no road leads; the
        diagonal is not read. Any unit, the same as ``stop`` and ``shift``.
    stop : array, shape (n,)
        Time at each stop, in the unit of ``travel``.
    shift : float, optional
        Longest round, travel and stops. None: no limit.
    demand : array, shape (n,), optional
        Load of each stop; with ``capacity``.
    capacity : float, optional
        Load of one truck. None: no limit.
    seconds : float
        Most time of the search, as a last resort: steps are counted, and the same steps give the same rounds.
    seed : int
        Of the search by chance, 0 or more.

    Returns
    -------
    Rounds
        Empty for no stops. A round fits a shift or a truck to within ``FIT`` of it.

    Raises
    ------
    ValueError
        Where shapes differ, a number is blank or negative, a limit is not above 0, or of demand and capacity only one
        is given.

    Examples
    --------
    >>> travel = [[0, 10, 10, 30], [10, 0, 5, 30], [10, 5, 0, 30], [30, 30, 30, 0]]
    >>> rounds = plan_rounds(travel, stop=[20, 20, 20], shift=90)
    >>> rounds.routes, rounds.lengths, rounds.fewest
    (((1, 2), (3,)), (65.0, 80.0), 2)
    """
    deadline = time.perf_counter() + seconds
    travel, stop, demand = _checked(travel, stop, shift, demand, capacity, seconds, seed)
    reached = np.isfinite(travel[0, 1:]) & np.isfinite(travel[1:, 0])
    alone = travel[0, 1:] + stop + travel[1:, 0]
    fits = (alone <= _limit(shift)) & (demand <= _limit(capacity))
    inside = np.flatnonzero(reached & fits)
    served = np.r_[0, inside + 1]
    task = _in_whole_numbers(travel[np.ix_(served, served)], stop[inside], shift, demand[inside], capacity)
    fewest = _fewest_rounds(task)
    if len(inside) <= EXACT_STOPS:
        routes = _exactly(task)
        fewest = len(routes) if shift is not None else fewest
    else:
        routes = _searched(task, fewest, deadline, seed)
    named = sorted(_forwards([int(served[one]) for one in route], travel) for route in routes)
    ways = [math.fsum(travel[a, b] for a, b in zip((0, *route), (*route, 0), strict=True)) for route in named]
    lengths = [way + math.fsum(stop[one - 1] for one in route) for way, route in zip(ways, named, strict=True)]
    return Rounds(
        routes=tuple(named),
        total=math.fsum(ways),
        longest=max(lengths, default=0.0),
        travel=tuple(ways),
        lengths=tuple(lengths),
        loads=tuple(math.fsum(demand[one - 1] for one in route) for route in named),
        unreached=tuple((np.flatnonzero(~reached) + 1).tolist()),
        too_long=tuple((np.flatnonzero(reached & ~fits) + 1).tolist()),
        fewest=fewest,
    )


def _checked(
    travel: Any, stop: Any, shift: float | None, demand: Any, capacity: float | None, seconds: float, seed: int
) -> tuple[Floats, Floats, Floats]:
    """The arrays as floats, the diagonal of travel 0, demand 0 where none is given."""
    stop = np.array(stop, dtype=float)
    if stop.ndim != 1:
        raise ValueError(f"stop has shape {stop.shape}; expected one time for each stop, (n,)")
    travel, side = np.array(travel, dtype=float), len(stop) + 1
    if travel.shape != (side, side):
        raise ValueError(f"travel has shape {travel.shape}; expected ({side}, {side}), the base and {len(stop)} stops")
    if (demand is None) != (capacity is None):
        given, missing = ("capacity", "demand") if demand is None else ("demand", "capacity")
        raise ValueError(f"{given} is given without {missing}; expected both or neither")
    demand = np.zeros(len(stop)) if demand is None else np.array(demand, dtype=float)
    if demand.shape != stop.shape:
        raise ValueError(f"demand has shape {demand.shape}; expected {stop.shape}, one load for each stop")
    np.fill_diagonal(travel, 0.0)
    for name, numbers in (("travel", travel), ("stop", stop), ("demand", demand)):
        wrong = ~(numbers >= 0) if name == "travel" else ~((numbers >= 0) & np.isfinite(numbers))
        if wrong.any():
            place = tuple(int(one) for one in np.argwhere(wrong)[0])
            raise ValueError(f"{name}[{', '.join(map(str, place))}] is {numbers[place]}; expected 0 or more")
    for name, limit in (("shift", shift), ("capacity", capacity)):
        if limit is not None and not 0 < limit < math.inf:
            raise ValueError(f"{name} is {limit}; expected a number above 0, or None for no limit")
    if not seconds >= 0 or seed < 0:
        raise ValueError(f"seconds is {seconds} and seed is {seed}; expected 0 or more")
    return travel, stop, demand


def _limit(limit: float | None) -> float:
    """The limit with half of what ``FIT`` allows (the rest is for rounding to whole numbers); inf without one."""
    return math.inf if limit is None else limit * (1 + FIT / 2)


def _in_whole_numbers(
    travel: Floats, stop: Floats, shift: float | None, demand: Floats, capacity: float | None
) -> Task:
    """The task in whole numbers: as they are where whole and small enough, else scaled by a power of two."""
    is_open = np.isfinite(travel) & (travel <= _limit(shift))
    roads = np.where(is_open, travel, 0.0)
    scale = _scale(np.r_[roads.ravel(), stop, shift or 0.0], 2 * len(stop) * roads.max() + stop.sum())
    ways = np.rint(roads * scale).astype(np.int64)
    closed = 2 * len(stop) * int(ways.max()) + 1
    # The search weighs an excess of load and of time alike: a truck's load counts at least as much as the longest road.
    load_scale = _scale(np.r_[demand, capacity or 0.0], demand.sum())
    if capacity is not None and load_scale == 1:
        load_scale = 2.0 ** max(0, math.ceil(math.log2(max(1.0, float(ways.max()) / capacity))))
    return Task(
        travel=np.where(is_open, ways, closed),
        closed=closed,
        stop=np.rint(stop * scale).astype(np.int64),
        demand=np.rint(demand * load_scale).astype(np.int64),
        shift=None if shift is None else _whole_limit(shift * scale),
        capacity=None if capacity is None else _whole_limit(capacity * load_scale),
    )


def _whole_limit(limit: float) -> int:
    """The limit with what ``FIT`` allows; beyond any sum it need not grow, and would leave 64 bits."""
    return math.floor(min(limit * (1 + FIT), 2.0 * LARGEST_SUM))


def _scale(numbers: Floats, largest: float) -> float:
    """1 where all numbers are whole and their sum is small enough, else the largest power of two that keeps it so."""
    if largest == 0 or (largest <= LARGEST_SUM and np.array_equal(numbers, np.rint(numbers))):
        return 1.0
    return 2.0 ** math.floor(math.log2(LARGEST_SUM / largest))


def _fewest_rounds(task: Task) -> int:
    """A number of rounds that none can undercut: by load, by pairs that fit in no round together, by time."""
    count = len(task.stop)
    if count == 0:
        return 0
    least, apart = 1, np.zeros((count, count), dtype=bool)
    if task.capacity is not None:
        least = max(least, -(-int(task.demand.sum()) // task.capacity))
        apart |= task.demand[:, None] + task.demand > task.capacity
    if task.shift is None:
        return max(least, _mutually(apart))
    way = _shortest_ways(task.travel)
    pair = way[:1, 1:].T + way[1:, 1:] + way[1:, 0] + task.stop[:, None] + task.stop
    apart |= np.minimum(pair, pair.T) > task.shift
    least = max(least, _mutually(apart))
    # k rounds are a way out of each of the stops and of k copies of the base: no cheaper than the cheapest assignment.
    while least < count:
        twice = np.r_[np.zeros(least, dtype=int), np.arange(1, count + 1)]
        cost = task.travel[np.ix_(twice, twice)].astype(float)
        cost[:least, :least] = task.closed
        np.fill_diagonal(cost, task.closed)
        if cost[linear_sum_assignment(cost)].sum() + task.stop.sum() <= least * task.shift:
            break
        least += 1
    return least


def _shortest_ways(travel: Ints) -> Ints:
    """Shortest ways through other stops: what any round must drive at least, though the matrix has detours."""
    way = travel.copy()
    for middle in range(len(way)):
        np.minimum(way, way[:, middle, None] + way[middle], out=way)
    return way


def _mutually(apart: Bools) -> int:
    """Size of a set of stops no two of which share a round; at least 1."""
    apart = apart & ~np.eye(len(apart), dtype=bool)
    chosen: list[int] = []
    for one in np.argsort(-apart.sum(axis=1), kind="stable"):
        if apart[one, chosen].all():
            chosen.append(int(one))
    return len(chosen)


def _exactly(task: Task) -> Routes:
    """The best rounds, proven: the best order within each set of stops, then the best split into sets."""
    rounds = _best_orders(task)
    fewer_first = task.shift is not None
    # best[stops]: rounds and travel (travel and rounds) of the best split, and the last round of it
    best: list[tuple[tuple[int, int], int]] = [((0, 0), 0)]
    for stops in range(1, 1 << len(task.stop)):
        lowest, choices, part = stops & -stops, [], stops
        while part:
            if part & lowest and part in rounds:
                way, (first, second) = rounds[part][0], best[stops ^ part][0]
                choices.append(((first + 1, second + way) if fewer_first else (first + way, second + 1), part))
            part = (part - 1) & stops
        best.append(min(choices))
    routes, left = [], len(best) - 1
    while left:
        routes.append(rounds[best[left][1]][1])
        left ^= best[left][1]
    return routes


def _best_orders(task: Task) -> dict[int, tuple[int, list[int]]]:
    """Travel and order of the shortest round through each set of stops (bits) that is one round."""
    travel, found = task.travel.tolist(), {}
    # paths[stops, last]: least travel from the base through the stops to the last, and the order
    paths = {(1 << one - 1, one): (travel[0][one], [one]) for one in range(1, len(travel))}
    for stops in range(1, 1 << len(task.stop)):
        members = [one for one in range(1, len(travel)) if stops >> one - 1 & 1]
        for last in members if len(members) > 1 else ():
            before = [paths[stops ^ 1 << last - 1, one] for one in members if one != last]
            way, order = min((way + travel[order[-1]][last], order) for way, order in before)
            paths[stops, last] = way, [*order, last]
        way, order = min((way + travel[one][0], order) for one in members for way, order in [paths[stops, one]])
        if way < task.closed and _is_one_round(task, way, order):
            found[stops] = way, order
    return found


def _is_one_round(task: Task, way: int, stops: list[int]) -> bool:
    """Whether the stops, with so much travel, fit in a shift and a truck."""
    places = np.array(stops) - 1
    is_short = task.shift is None or way + int(task.stop[places].sum()) <= task.shift
    return is_short and (task.capacity is None or int(task.demand[places].sum()) <= task.capacity)


def _searched(task: Task, fewest: int, deadline: float, seed: int) -> Routes:
    """Rounds by savings, then with one fewer as long as the search finds them, then with less travel."""
    count, routes = len(task.stop), _by_savings(task)
    most, half_time = count if task.shift is None else len(routes), (time.perf_counter() + deadline) / 2
    while task.shift is not None and len(routes) > fewest:
        fewer = _improved(task, len(routes) - 1, None, count * TRIES_PER_STOP, half_time, seed)
        if fewer is None:
            break
        routes, most = fewer, len(fewer)
    return _improved(task, most, routes, count * STEPS_PER_STOP, deadline, seed) or routes


def _by_savings(task: Task) -> Routes:
    """Rounds joined end to start in the order of what a join saves; with a shift also where it saves nothing."""
    travel = task.travel
    saved = travel[1:, :1] + travel[:1, 1:] - travel[1:, 1:]
    pays = (travel[1:, 1:] < task.closed) & ((saved > 0) | (task.shift is not None))
    np.fill_diagonal(pays, False)
    ends, starts = np.nonzero(pays)
    order = np.argsort(-saved[ends, starts], kind="stable")
    route_of = {one: [one] for one in range(1, len(travel))}
    way_of = {one: int(travel[0, one] + travel[one, 0]) for one in route_of}
    for end, start in zip((ends[order] + 1).tolist(), (starts[order] + 1).tolist(), strict=True):
        first, second = route_of[end], route_of[start]
        if first is second or first[-1] != end or second[0] != start:
            continue
        way = way_of[first[0]] + way_of[start] - int(saved[end - 1, start - 1])
        if _is_one_round(task, way, first + second):
            way_of[first[0]] = way
            first.extend(second)
            route_of.update(dict.fromkeys(second, first))
    return [route for one, route in route_of.items() if route[0] == one]


def _improved(task: Task, most: int, routes: Routes | None, steps: int, deadline: float, seed: int) -> Routes | None:
    """At most so many rounds: with less travel than those given, or without any the first found; None for none."""
    import pyvrp
    from pyvrp import stop as rules

    shift = np.iinfo(np.int64).max if task.shift is None else task.shift
    capacity = [] if task.capacity is None else [task.capacity]
    loads = [[]] * len(task.stop) if task.capacity is None else task.demand[:, None].tolist()
    ways: Any = task.travel
    times: Any = np.where(ways < task.closed, ways, task.closed if task.shift is None else task.shift + 1)
    clients = [
        pyvrp.Client(place, load, service_duration=wait)
        for place, (load, wait) in enumerate(zip(loads, task.stop.tolist(), strict=True), start=1)
    ]
    trucks = pyvrp.VehicleType(most, capacity, shift_duration=shift)
    places = [pyvrp.Location(0, 0)] * len(task.travel)
    data = pyvrp.ProblemData(places, clients, [pyvrp.Depot(0)], [trucks], [ways], [times])
    stops: list[Any] = [
        rules.MaxIterations(max(FEWEST_STEPS, steps)),
        rules.MaxRuntime(max(0.0, deadline - time.perf_counter())),
        rules.FirstFeasible() if routes is None else rules.NoImprovement(FEWEST_STEPS + IDLE_PER_STOP * len(clients)),
    ]
    start = None if routes is None else pyvrp.Solution(data, [[one - 1 for one in route] for route in routes])
    with warnings.catch_warnings():
        # a limit that is hard to meet is no fault of the data: one round fewer is often one too few
        warnings.simplefilter("ignore", pyvrp.exceptions.PenaltyBoundWarning)
        params = pyvrp.SolveParams(penalty=pyvrp.PenaltyParams(max_penalty=LARGEST_PENALTY))
        rule = rules.MultipleCriteria(stops)
        result = pyvrp.solve(data, rule, seed % 2**32, False, params=params, initial_solution=start)
    if not result.is_feasible() or result.best.distance() >= task.closed:
        return None
    return [[visit.idx + 1 for visit in route if visit.is_client()] for route in result.best.routes()]


def _forwards(route: list[int], travel: Floats) -> tuple[int, ...]:
    """The round from its lower end, where it is the same both ways, so that alike rounds are written alike."""
    both = np.array([0, *route, 0])
    is_same = np.array_equal(travel[both[:-1], both[1:]], travel[both[1:], both[:-1]])
    return tuple(reversed(route)) if is_same and route[0] > route[-1] else tuple(route)
