"""Time and gap of the choice of sites: an invented county, one large complex, the published covering instances.

Run by hand: ``python tests/benchmarks/choice_county.py [county] [large] [published]``. Budgets (two cores): county
120 s and 1 % in all; large 60 s and 1 % each, 4 GiB; published 60 s each, at least 99.5 % of the best published value,
bound at most 4 % above it. The land is invented from a fixed seed.
"""

import csv
import resource
import sys
import time
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from allocator.sites.choose import choose_sites

MCLP = Path(__file__).resolve().parents[3] / "shared" / "data" / "optimisation" / "mclp"
EARTH_M = 6_378_100.0
CELL_M, RADIUS_M, SPACING_M = 100.0, 622.0, 500.0


def make_complex(seed, candidates, cells, owners):
    """Blobs of habitat squares, candidates on them, conflicts, and owners: reach, worth, pairs, owner."""
    random = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(cells * 1.6))) + 4
    field = gaussian_filter(random.standard_normal((side, side)), 6)
    least = np.sort(field.ravel())[-cells]
    row, column = np.nonzero(field >= least)
    squares = CELL_M * np.stack([column, row], axis=1)
    share = (field[row, column] - least) / max(float(field.max() - least), 1e-12)
    spots = squares[random.integers(0, len(squares), candidates)] + random.uniform(-60, 60, (candidates, 2))
    lists = cKDTree(squares).query_ball_point(spots, RADIUS_M)
    lengths = [len(one) for one in lists]
    columns = np.array([one for served in lists for one in served], np.int64)
    reach = csr_array((np.ones(len(columns)), columns, np.r_[0, np.cumsum(lengths)]), shape=(candidates, len(squares)))
    pairs = cKDTree(spots).query_pairs(SPACING_M, output_type="ndarray")
    owner = cKDTree(random.uniform(0, side * CELL_M, (owners, 2))).query(spots)[1]
    return reach, (0.5 + 0.5 * share) * CELL_M**2, pairs, owner


def limits(owner, owners, count):
    """Twice each owner's even share of the traps by candidates, at least one."""
    return np.maximum(1, np.ceil(2 * count * np.bincount(owner, minlength=owners) / len(owner))).astype(int)


def report(name, started, served, bound, extra=""):
    wall, cpu = time.perf_counter() - started[0], time.process_time() - started[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    gap = 100 * (bound / served - 1)
    print(f"{name}: gap {gap:.3f} %, {wall:.1f} s, {cpu:.1f} s of processor, peak {peak:.2f} GiB {extra}", flush=True)


def run_county():
    """400 complexes, 50,000 candidates: most of 1 to 3 traps, four of 20 to 60."""
    random = np.random.default_rng(7)
    counts = [20, 30, 45, 60, *random.choice([1, 1, 1, 1, 2, 3], 396).tolist()]
    sizes = np.array([1_500, 2_200, 3_300, 4_300, *[0] * 396])
    sizes[4:] = np.round((50_000 - sizes.sum()) * np.array(counts[4:]) / sum(counts[4:]))
    tasks = []
    for place, (count, size) in enumerate(zip(counts, sizes.tolist(), strict=True)):
        owners = max(1, count)
        reach, worth, pairs, owner = make_complex(1_000 + place, size, 121 * count, owners)
        tasks.append((reach, worth, count, pairs, owner, limits(owner, owners, count)))
    started = time.perf_counter(), time.process_time()
    served, bound, optimal, longest = 0.0, 0.0, 0, {}
    for task in tasks:
        began = time.perf_counter()
        choice = choose_sites(*task)
        took = time.perf_counter() - began
        served, bound = served + choice.served, bound + choice.bound
        optimal += choice.status == "optimal"
        longest[task[2]] = max(longest.get(task[2], 0.0), took)
    times = ", ".join(f"{count} traps {took:.2f} s" for count, took in sorted(longest.items()))
    name = f"county, {sum(counts)} traps, {sum(sizes)} candidates"
    report(name, started, served, bound, f"({optimal} of {len(tasks)} optimal; longest: {times})")


def run_large():
    """One complex of 20,000 candidates and 47,000 squares."""
    reach, worth, pairs, owner = make_complex(1, 20_000, 47_000, 150)
    for count in (120, 300, 600):
        started = time.perf_counter(), time.process_time()
        choice = choose_sites(reach, worth, count, pairs, owner, limits(owner, 150, count))
        report(f"large, {count} traps", started, choice.served, choice.bound, f"({len(choice.sites)} sites)")


def read_published(name, radius_m):
    """Reach and demand of a published instance; points are on a sphere of 6,378,100 m."""
    head, demand = (MCLP / f"{name}.txt").read_text(encoding="utf-8").split("DEMAND_SECTION")
    places = np.radians([[float(one) for one in line.split()] for line in head.split("SECTION")[1].splitlines()[1:]])
    latitude, longitude = places.T
    flat = np.cos(latitude)
    on_sphere = EARTH_M * np.stack([flat * np.cos(longitude), flat * np.sin(longitude), np.sin(latitude)], axis=1)
    lists = cKDTree(on_sphere).query_ball_point(on_sphere, 2 * EARTH_M * np.sin(radius_m / (2 * EARTH_M)))
    lengths = [len(one) for one in lists]
    reach = csr_array((np.ones(sum(lengths)), np.concatenate(lists), np.r_[0, np.cumsum(lengths)]))
    return reach, np.array(demand.replace("EOF", "").split(), float)


def run_published():
    """The twelve instances published with INFORMS Journal on Computing 2024.0611."""
    with (MCLP / "optima.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        reach, demand = read_published(row["instance"], float(row["radius_m"]))
        started = time.perf_counter(), time.process_time()
        choice = choose_sites(reach, demand, int(row["p"]))
        best = float(row["published_best_covered"])
        extra = f"served/published {choice.served / best:.4f}, bound/published {choice.bound / best:.4f}"
        report(f"{row['instance']} {row['p']}", started, choice.served, choice.bound, extra)


if __name__ == "__main__":
    parts = {"county": run_county, "large": run_large, "published": run_published}
    for part in sys.argv[1:] or parts:
        parts[part]()
