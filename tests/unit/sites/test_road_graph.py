"""The road graph: lines joined where they meet, distances and routes along them, roads fit for wet weather."""

import time

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString, Point

from allocator.core.study import Roads
from allocator.sites.road_graph import all_weather, build_road_graph, locate
from allocator.sites.road_ways import road_distances, road_routes
from tests.builders import objects

SNAP_M = 5.0


def roads_of(*lines, trucks=None):
    return Roads(objects(lines), tuple(f"Road {at}" for at in range(len(lines))), tuple(trucks or ["yes"] * len(lines)))


def graph_of(*lines, trucks=None, snap_m=SNAP_M):
    return build_road_graph(roads_of(*lines, trucks=trucks), snap_m)


def places(graph, *points):
    return locate(graph, objects([Point(point) for point in points]))


def distance(graph, a, b, limit_m=np.inf):
    return road_distances(graph, places(graph, a, b), limit_m)[0, 1]


def route(graph, a, b):
    return road_routes(graph, places(graph, a, b), np.arange(2))[0]


def nodes(graph):
    return sorted(zip(graph.node_x_m.round(2).tolist(), graph.node_y_m.round(2).tolist(), strict=True))


CROSS = (LineString([(0, 0), (100, 0)]), LineString([(40, -30), (40, 70)]))


def test_lines_that_cross_without_a_shared_vertex_are_joined():
    graph = graph_of(*CROSS)
    assert nodes(graph) == [(0, 0), (40, -30), (40, 0), (40, 70), (100, 0)]
    assert sorted(zip(graph.edge_road.tolist(), graph.edge_length_m.round(6).tolist(), strict=True)) == [
        (0, 40), (0, 60), (1, 30), (1, 70),
    ]  # fmt: skip
    assert distance(graph, (0, 0), (40, 70)) == pytest.approx(110)
    assert route(graph, (0, 0), (40, 70)).equals(LineString([(0, 0), (40, 0), (40, 70)]))


def test_every_piece_goes_from_its_first_node_to_its_last():
    graph = graph_of(*CROSS, LineString([(100, 0), (100, 50), (40, 50)]))
    for at, shape in enumerate(graph.edge_shapes):
        first, last = shape.coords[0], shape.coords[-1]
        start, end = graph.edge_from[at], graph.edge_to[at]
        assert first == pytest.approx((graph.node_x_m[start], graph.node_y_m[start]))
        assert last == pytest.approx((graph.node_x_m[end], graph.node_y_m[end]))
        assert graph.edge_length_m[at] == pytest.approx(shape.length)


def test_roads_closed_to_trucks_never_enter():
    graph = graph_of(*CROSS, LineString([(0, 0), (0, 70), (40, 70)]), trucks=["yes", "dry", "no"])
    assert set(graph.edge_road) == {0, 1} and set(graph.edge_truck) == {"yes", "dry"}
    assert distance(graph, (0, 0), (40, 70)) == pytest.approx(110)
    assert len(graph_of(*CROSS, trucks=["no", "no"])) == 0


@pytest.mark.parametrize("off_m", [0.0, 1e-9, 2e-4, -3.0, 3.0])
def test_a_road_that_ends_at_another_joins_it(off_m):
    # 60 m along the first, then 50 m up; an end 3 m short is joined by 3 m, one 3 m too long crosses.
    graph = graph_of(LineString([(0, 0), (100, 0)]), LineString([(60, -off_m), (60, 50)]))
    assert distance(graph, (0, 0), (60, 50)) == pytest.approx(110, abs=0.01)


def test_a_gap_wider_than_asked_stays_open():
    lines = LineString([(0, 0), (100, 0)]), LineString([(60, 5.1), (60, 50)])
    assert distance(graph_of(*lines), (0, 0), (60, 50)) == np.inf
    assert distance(graph_of(*lines, snap_m=5.2), (0, 0), (60, 50)) == pytest.approx(110)


def test_the_joint_of_a_gap_adds_its_true_length_and_belongs_to_the_road_that_ends():
    graph = graph_of(LineString([(0, 0), (50, 0)]), LineString([(53, 4), (53, 90)]), trucks=["dry", "yes"])
    assert distance(graph, (0, 0), (53, 90)) == pytest.approx(50 + 5 + 86, abs=0.002)
    assert graph.edge_length_m.sum() == pytest.approx(141, abs=0.002)
    assert route(graph, (0, 0), (53, 90)).length == pytest.approx(141, abs=0.002)


