"""Choice of sites against a published maximal covering instance."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from allocator.sites.choose import choose_sites

FOLDER = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "optimisation" / "mclp"
EARTH_M = 6_378_100.0


def read_points(path):
    """Latitude and longitude in radians, and demand, of each point."""
    head, demand = path.read_text(encoding="utf-8").split("DEMAND_SECTION")
    places = np.radians([[float(one) for one in line.split()] for line in head.split("SECTION")[1].splitlines()[1:]])
    return places[:, 0], places[:, 1], np.array(demand.replace("EOF", "").split(), float)


def test_new_york_50():
    """Published with INFORMS Journal on Computing 2024.0611: 1,153,640 served by 50 sites within 400 m, proven best.

    A point is served when its great-circle distance, on a sphere of 6,378,100 m, is at most the radius.
    """
    path = FOLDER / "NewYork.txt"
    if not path.exists():
        pytest.skip("the published covering instances are not beside the project")
    with (FOLDER / "optima.csv").open(encoding="utf-8") as file:
        row = next(row for row in csv.DictReader(file) if row["instance"] == "NewYork" and row["p"] == "50")
    published, radius_m = float(row["published_best_covered"]), float(row["radius_m"])
    assert (published, radius_m) == (1_153_640, 400)
    latitude, longitude, demand = read_points(path)
    on_sphere = EARTH_M * np.stack(
        [np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)], axis=1
    )
    chord_m = 2 * EARTH_M * np.sin(radius_m / (2 * EARTH_M))
    lists = cKDTree(on_sphere).query_ball_point(on_sphere, chord_m)
    lengths = [len(one) for one in lists]
    reach = csr_array(
        (np.ones(sum(lengths)), np.concatenate(lists), np.concatenate([[0], np.cumsum(lengths)])),
        shape=(len(demand), len(demand)),
    )
    choice = choose_sites(reach, demand, 50, seconds=8.0)
    served = demand[reach[list(choice.sites)].sum(axis=0) > 0].sum()
    assert len(choice.sites) == 50
    assert choice.served == pytest.approx(served)
    assert 0.95 * published <= choice.served <= published
    assert choice.bound >= published
