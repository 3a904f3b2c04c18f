"""How far it is along roads, and the way there."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra
from shapely.ops import substring

from allocator.core.arrays import Floats, Ints
from allocator.sites.road_graph import RoadGraph, RoadPlaces

SOURCES_AT_ONCE = 64
"""Distances are looked for from this many points at a time, so that memory does not grow with the points."""


@dataclass(frozen=True)
class _Links:
    """Pieces cut at the places: from one vertex to a later one, on a piece from one position to another."""

    first: Ints
    second: Ints
    edge: Ints
    begin_m: Floats
    end_m: Floats
    count: int

    @cached_property
    def keys(self) -> Ints:
        """First and second vertex as one number, sorted."""
        return self.first * self.count + self.second

    def matrix(self) -> csr_array:
        return coo_array(
            (np.abs(self.end_m - self.begin_m), (self.first, self.second)), shape=(self.count, self.count)
        ).tocsr()


def _links(graph: RoadGraph, places: RoadPlaces) -> _Links:
    """The graph with the places as further vertices, after its nodes; of parallel links the shortest."""
    nodes, known = len(graph.node_x_m), np.flatnonzero(places.edge >= 0)
    edges = np.arange(len(graph))
    edge = np.concatenate([edges, places.edge[known], edges])
    position = np.concatenate([np.zeros(len(graph)), places.along_m[known], graph.edge_length_m])
    vertex = np.concatenate([graph.edge_from, nodes + known, graph.edge_to])
    rank = np.repeat([0, 1, 2], [len(graph), len(known), len(graph)])
    order = np.lexsort((position, rank, edge))
    edge, position, vertex = edge[order], position[order], vertex[order]
    at = np.flatnonzero(edge[1:] == edge[:-1])
    back = vertex[at] > vertex[at + 1]
    a, b = np.where(back, at + 1, at), np.where(back, at, at + 1)
    order = np.lexsort((np.abs(position[b] - position[a]), vertex[b], vertex[a]))
    a, b = a[order], b[order]
    pair = np.stack([vertex[a], vertex[b]], axis=1)
    keep = np.r_[True, (pair[1:] != pair[:-1]).any(axis=1)][: len(pair)] & (pair[:, 0] != pair[:, 1])
    a, b = a[keep], b[keep]
    return _Links(vertex[a], vertex[b], edge[a], position[a], position[b], nodes + len(places))


def road_distances(graph: RoadGraph, places: RoadPlaces, limit_m: float = np.inf) -> Floats:
    """Shortest distances along roads between places.

    Parameters
    ----------
    graph : RoadGraph
        Roads.
    places : RoadPlaces
        As ``locate`` gives them; the way from the point to the road is not counted.
    limit_m : float
        Farther is not looked for.

    Returns
    -------
    array of float64, n by n
        Metres, in the order of the places; 0 from each to itself, infinite where no road leads or beyond the limit.
    """
    count, nodes = len(places), len(graph.node_x_m)
    out = np.full((count, count), np.inf)
    matrix = _links(graph, places).matrix()
    for first in range(0, count, SOURCES_AT_ONCE):
        sources = np.arange(first, min(first + SOURCES_AT_ONCE, count))
        found = dijkstra(matrix, directed=False, indices=nodes + sources, limit=limit_m)
        out[sources] = found[:, nodes:]
    return out


def road_routes(graph: RoadGraph, places: RoadPlaces, order: Ints) -> tuple[shapely.LineString, ...]:
    """The shortest ways along roads from place to place, to be drawn.

    Parameters
    ----------
    graph : RoadGraph
        Roads.
    places : RoadPlaces
        As ``locate`` gives them.
    order : array of int
        Positions of the places in the order in which they are driven to; a place may come several times.

    Returns
    -------
    tuple of shapely.LineString
        One way fewer than there are places in the order; empty where no road leads or both are the same place.
    """
    links, start = _links(graph, places), len(graph.node_x_m)
    matrix = links.matrix()
    ways = []
    for a, b in zip(order[:-1].tolist(), order[1:].tolist(), strict=True):
        distance, before = dijkstra(matrix, directed=False, indices=start + a, return_predecessors=True)
        ways.append(_traced(graph, links, distance, before, start + a, start + b))
    return tuple(ways)


def _traced(
    graph: RoadGraph, links: _Links, distance: Floats, before: Ints, source: int, target: int
) -> shapely.LineString:
    """The way from a source to a target that a search from the source has found."""
    coordinates: list[Floats] = []
    vertex = target
    while np.isfinite(distance[target]) and vertex != source:
        previous = int(before[vertex])
        low, high = min(previous, vertex), max(previous, vertex)
        link = int(np.searchsorted(links.keys, low * links.count + high))
        begin, end = float(links.begin_m[link]), float(links.end_m[link])
        way = substring(graph.edge_shapes[links.edge[link]], begin, end)
        coordinates.insert(0, shapely.get_coordinates(way)[:: 1 if previous == low else -1])
        vertex = previous
    if distance[target] == 0 or not coordinates:
        return shapely.LineString()
    points = np.concatenate(coordinates)
    moved = np.r_[True, (points[1:] != points[:-1]).any(axis=1)]
    return shapely.LineString(points[moved])
