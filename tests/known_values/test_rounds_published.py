"""Check rounds against published capacitated routing instances and their published routes."""

import csv
from pathlib import Path

import numpy as np
import pytest

from allocator.field.rounds import plan_rounds

FOLDER = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "optimisation" / "cvrp"


def read_instance(path):
    """Travel (Euclidean, rounded to the nearest whole number, as the set is defined), demand, capacity."""
    head, rest = path.read_text(encoding="utf-8").split("NODE_COORD_SECTION")
    places, rest = rest.split("DEMAND_SECTION")
    x_y = np.array(places.split(), float).reshape(-1, 3)[:, 1:]
    demand = np.array(rest.split("DEPOT_SECTION")[0].split(), int).reshape(-1, 2)[1:, 1]
    travel = np.floor(np.hypot(*(x_y[:, None] - x_y).transpose(2, 0, 1)) + 0.5)
    return travel, demand, int(head.split("CAPACITY")[1].split()[1])


def drive(travel, route):
    return sum(travel[one, other] for one, other in zip((0, *route), (*route, 0), strict=True))


@pytest.mark.parametrize("name", ["X-n101-k25", "X-n110-k13"])
def test_set_x_within_one_percent_of_the_best_known(name):
    """CVRPLIB, set X: Uchoa, E. et al. (2017), European Journal of Operational Research 257:845-858.

    Nothing may undercut the best known: both are proven optimal (from memory, unverified).
    """
    path = FOLDER / f"{name}.vrp"
    if not path.exists():
        pytest.skip("the published routing instances are not beside the project")
    with (FOLDER / "bks.csv").open(encoding="utf-8") as file:
        best = next(int(row["bks_cost"]) for row in csv.DictReader(file) if row["instance"] == name)
    travel, demand, capacity = read_instance(path)
    published = read_solution(path.with_suffix(".sol"))
    assert sum(drive(travel, route) for route in published) == best, "the instance is not read as it was published"

    rounds = plan_rounds(travel, np.zeros(len(demand)), demand=demand, capacity=capacity, seconds=10.0)

    assert sorted(stop for route in rounds.routes for stop in route) == list(range(1, len(demand) + 1))
    assert rounds.total == sum(drive(travel, route) for route in rounds.routes)
    assert max(demand[np.array(route) - 1].sum() for route in rounds.routes) <= capacity
    assert best <= rounds.total <= 1.01 * best
    assert rounds.fewest <= min(len(published), len(rounds.routes))


def read_solution(path):
    """The published routes: lines such as ``Route #1: 31 46 35``."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [[int(one) for one in line.split(":")[1].split()] for line in lines if line.startswith("Route")]


@pytest.mark.parametrize("name", ["X-n101-k25", "X-n110-k13", "X-n200-k36", "X-n327-k20", "X-n502-k39"])
def test_bound_never_exceeds_the_rounds_published(name):
    """The published routes are possible: with their longest as the shift, the bound asks for no more rounds.

    Routes: CVRPLIB, set X, as above. The bound does not come from the search: no time is given to it.
    """
    path = FOLDER / f"{name}.vrp"
    if not path.exists():
        pytest.skip("the published routing instances are not beside the project")
    travel, demand, capacity = read_instance(path)
    published = read_solution(path.with_suffix(".sol"))
    stop = np.full(len(demand), 10.0)
    shift = max(drive(travel, route) + 10 * len(route) for route in published)
    rounds = plan_rounds(travel, stop, shift=shift, demand=demand, capacity=capacity, seconds=0.0)
    assert 1 < rounds.fewest <= len(published)
    assert rounds.fewest <= len(rounds.routes)
    assert rounds.longest <= shift
