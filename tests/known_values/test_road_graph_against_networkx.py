"""Distances along roads against networkx (shortest paths by its own Dijkstra), on networks noded without shapely."""

from itertools import combinations, pairwise

import networkx as nx
import numpy as np
import pytest
import shapely
from shapely import LineString

from allocator.core.study import Roads
from allocator.sites.road_graph import build_road_graph, locate
from allocator.sites.road_ways import road_distances
from tests.builders import objects

TOLERANCE_M = 0.05
"""Lines are noded on a grid of a millimetre; a way over some dozens of pieces may differ by so much."""


def roads_of(lines):
    return Roads(objects([LineString(line) for line in lines]), ("",) * len(lines), ("yes",) * len(lines))


def distances(lines, points, snap_m=0.0):
    graph = build_road_graph(roads_of(lines), snap_m)
    places = locate(graph, shapely.points(points))
    assert places.distance_m.max() < 0.002
    return road_distances(graph, places)


def expected(network, names):
    lengths = dict(nx.all_pairs_dijkstra_path_length(network, weight="length"))
    return np.array([[lengths[a].get(b, np.inf) for b in names] for a in names])


def lattice(seed, side=12, step_m=100.0, gone=0.45):
    """A street grid shaken and thinned, as a networkx graph; no street crosses another between its corners."""
    random = np.random.default_rng(seed)
    network = nx.grid_2d_graph(side, side)
    place = {node: np.array(node) * step_m + random.uniform(-25, 25, 2) for node in network}
    network.remove_edges_from([edge for edge in list(network.edges) if random.random() < gone])
    for a, b in network.edges:
        network.edges[a, b]["length"] = float(np.hypot(*(place[a] - place[b])))
    return network, place


@pytest.mark.parametrize("seed", range(6))
def test_on_street_grids_where_streets_run_on_over_corners(seed):
    network, place = lattice(seed)
    left, lines = network.copy(), []
    while left.number_of_edges():  # longest runs first: corners lie inside lines and at their ends
        start = next(node for node in left if left.degree(node))
        walk = [start]
        while left.degree(walk[-1]):
            following = next(iter(left[walk[-1]]))
            left.remove_edge(walk[-1], following)
            walk.append(following)
        lines.append(np.array([place[node] for node in walk]))
    names = [node for node in network if network.degree(node)]
    found = distances(lines, np.array([place[node] for node in names]))
    known = expected(network, names)
    np.testing.assert_array_equal(np.isfinite(found), np.isfinite(known))
    assert 0.2 < np.isfinite(known).mean() < 1
    np.testing.assert_allclose(found[np.isfinite(known)], known[np.isfinite(known)], atol=TOLERANCE_M)


def crossings(lines):
    """A networkx graph of straight lines cut where they cross, by solving two equations for each pair."""
    cuts = [[0.0, 1.0] for _ in lines]
    same = nx.utils.UnionFind()
    for one, other in combinations(range(len(lines)), 2):
        (a, b), (c, d) = lines[one], lines[other]
        slope = np.column_stack([b - a, c - d])
        if abs(np.linalg.det(slope)) < 1e-12:
            continue
        s, t = np.linalg.solve(slope, c - a)
        if 0 <= s <= 1 and 0 <= t <= 1:
            cuts[one].append(float(s))
            cuts[other].append(float(t))
            same.union((one, float(s)), (other, float(t)))
    network = nx.Graph()
    for number, (line, at) in enumerate(zip(lines, cuts, strict=True)):
        length = float(np.hypot(*(line[1] - line[0])))
        at = sorted(at)
        for low, high in pairwise(at):
            network.add_edge(same[(number, low)], same[(number, high)], length=(high - low) * length)
    return network, [same[(number, 0.0)] for number in range(len(lines))]


@pytest.mark.parametrize("seed", range(6))
def test_on_straight_lines_that_cross_without_shared_vertices(seed):
    random = np.random.default_rng(100 + seed)
    starts, ends = random.uniform(0, 2000, (2, 70, 2))
    lines = list(np.stack([starts, (starts + ends) / 2], axis=1))
    network, starts = crossings(lines)
    found = distances(lines, np.array([line[0] for line in lines]))
    known = expected(network, starts)
    np.testing.assert_array_equal(np.isfinite(found), np.isfinite(known))
    assert np.isfinite(known).mean() > 0.2
    np.testing.assert_allclose(found[np.isfinite(known)], known[np.isfinite(known)], atol=TOLERANCE_M)


def test_between_points_anywhere_on_the_roads():
    """A point on a street splits it in networkx's graph: both ends of the street are tried, and the street itself."""
    random = np.random.default_rng(7)
    network, place = lattice(3, gone=0.2)
    streets = list(network.edges)
    lines = [np.array([place[a], place[b]]) for a, b in streets]
    chosen = random.integers(0, len(streets), 60)
    chosen[1::6] = chosen[::6]  # some pairs on the same street
    share = random.uniform(0.02, 0.98, len(chosen))
    ends = np.array(lines)[chosen]
    points = ends[:, 0] + (ends[:, 1] - ends[:, 0]) * share[:, None]
    for at in np.unique(chosen):
        a, b = streets[at]
        length = network.edges[a, b]["length"]
        on_it = np.flatnonzero(chosen == at)
        on_it = on_it[np.argsort(share[on_it])]
        chain = [a, *(("point", int(one)) for one in on_it), b]
        spans = np.diff([0.0, *share[on_it], 1.0]) * length
        network.remove_edge(a, b)
        network.add_edges_from(
            (one, other, {"length": span}) for one, other, span in zip(chain[:-1], chain[1:], spans, strict=True)
        )
    known = expected(network, [("point", at) for at in range(len(chosen))])
    np.testing.assert_allclose(distances(lines, points), known, atol=TOLERANCE_M)
