"""The road graph: plain road lines joined where they meet, and how far it is along them."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.crs import Bounds
from allocator.core.study import Roads, Shapes

GRID_M = 0.001
"""Lines are noded on a grid this fine: thousands of times finer than roads are mapped, coarser than float noise."""
SAME_PLACE_M = 0.005
"""Nodes nearer than this are one."""


@dataclass(frozen=True)
class RoadGraph:
    """Roads that a truck may use, as nodes and the pieces between them; both ways of every piece may be driven.

    Parameters
    ----------
    node_x_m, node_y_m : array of float64
        Where the nodes lie, in the study's coordinate system.
    edge_from, edge_to : array of int64
        Nodes at the start and end of each piece; the same where a road comes back to itself.
    edge_length_m : array of float64
        Length along the piece; above 0.
    edge_road : array of int64
        Position in the study's roads; of lines that run on top of each other one that is open all year, then the
        first.
    edge_truck : array of str
        yes or dry, for each piece.
    edge_shapes : array of shapely lines
        The pieces, from start to end.
    snap_m : float
        Gaps up to this were closed.
    """

    node_x_m: Floats
    node_y_m: Floats
    edge_from: Ints
    edge_to: Ints
    edge_length_m: Floats
    edge_road: Ints
    edge_truck: NDArray[np.object_]
    edge_shapes: Shapes
    snap_m: float

    def __len__(self) -> int:
        return len(self.edge_road)

    @cached_property
    def segments(self) -> tuple[shapely.STRtree, Ints]:
        """One-segment parts of all pieces in a search tree, and the piece of each."""
        segments, edge = _segments(self.edge_shapes)
        return shapely.STRtree(segments), edge

    def take(self, edges: Bools | Ints) -> "RoadGraph":
        """The graph with only some of its pieces, such as those fit for wet weather.

        Parameters
        ----------
        edges : array of bool or int
            Which pieces.

        Returns
        -------
        RoadGraph
            Those, between the same nodes.
        """
        return replace(
            self, edge_from=self.edge_from[edges], edge_to=self.edge_to[edges],
            edge_length_m=self.edge_length_m[edges], edge_road=self.edge_road[edges],
            edge_truck=self.edge_truck[edges], edge_shapes=self.edge_shapes[edges],
        )  # fmt: skip


@dataclass(frozen=True)
class RoadPlaces:
    """Where points meet the road graph.

    Parameters
    ----------
    edge : array of int64
        Nearest piece; -1 where the graph has none.
    along_m : array of float64
        Distance from the start of the piece, along it.
    distance_m : array of float64
        Straight-line distance from the point to the piece; infinite where there is none.
    """

    edge: Ints
    along_m: Floats
    distance_m: Floats

    def __len__(self) -> int:
        return len(self.edge)

    def take(self, positions: Ints) -> "RoadPlaces":
        """Only some of the places.

        Parameters
        ----------
        positions : array of int
            Which, in order.

        Returns
        -------
        RoadPlaces
            Those.
        """
        return RoadPlaces(self.edge[positions], self.along_m[positions], self.distance_m[positions])


def build_road_graph(roads: Roads, snap_m: float) -> RoadGraph:
    """Plain lines become a graph: joined where they cross or touch, small gaps closed.

    Roads closed to trucks never enter, so limited-access roads and ramps join nothing, which keeps most overpasses
    apart. Of what remains, lines that cross are joined, also where one passes over the other on a bridge.

    Parameters
    ----------
    roads : Roads
        Lines and whether a truck may use them.
    snap_m : float
        A dangling end up to this far from another line is joined to it by a straight piece of its true length; 0: none
        but float noise. A stub no longer than this is not joined once more to the line that it leaves.

    Returns
    -------
    RoadGraph
        Without nodes and pieces where no road is for trucks.
    """
    usable = np.flatnonzero([truck != "no" for truck in roads.truck])
    lines, of = shapely.get_parts(shapely.force_2d(roads.shapes[usable]), return_index=True)
    some = shapely.length(lines) > 0
    lines, road = lines[some], usable[of[some]].astype(np.int64)
    truck = np.array(roads.truck, dtype=object)
    pieces, road = _noded(lines, road, truck)
    joints, joint_road = _joints(pieces, road, snap_m)
    if len(joints):
        pieces, road = _noded(np.concatenate([pieces, joints]), np.concatenate([road, joint_road]), truck)
    x_m, y_m, start, end = _nodes(pieces)
    length = shapely.length(pieces)
    some = (start != end) | (length > 2 * SAME_PLACE_M)
    start, end, length, road, pieces = start[some], end[some], length[some], road[some], pieces[some]
    return RoadGraph(x_m, y_m, start, end, length, road, truck[road], pieces, snap_m)


def _segments(lines: Shapes) -> tuple[Shapes, Ints]:
    """One-segment lines, and the line of each: whole roads in a tree make a search much slower."""
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    start = np.flatnonzero(line[1:] == line[:-1])
    segments = shapely.linestrings(np.stack([coordinates[start], coordinates[start + 1]], axis=1))
    return segments, line[start].astype(np.int64)


def _noded(lines: Shapes, road: Ints, truck: NDArray[np.object_]) -> tuple[Shapes, Ints]:
    """Pieces that meet only at their ends, in a fixed order, and the road of each."""
    if not len(lines):
        return lines, road
    pieces = shapely.get_parts(shapely.union_all(lines, grid_size=GRID_M))
    segments, of = _segments(lines)
    tree, middle = shapely.STRtree(segments), shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    # Snapping moves a line by less than a grid step; the nearest is taken too, so that every piece finds its road.
    near = np.hstack([tree.query(middle, "dwithin", 2 * GRID_M), tree.query_nearest(middle)])
    piece, found = near[0], road[of[near[1]]]
    order = np.lexsort((found, truck[found] != "yes", piece))
    first = order[np.r_[True, piece[order][1:] != piece[order][:-1]]]
    road_of = found[first]
    ends = _ends(pieces)
    order = np.lexsort((*ends.T, road_of))
    return pieces[order], road_of[order]


def _ends(pieces: Shapes) -> Floats:
    """Coordinates x, y of the first point and x, y of the last, one row for each piece."""
    ends = [shapely.get_coordinates(shapely.get_point(pieces, at)) for at in (0, -1)]
    return np.hstack(ends).reshape(len(pieces), 4)


def _nodes(pieces: Shapes) -> tuple[Floats, Floats, Ints, Ints]:
    """Nodes, x and y, and each piece's first and last node; ends a few millimetres apart are one node."""
    places, node = np.unique(_ends(pieces).reshape(-1, 2), axis=0, return_inverse=True)
    if not len(places):
        return np.empty(0), np.empty(0), np.empty(0, np.int64), np.empty(0, np.int64)
    pairs = cKDTree(places).query_pairs(SAME_PLACE_M, output_type="ndarray")
    label = _components(pairs[:, 0], pairs[:, 1], len(places))
    _, first = np.unique(label, return_index=True)
    node = label[node].reshape(-1, 2)
    return places[first, 0], places[first, 1], node[:, 0], node[:, 1]