def test_a_short_stub_is_not_joined_once_more_to_the_line_it_leaves():
    graph = graph_of(LineString([(0, 0), (100, 0)]), LineString([(50, 0), (53, 3)]))
    assert graph.edge_length_m.sum() == pytest.approx(100 + 18**0.5)
    assert distance(graph, (100, 0), (53, 3)) == pytest.approx(50 + 18**0.5)


def test_without_a_gap_to_close_float_noise_still_makes_no_break():
    noise = 3e-9
    ends = [(100 + noise, 50 - noise), (100.0004999, 50), (100.0005001, 50), (100 - 2 * noise, 50)]
    starts = [(0, 50), (200, 50), (100, 150), (100, -50)]
    graph = graph_of(*(LineString(pair) for pair in zip(starts, ends, strict=True)), snap_m=0.0)
    found = road_distances(graph, places(graph, *starts))
    np.testing.assert_allclose(found, 200 * (1 - np.eye(4)), atol=0.01)


def test_ends_a_few_millimetres_apart_are_one_node():
    graph = graph_of(
        LineString([(0, 0), (100, 0)]), LineString([(100.003, 0), (200, 0)]), LineString([(100, 0.003), (100, 90)]),
        LineString([(100.003, 0), (150, -90)]), LineString([(100, 0), (50, -90)]), snap_m=0.0,
    )  # fmt: skip
    assert distance(graph, (0, 0), (200, 0)) == pytest.approx(200, abs=0.02)
    assert distance(graph, (50, -90), (150, -90)) == pytest.approx(2 * 10600**0.5, abs=0.02)
    assert graph.edge_length_m.min() > 80


def test_a_corner_a_few_millimetres_off_a_line_joins_it():
    graph = graph_of(
        LineString([(0, 0), (100, 0)]), LineString([(60, 0.004), (30, 50)]), LineString([(60, 0.004), (90, 50)]),
        snap_m=0.0,
    )  # fmt: skip
    assert distance(graph, (0, 0), (30, 50)) == pytest.approx(60 + 3400**0.5, abs=0.02)


def test_lines_on_top_of_each_other_are_one_road_and_the_better_names_it():
    graph = graph_of(
        LineString([(0, 0), (100, 0)]), LineString([(120, 0), (20, 0)]), LineString([(20, 0), (120, 0)]),
        trucks=["dry", "yes", "yes"],
    )  # fmt: skip
    assert graph.edge_length_m.sum() == pytest.approx(120)
    assert sorted(zip(graph.edge_road.tolist(), graph.edge_length_m.round(6).tolist(), strict=True)) == [
        (0, 20), (1, 20), (1, 80),
    ]  # fmt: skip


def test_of_two_ways_between_the_same_nodes_the_shorter_counts():
    bow, straight = LineString([(0, 0), (50, 40), (100, 0)]), LineString([(0, 0), (100, 0)])
    for lines in ((bow, straight), (straight, bow)):
        graph = graph_of(*lines)
        assert len(graph) == 2
        assert distance(graph, (0, 0), (100, 0)) == pytest.approx(100)
        assert route(graph, (0, 0), (100, 0)).equals(straight)


RING = LineString([(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)])


def test_a_closed_loop_is_driven_the_shorter_way():
    graph = graph_of(RING)
    assert graph.edge_from.tolist() == graph.edge_to.tolist() and graph.edge_length_m.tolist() == [400]
    assert distance(graph, (10, 0), (90, 0)) == pytest.approx(80)
    assert distance(graph, (10, 0), (0, 30)) == pytest.approx(40)  # over the start of the line
    assert route(graph, (10, 0), (0, 30)).equals(LineString([(10, 0), (0, 0), (0, 30)]))
    assert distance(graph, (0, 0), (100, 100)) == pytest.approx(200)


def test_a_loop_at_the_end_of_a_lane():
    graph = graph_of(RING, LineString([(0, 0), (-50, 0)]))
    assert distance(graph, (-50, 0), (100, 100)) == pytest.approx(250)
    assert distance(graph, (-50, 0), (0, 100)) == pytest.approx(150)


def test_a_line_that_crosses_itself_is_joined_there():
    graph = graph_of(LineString([(0, 0), (100, 0), (100, 50), (50, 50), (50, -20)]))
    assert distance(graph, (0, 0), (50, -20)) == pytest.approx(70)
    assert sorted(graph.edge_length_m.round(6)) == [20, 50, 200]


