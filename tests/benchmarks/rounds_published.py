"""Rounds against the published capacitated routing instances, set X, and an invented county with a shift.

Run by hand, alone on the machine: ``python tests/benchmarks/rounds_published.py [published] [county]``. Budgets (20 s
each): X-n101-k25 and X-n110-k13 within 1 % of the best known, X-n200-k36 within 3 %. The county has no published
answer: what is printed is the number of rounds beside the proven bound.

Instances and best known costs: CVRPLIB, set X: Uchoa, E. et al. (2017), New benchmark instances for the capacitated
vehicle routing problem, European Journal of Operational Research 257:845-858.
"""

import csv
import sys
import time
from pathlib import Path

import numpy as np

from allocator.field.rounds import plan_rounds

CVRP = Path(__file__).resolve().parents[3] / "shared" / "data" / "optimisation" / "cvrp"
BARS_PERCENT = {"X-n101-k25": 1.0, "X-n110-k13": 1.0, "X-n200-k36": 3.0}


def read_instance(path):
    """Travel (Euclidean, rounded to the nearest whole number, as the set is defined), demand, capacity."""
    head, rest = path.read_text(encoding="utf-8").split("NODE_COORD_SECTION")
    places, rest = rest.split("DEMAND_SECTION")
    x_y = np.array(places.split(), float).reshape(-1, 3)[:, 1:]
    demand = np.array(rest.split("DEPOT_SECTION")[0].split(), int).reshape(-1, 2)[1:, 1]
    travel = np.floor(np.hypot(*(x_y[:, None] - x_y).transpose(2, 0, 1)) + 0.5)
    return travel, demand, int(head.split("CAPACITY")[1].split()[1])


def run_published():
    with (CVRP / "bks.csv").open(encoding="utf-8") as file:
        best = {row["instance"]: int(row["bks_cost"]) for row in csv.DictReader(file)}
    for name, bar in BARS_PERCENT.items():
        travel, demand, capacity = read_instance(CVRP / f"{name}.vrp")
        started = time.perf_counter(), time.process_time()
        rounds = plan_rounds(travel, np.zeros(len(demand)), demand=demand, capacity=capacity, seconds=20.0)
        wall, cpu = time.perf_counter() - started[0], time.process_time() - started[1]
        gap = 100 * (rounds.total / best[name] - 1)
        verdict = "within" if gap <= bar else "OVER"
        print(
            f"{name}: {rounds.total:.0f}, best known {best[name]}, gap {gap:.2f} %, {verdict} {bar} %; "
            f"{len(rounds.routes)} rounds, at least {rounds.fewest}; {wall:.1f} s, {cpu:.1f} s of processor",
            flush=True,
        )


def run_county():
    """Stops spread over 60 by 60 minutes' drive, 20 minutes at each, 8-hour shift, roads a little longer one way."""
    for count in (8, 10, 20, 60, 150, 300):
        random = np.random.default_rng(count)
        places = random.uniform(0, 60, (count + 1, 2))
        straight = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
        travel = straight * random.uniform(1.3, 1.5, straight.shape)
        started = time.perf_counter(), time.process_time()
        rounds = plan_rounds(travel, np.full(count, 20.0), shift=480.0)
        wall, cpu = time.perf_counter() - started[0], time.process_time() - started[1]
        print(
            f"{count} stops: {len(rounds.routes)} rounds, at least {rounds.fewest}, travel {rounds.total:.1f} min; "
            f"{wall:.2f} s, {cpu:.2f} s of processor",
            flush=True,
        )


if __name__ == "__main__":
    asked = sys.argv[1:] or ["published", "county"]
    for name, run in (("published", run_published), ("county", run_county)):
        if name in asked:
            run()
