"""The nearest truck road."""

import numpy as np
import shapely
from shapely import LineString, MultiLineString

from allocator.sites.roads import TruckRoads
from tests.builders import make_settings, make_study, objects


def roads_of(*lines, trucks=None, **sites):
    cover = np.zeros((2, 2), np.uint8)
    settings = make_settings(sites=sites)
    return TruckRoads(make_study(cover, [shapely.box(0, 0, 20, 20)], roads=lines, trucks=trucks, settings=settings))


def nearest(points, roads):
    return roads.nearest(np.asarray(shapely.points(np.array(points, float))))


def test_by_hand():
    roads = roads_of(LineString([(0, 0), (100, 0)]), LineString([(0, 50), (100, 50), (100, 90)]))
    found = nearest([(30, 10), (30, 40), (120, 70), (-3, -4)], roads)
    assert found.road.tolist() == [0, 1, 1, 0]
    assert found.distance_m.tolist() == [10, 10, 20, 5]
    assert found.x_m.tolist() == [30, 30, 100, 0]
    assert found.y_m.tolist() == [0, 50, 70, 0]


def test_roads_closed_to_trucks_do_not_count_and_dry_ones_do():
    roads = roads_of(
        LineString([(0, 1), (9, 1)]), LineString([(0, 3), (9, 3)]), LineString([(0, 9), (9, 9)]),
        trucks=["no", "dry", "yes"],
    )  # fmt: skip
    found = nearest([(5, 0), (5, 8)], roads)
    assert found.road.tolist() == [1, 2]
    assert found.distance_m.tolist() == [3, 1]


def test_dry_weather_roads_count_only_where_the_settings_say_so():
    lines = LineString([(0, 3), (9, 3)]), LineString([(0, 9), (9, 9)])
    found = nearest([(5, 0)], roads_of(*lines, trucks=["dry", "yes"], dry_weather_roads="no"))
    assert found.road.tolist() == [1]
    assert found.distance_m.tolist() == [9]


def test_of_two_equally_near_the_first_in_the_file():
    one, other = LineString([(0, 0), (9, 0)]), LineString([(0, 10), (9, 10)])
    assert nearest([(4, 5)], roads_of(one, other)).y_m.tolist() == [0]
    assert nearest([(4, 5)], roads_of(other, one)).y_m.tolist() == [10]


def test_a_road_in_several_parts_keeps_its_place():
    parts = MultiLineString([[(0, 0), (9, 0)], [(0, 100), (9, 100), (20, 120)]])
    found = nearest([(20, 121), (3, 2)], roads_of(LineString([(0, 500), (9, 500)]), parts))
    assert found.road.tolist() == [1, 1]
    assert found.distance_m.tolist() == [1, 2]


def test_no_points():
    found = roads_of(LineString([(0, 0), (9, 0)])).nearest(np.empty(0, object))
    assert len(found.road) == len(found.distance_m) == len(found.x_m) == 0


def test_equals_every_distance_to_every_road():
    random = np.random.default_rng(6)
    starts = random.uniform(0, 2000, (60, 2))
    lines = [LineString(np.cumsum(random.normal(0, 80, (9, 2)), axis=0) + start) for start in starts]
    trucks = random.choice(["yes", "dry", "no"], 60).tolist()
    points = random.uniform(-100, 2100, (500, 2))
    found = nearest(points, roads_of(*lines, trucks=trucks))
    usable = np.array([truck != "no" for truck in trucks])
    distance = shapely.distance(shapely.points(points)[:, None], objects(lines)[None])
    distance[:, ~usable] = np.inf
    np.testing.assert_allclose(found.distance_m, distance.min(axis=1), atol=1e-9)
    np.testing.assert_array_equal(found.road, distance.argmin(axis=1))
    foot = shapely.points(found.x_m, found.y_m)
    np.testing.assert_allclose(shapely.distance(foot, shapely.points(points)), found.distance_m, atol=1e-9)
    assert (shapely.distance(foot, objects(lines)[found.road]) < 1e-9).all()