def test_parts_and_heights_and_points_without_length():
    parts = MultiLineString([[(0, 0, 9), (10, 0, 9)], [(10, 0, 1), (10, 30, 1)]])
    graph = graph_of(parts, LineString([(5, 5), (5, 5)]), LineString())
    assert set(graph.edge_road) == {0} and distance(graph, (0, 0), (10, 30)) == pytest.approx(40)
    assert not shapely.has_z(graph.edge_shapes).any()


def test_no_roads_and_no_points():
    empty = build_road_graph(Roads(np.empty(0, object), (), ()), SNAP_M)
    assert len(empty) == 0 and len(empty.node_x_m) == 0
    found = places(empty, (0, 0), (1, 1))
    assert found.edge.tolist() == [-1, -1] and found.distance_m.tolist() == [np.inf, np.inf]
    assert road_distances(empty, found).tolist() == [[0, np.inf], [np.inf, 0]]
    assert route(empty, (0, 0), (1, 1)).is_empty and len(all_weather(empty)) == 0
    assert road_distances(graph_of(*CROSS), locate(graph_of(*CROSS), np.empty(0, object))).shape == (0, 0)


def test_points_meet_the_nearest_road():
    graph = graph_of(*CROSS)
    found = places(graph, (10, 3), (43, 60), (-3, -4), (40, 0))
    assert graph.edge_road[found.edge[:3]].tolist() == [0, 1, 0]
    assert found.distance_m.tolist() == pytest.approx([3, 3, 5, 0])
    on_road = shapely.line_interpolate_point(graph.edge_shapes[found.edge], found.along_m)
    np.testing.assert_allclose(shapely.get_coordinates(on_road), [(10, 0), (40, 60), (0, 0), (40, 0)], atol=1e-9)


def test_two_points_on_one_piece_go_along_it_or_round():
    graph = graph_of(LineString([(0, 0), (0, 90), (100, 90), (100, 0)]), LineString([(0, 0), (100, 0)]))
    assert distance(graph, (0, 10), (0, 70)) == pytest.approx(60)
    assert distance(graph, (0, 10), (100, 10)) == pytest.approx(120)
    assert distance(graph, (20, 0), (20, 0)) == 0 and route(graph, (20, 0), (20, 0)).is_empty


def test_no_road_leads_there_or_it_is_too_far():
    graph = graph_of(*CROSS, LineString([(500, 0), (500, 90)]))
    assert distance(graph, (0, 0), (500, 0)) == np.inf and route(graph, (0, 0), (500, 0)).is_empty
    assert distance(graph, (0, 0), (40, 70), limit_m=110.5) == pytest.approx(110)
    assert distance(graph, (0, 0), (40, 70), limit_m=109.5) == np.inf


def random_lines(seed, count=40):
    random = np.random.default_rng(seed)
    starts = random.uniform(0, 1000, (count, 1, 2))
    return objects([LineString(line) for line in starts + np.cumsum(random.normal(0, 120, (count, 6, 2)), axis=1)])


@pytest.mark.parametrize("seed", range(5))
def test_distances_and_routes_hang_together(seed):
    """A route is as long as the distance and lies on roads; no detour is shorter; more roads make no way longer."""
    lines = random_lines(seed)
    graph = graph_of(*lines)
    points = np.random.default_rng(seed + 99).uniform(0, 1000, (30, 2))
    found = places(graph, *points)
    apart = road_distances(graph, found)
    on_road = shapely.line_interpolate_point(graph.edge_shapes[found.edge], found.along_m)
    straight = shapely.distance(on_road[:, None], on_road[None])
    np.testing.assert_allclose(apart, apart.T, atol=1e-6)
    assert (apart >= straight - 1e-6).all()
    assert (apart[:, :, None] <= apart[:, None, :] + apart.T[None] + 1e-6).all()
    network = shapely.union_all(graph.edge_shapes)
    for a, b in ((0, 1), (2, 3), (4, 5), (6, 7)):
        way = road_routes(graph, found, np.array([a, b]))[0]
        if np.isfinite(apart[a, b]):
            assert way.length == pytest.approx(apart[a, b], abs=0.05)
            assert way.difference(network.buffer(0.05)).is_empty
            assert Point(way.coords[0]).distance(on_road[a]) < 0.01 > Point(way.coords[-1]).distance(on_road[b])
    fewer = graph_of(*lines[:25])
    there = locate(fewer, on_road)
    known = there.distance_m < 0.001
    less = road_distances(fewer, there.take(np.flatnonzero(known)))
    assert (apart[np.ix_(known, known)] <= less + 0.05).all()