def _components(first: Ints, second: Ints, count: int) -> Ints:
    links = coo_array((np.ones(len(first)), (first, second)), shape=(count, count))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)


def _joints(pieces: Shapes, road: Ints, snap_m: float) -> tuple[Shapes, Ints]:
    """Straight lines from dangling ends to the nearest other piece, and the road that each lengthens."""
    x_m, y_m, start, end = _nodes(pieces)
    piece_of = np.zeros(len(x_m), np.int64)
    piece_of[start], piece_of[end] = np.arange(len(pieces)), np.arange(len(pieces))
    is_end = np.bincount(np.concatenate([start, end]), minlength=len(x_m)) == 1
    reach = np.where(is_end, max(snap_m, SAME_PLACE_M), SAME_PLACE_M)  # float noise may part any node from a line
    points = shapely.points(x_m, y_m)
    node, other = shapely.STRtree(pieces).query(points, "dwithin", reach)
    own = piece_of[node]
    far = np.where(start[own] == node, end[own], start[own])
    is_stub = is_end[node] & (shapely.length(pieces)[own] <= snap_m)
    leaves_it = is_stub & ((start[other] == far) | (end[other] == far))
    keep = (start[other] != node) & (end[other] != node) & ~leaves_it
    node, other = node[keep], other[keep]
    distance = shapely.distance(points[node], pieces[other])
    order = np.lexsort((other, distance, node))
    first = order[np.r_[True, node[order][1:] != node[order][:-1]]] if len(order) else order
    joints = shapely.shortest_line(points[node[first]], pieces[other[first]])
    return joints, road[piece_of[node[first]]]


def locate(graph: RoadGraph, points: Shapes) -> RoadPlaces:
    """Where points meet the graph: the nearest piece of road.

    Parameters
    ----------
    graph : RoadGraph
        Roads.
    points : array of shapely points
        In the study's coordinate system.

    Returns
    -------
    RoadPlaces
        One for each point; of several pieces equally near the first.
    """
    count = len(points)
    if not len(graph) or not count:
        return RoadPlaces(np.full(count, -1, np.int64), np.zeros(count), np.full(count, np.inf))
    tree, edge_of = graph.segments
    (point, segment), distance = tree.query_nearest(points, return_distance=True, all_matches=True)
    order = np.lexsort((segment, point))
    first = order[np.r_[True, point[order][1:] != point[order][:-1]]]
    edge = edge_of[segment[first]]
    along = shapely.line_locate_point(graph.edge_shapes[edge], points)
    return RoadPlaces(edge, np.minimum(along, graph.edge_length_m[edge]), distance[first])


def all_weather(graph: RoadGraph, known_m: Bounds | None = None) -> Bools:
    """Which pieces can be driven to in wet weather.

    Parameters
    ----------
    graph : RoadGraph
        Roads.
    known_m : tuple of float or None
        West, south, east and north of the land whose roads were given: a road that reaches its rim goes on outside.
        None: the rectangle around the whole graph, dry-weather roads too.

    Returns
    -------
    array of bool
        For each piece. True where its road is open all year and hangs together over such roads with the longest
        all-year network, or with one that comes within ``snap_m`` of the rim or lies across it. An all-year road that
        is reached over dry-weather roads alone is for dry weather.
    """
    good = np.flatnonzero(graph.edge_truck == "yes")
    out = np.zeros(len(graph), bool)
    if not len(good):
        return out
    count = len(graph.node_x_m)
    network = _components(graph.edge_from[good], graph.edge_to[good], count)[graph.edge_from[good]]
    length = np.bincount(network, weights=graph.edge_length_m[good], minlength=count)
    west, south, east, north = shapely.total_bounds(graph.edge_shapes) if known_m is None else known_m
    bounds, snap_m = shapely.bounds(graph.edge_shapes[good]), graph.snap_m
    at_rim = (
        (bounds[:, 0] <= west + snap_m) | (bounds[:, 1] <= south + snap_m)
        | (bounds[:, 2] >= east - snap_m) | (bounds[:, 3] >= north - snap_m)
    )  # fmt: skip
    out[good] = np.isin(network, np.append(network[at_rim], np.argmax(length)))
    return out