@pytest.mark.parametrize("seed", range(3))
def test_the_order_and_direction_of_the_lines_change_nothing(seed):
    lines = random_lines(seed)
    order = np.random.default_rng(seed).permutation(len(lines))
    one, other = graph_of(*lines), graph_of(*shapely.reverse(lines[order]))
    assert one.edge_length_m.sum() == pytest.approx(other.edge_length_m.sum(), abs=0.01)
    ends = [(0, 0), (900, 100), (200, 800), (500, 500)]
    np.testing.assert_allclose(
        road_distances(one, places(one, *ends)), road_distances(other, places(other, *ends)), atol=0.05
    )


def test_wet_weather_follows_all_year_roads_only():
    # A highway, a lane that joins it, a dry track off the lane, and an all-year yard road behind the track.
    graph = graph_of(
        LineString([(0, 0), (1000, 0)]), LineString([(500, 0), (500, 300)]), LineString([(500, 300), (500, 500)]),
        LineString([(500, 500), (600, 500)]), LineString([(500, 500), (500, 900)]),
        trucks=["yes", "yes", "dry", "yes", "dry"],
    )  # fmt: skip
    wet = all_weather(graph)
    by_road = {int(road): bool(fit) for road, fit in zip(graph.edge_road, wet, strict=True)}
    assert by_road == {0: True, 1: True, 2: False, 3: False, 4: False}
    only = graph.take(wet)
    assert distance(only, (0, 0), (500, 300)) == pytest.approx(800)
    assert set(only.edge_road) == {0, 1}


def test_a_second_all_year_network_counts_where_it_leaves_the_land():
    lines = LineString([(0, 0), (1000, 0)]), LineString([(500, 400), (500, 700)])
    graph = graph_of(*lines, trucks=["yes", "yes"])
    assert all_weather(graph).all()  # the second is the northernmost of all
    inner = graph_of(*lines, LineString([(500, 700), (500, 706)]), trucks=["yes", "yes", "dry"])
    assert all_weather(inner).tolist() == (inner.edge_road == 0).tolist()
    assert all_weather(inner, (0, 0, 1000, 700)).tolist() == (inner.edge_road != 2).tolist()


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_network_that_ends_a_gap_short_of_the_rim_reaches_it(turn):
    lines = LineString([(0, 0), (1000, 0)]), LineString([(500, 400), (500, 700)])
    for beyond_m, reaches in ((4, True), (6, False)):
        dry = LineString([(500, 700), (500, 700 + beyond_m)])
        turned = shapely.affinity.rotate(shapely.GeometryCollection([*lines, dry]), turn, origin=(0, 0))
        graph = graph_of(*turned.geoms, trucks=["yes", "yes", "dry"])
        assert all_weather(graph)[graph.edge_road == 1].tolist() == [reaches]


def test_the_longest_network_is_by_length_not_by_pieces():
    comb = [LineString([(x, 300), (x, 320)]) for x in range(410, 600, 20)]
    frame = LineString([(0, -500), (0, 900), (1400, 900), (1400, -500), (0, -500)])
    graph = graph_of(
        LineString([(100, 0), (1300, 0)]), LineString([(400, 300), (600, 300)]), *comb, frame,
        trucks=["yes"] * (2 + len(comb)) + ["dry"],
    )  # fmt: skip
    assert all_weather(graph).tolist() == (graph.edge_road == 0).tolist()


def test_fifty_thousand_segments_and_500_by_500_distances_in_a_minute():
    count, step_m = 159, 250.0
    at = np.arange(count) * step_m
    jitter = np.random.default_rng(3).normal(0, 20, (2, count, count))
    x_m, y_m = at[:, None] + jitter[0], at[None] + jitter[1]
    lines = [*np.stack([x_m, y_m], 2), *np.stack([x_m.T, y_m.T], 2)]
    roads = roads_of(*(LineString(line) for line in lines))
    assert sum(len(line) - 1 for line in lines) >= 50_000
    began = time.perf_counter()
    graph = build_road_graph(roads, SNAP_M)
    found = places(graph, *np.random.default_rng(4).uniform(0, at[-1], (500, 2)))
    apart = road_distances(graph, found)
    assert time.perf_counter() - began < 60
    assert np.isfinite(apart).all() and len(graph.node_x_m) == count**2
