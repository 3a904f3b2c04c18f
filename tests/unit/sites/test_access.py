"""Ways on foot from truck roads to spots: lengths worked by hand, and laws measured anew with shapely.

Unless said otherwise cells are 10 m, the land is 400 m by 200 m of pasture, and a truck road runs along y = 5, through
the middle of the lowest row of cells and on beyond the land.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from allocator.grid.land import land_reader
from allocator.sites import access
from allocator.sites.access import DETOUR, TOUCH_M, WayFinder
from allocator.sites.roads import TruckRoads
from allocator.sites.spots import Spots
from tests.builders import CLASSES, FOREST, PASTURE, SWAMP, WATER, make_settings, make_study, parcels, rough_land

ROAD = LineString([(-500, 5), (900, 5)])
ROOT = float(np.sqrt(2))
FAR = 1000
"""Lines and strips that run so far past the land have no end to walk round."""


def pasture(rows=20, columns=40):
    return np.full((rows, columns), PASTURE, np.uint8)


EVERYWHERE = box(-FAR, -FAR, FAR, FAR)


def land(cover=None, shapes=(EVERYWHERE,), **more):
    """The land of this file's first lines; sections of settings go in as ``sites``."""
    sites = more.pop("sites", {})
    return make_study(
        pasture() if cover is None else cover, shapes, **({"roads": [ROAD]} | more), settings=make_settings(sites=sites)
    )


def ways_to(study, points, furthest_m=60.0):
    """Ways to points, given as rows of x and y."""
    x_m, y_m = np.asarray(points, float).reshape(-1, 2).T
    column, row = (part.astype(np.int64) for part in map(np.floor, study.grid.to_cells(x_m, y_m)))
    whole, real = np.zeros(len(row), np.int64), np.full(len(row), np.nan)
    spots = Spots(row, column, whole, real, real, real, whole, whole, real, real)
    finder = WayFinder(land_reader(study), TruckRoads(study))
    return finder.ways(spots, np.asarray(shapely.points(x_m, y_m)).reshape(len(row)), furthest_m=furthest_m)


def way(study, x_m, y_m, furthest_m=60.0):
    """Length and line of the way to one point."""
    found = ways_to(study, [(x_m, y_m)], furthest_m)
    assert found.length_m.shape == found.path.shape == (1,)
    return found.length_m[0], found.path[0]


def near_road(study, furthest_m=60.0):
    """Centres of all cells of the land within a distance of a truck road."""
    row, column = np.divmod(np.arange(study.grid.rows * study.grid.columns), study.grid.columns)
    centres = np.stack(study.grid.centres(row, column), axis=1)
    roads = shapely.union_all(study.roads.shapes[study.truck_roads])
    return centres[shapely.distance(shapely.points(centres), roads) <= furthest_m]


def assert_same(some, others):
    np.testing.assert_allclose(some.length_m, others.length_m, rtol=0, atol=1e-9)
    none = shapely.is_missing(some.path)
    np.testing.assert_array_equal(none, shapely.is_missing(others.path))
    assert shapely.equals_exact(some.path, others.path, 1e-9)[~none].all()


def test_over_open_ground_it_runs_straight_from_the_road():
    length, path = way(land(), 205, 55)
    assert shapely.get_coordinates(path).tolist() == [[205, y] for y in range(5, 65, 10)]
    assert length == 50


def test_it_ends_at_the_spot_not_at_the_middle_of_its_cell():
    length, path = way(land(), 207, 53)
    assert shapely.get_coordinates(path)[-1].tolist() == [207, 53]
    assert length == pytest.approx(40 + np.hypot(2, 8))


def test_a_spot_in_the_cell_of_the_road_is_reached_at_once():
    length, path = way(land(), 202, 8)
    assert shapely.get_coordinates(path).tolist() == [[202, 5], [202, 8]]
    assert length == pytest.approx(3)


def test_no_spots_no_ways():
    found = ways_to(land(), np.empty((0, 2)))
    assert len(found.length_m) == len(found.path) == 0


CREEK_Y = 32.0
ENDLESS_CREEK = LineString([(-FAR, CREEK_Y), (FAR, CREEK_Y)])


def test_it_goes_round_the_end_of_a_creek():
    """Three steps east and two down askew bring it past the last creek cell (240 to 250 m), three more to the road."""
    creek = LineString([(-FAR, CREEK_Y), (248, CREEK_Y)])
    length, path = way(land(water=[creek]), 205, 55)
    assert length == pytest.approx(60 + 20 * ROOT)
    assert not path.intersects(creek)
    assert path.coords[0] == (255, 5)


def test_a_creek_without_an_end_leaves_no_way():
    length, path = way(land(water=[ENDLESS_CREEK]), 205, 55)
    assert (length, path) == (np.inf, None)


def test_wetland_shapes_do_not_stop_it():
    swamp = box(-FAR, 22, FAR, 48)
    assert way(land(water=[swamp], water_kinds_of_shapes=["wetland"]), 205, 55)[0] == 50
    assert way(land(water=[swamp], water_kinds_of_shapes=["seasonal"]), 205, 55)[0] == np.inf


ROUND_POND_M = 80 + 20 * ROOT
"""From row 13, column 20, to either side of columns 15 to 25 in rows 15 to 17: 4 steps aside, 2 askew, 4 down."""


def test_it_goes_round_a_pond():
    pond = box(152, 22, 258, 48)
    length, path = way(land(water=[pond]), 205, 65)
    assert length == pytest.approx(ROUND_POND_M)
    assert not path.intersects(pond)


def test_it_goes_round_water_of_the_land_cover():
    cover = pasture()
    cover[15:18, 15:26] = WATER
    assert way(land(cover), 205, 65)[0] == pytest.approx(ROUND_POND_M)
    cover[15:18] = WATER
    cover[15:18, 10] = SWAMP
    length, path = way(land(cover), 205, 65)
    assert length > ROUND_POND_M
    assert path.intersects(LineString([(105, 20), (105, 50)]))


DIAMOND = [(200, 100), (160, 60), (200, 20), (240, 60), (200, 100)]
"""Runs askew through corners of cells only."""


@pytest.mark.parametrize("shift", [0.0, 0.01, -0.01, 3.0])
def test_creeks_askew_do_not_leak_at_corners(shift):
    creek = shapely.transform(LineString(DIAMOND), lambda xy: xy + shift)
    assert way(land(water=[creek]), 195, 65)[0] == np.inf


def test_through_the_gap_of_a_creek_askew():
    """Open from (240, 60) down to (200, 20): the way leaves there; a step between two creek cells would end in none."""
    creek = LineString([*DIAMOND[-2:], *DIAMOND[1:3]])
    length, path = way(land(water=[creek]), 195, 65)
    assert 60 < length < 90
    assert not path.intersects(creek)
    assert path.intersects(LineString([(201, 21), (239, 59)]))


def test_water_cells_askew_do_not_leak_at_corners():
    cover = pasture()
    for row, column in [(13, 20), (14, 19), (15, 18), (16, 19), (17, 20), (16, 21), (15, 22), (14, 21)]:
        cover[row, column] = WATER
    assert way(land(cover), 205, 45)[0] == np.inf
    cover[16, 21] = PASTURE
    assert way(land(cover), 205, 45)[0] == pytest.approx(10 + 10 * ROOT + 20)


def strip_land(strip, cover=None, **more):
    """Enrolled land with a strip that is not."""
    return land(cover, [EVERYWHERE - strip, strip], enrolled=[True, False], **more)


def test_it_goes_round_land_not_enrolled():
    """From row 13, past column 24 in rows 15 and 16: 3 aside, 2 askew, 4 down."""
    strip = box(-FAR, 30, 250, 50)
    length, path = way(strip_land(strip), 205, 65)
    assert length == pytest.approx(70 + 20 * ROOT)
    assert path.intersection(strip).length == 0


def test_land_not_enrolled_all_along_leaves_no_way():
    assert way(strip_land(box(-FAR, 30, FAR, 50)), 205, 65)[0] == np.inf


@pytest.mark.parametrize("strip", [(12, 20), (31, 35)], ids=["just past the verge", "under half a cell wide"])
def test_it_goes_round_thin_strips_not_enrolled(strip):
    """7 to 15 m from the road, all of it in cells that reach into the verge of 10 m; and 4 m wide, further off."""
    foreign = box(-FAR, strip[0], 250, strip[1])
    length, path = way(strip_land(foreign), 205, 65)
    assert 75 < length < 110
    assert path.intersection(foreign).length <= TOUCH_M


def test_ground_of_no_known_owner_and_enrolled_ground_that_another_claims_is_walked():
    assert way(land(None, [box(0, 100, 400, 200)]), 205, 55)[0] == 50
    both = [EVERYWHERE, box(-FAR, 30, FAR, 50)]
    assert way(land(None, both, enrolled=[True, False]), 205, 65)[0] == 60


@pytest.mark.parametrize(
    ("verge_m", "top_m", "is_way"),
    [(10.0, 15, True), (10.0, 17, False), (13.0, 17, True), (30.0, 34, True), (30.0, 37, False), (0.0, 15, False)],
)
def test_the_verge_of_the_road_is_walked_whoever_owns_it(verge_m, top_m, is_way):
    """Land not enrolled from far south of the road, at y = 5, up to a line."""
    study = strip_land(box(-FAR, -FAR, FAR, top_m), sites={"road_verge_m": verge_m})
    assert way(study, 205, 65)[0] == (60 if is_way else np.inf)


NARROW = box(-FAR, 26, 208, 34) | box(210, 26, FAR, 34)


def test_where_only_the_straight_line_is_clear_it_counts():
    """A gap of 2 m in a strip not enrolled: no way up the middle of cells hits it, straight to the spot does."""
    length, path = way(strip_land(NARROW), 209, 65)
    assert shapely.get_coordinates(path).tolist() == [[209, 5], [209, 65]]
    assert length == 60


def test_the_straight_line_does_not_count_through_water_of_the_land_cover():
    cover = pasture()
    cover[14, 15:26] = WATER
    assert way(strip_land(NARROW, cover), 209, 65)[0] == np.inf


def test_ground_may_be_nicked_by_less_than_coordinates_are_good_for():
    def by(nick_m):
        return way(strip_land(box(-FAR, 30, FAR, 30 + nick_m)), 205, 65)[0]

    assert by(0.9 * TOUCH_M) == 60
    assert by(1.1 * TOUCH_M) == np.inf


@pytest.mark.parametrize(("closed", "length_m"), [(1.2, 70), (4.0, 60 + 20 * ROOT)])
def test_a_wood_is_crossed_or_gone_round_whichever_is_cheaper(closed, length_m):
    """From row 12: straight through three rows of closed cover 40 + 30 closed; round it 60 + 20 sqrt 2 = 88.3.

    The outermost cells of the wood are partial shade, here as cheap as open ground.
    """
    cover = pasture()
    cover[13:18, 5:24] = FOREST
    study = land(cover, sites={"access_cost": {"partial": 1.0, "closed": closed}})
    assert way(study, 205, 75, furthest_m=70)[0] == pytest.approx(length_m)


BOG = (*CLASSES, replace(CLASSES[PASTURE], water="wetland", shade="closed"))


@pytest.mark.parametrize(("wetland", "length_m"), [(1.5, 60), (4.0, 50 + 20 * ROOT)])
def test_a_wetland_is_crossed_or_gone_round_whichever_is_cheaper(wetland, length_m):
    """From row 13: straight through two rows of wetland 40 + 20 wetland; round its end 50 + 20 sqrt 2 = 78.3.

    The wetland is closed cover, which alone would cost no more than open ground here.
    """
    cover = pasture()
    cover[15:17, :23] = len(CLASSES)
    costs = {"partial": 1.0, "closed": 1.0, "wetland": wetland}
    study = land(cover, classes=BOG, sites={"access_cost": costs})
    assert way(study, 205, 65)[0] == pytest.approx(length_m)


def ridge(height_m):
    """A ridge two cells wide along rows 15 and 16 that ends at x = 230."""
    elevation = np.zeros((20, 40), np.float32)
    elevation[15:17, :23] = height_m
    return elevation


def test_a_steep_ridge_is_gone_round_a_gentle_one_crossed():
    steep, gentle, blank = (way(land(elevation=ridge(height)), 205, 65) for height in (6.0, 0.3, np.nan))
    assert gentle[0] == blank[0] == 60
    assert steep[0] > 60
    assert steep[1].intersects(LineString([(240, 40), (FAR, 40)]))


def test_slope_counts_against_the_slope_limit():
    """A ridge twice as high with a limit twice as steep is the same to walk; with the old limit it is not."""
    points = near_road(land())
    old = ways_to(land(elevation=ridge(0.7)), points)
    assert_same(ways_to(land(elevation=ridge(1.4), sites={"slope_limit_percent": 16.0}), points), old)
    assert not np.allclose(ways_to(land(elevation=ridge(1.4)), points).length_m, old.length_m)


def test_it_starts_from_the_road_that_is_easiest_to_reach():
    roads = [ROAD, LineString([(-500, 195), (900, 195)])]
    assert way(land(roads=roads), 205, 75, furthest_m=70)[0] == 70
    assert way(land(roads=roads, trucks=["no", "yes"]), 205, 75, furthest_m=120)[0] == 120
    length, path = way(land(roads=roads, water=[ENDLESS_CREEK]), 205, 75, furthest_m=80)
    assert length == 120
    assert path.coords[0] == (205, 195)


def test_roads_fit_for_dry_weather_count_as_the_setting_says():
    roads, trucks = [ROAD, LineString([(-500, 95), (900, 95)])], ["yes", "dry"]
    assert way(land(roads=roads, trucks=trucks, sites={"dry_weather_roads": "yes"}), 205, 65)[0] == 30
    assert way(land(roads=roads, trucks=trucks, sites={"dry_weather_roads": "no"}), 205, 65)[0] == 60


@pytest.mark.parametrize(("furthest_m", "is_way"), [(60.0, False), (70.0, True)])
def test_it_keeps_near_the_road(furthest_m, is_way):
    """A creek like a cup, open above row 10: over its rim a way is 100 m from the road, within 1.5 x 70 m only."""
    cup = LineString([(153, 98), (153, 22), (257, 22), (257, 98)])
    assert DETOUR == 1.5
    length, path = way(land(water=[cup]), 205, 65, furthest_m)
    assert np.isfinite(length) == is_way
    assert path is None or path.bounds[3] == 105


def test_a_spot_further_than_the_way_may_run_has_none():
    assert ways_to(land(), [(205, 155), (205, 55)]).length_m.tolist() == [np.inf, 50]


@pytest.mark.parametrize("point", [(205, 33), (205, 185)], ids=["in a cell of a creek", "no road anywhere near"])
def test_none_of_the_spots_asked_for_has_a_way(point):
    length, path = way(land(water=[ENDLESS_CREEK]), *point)
    assert (length, path) == (np.inf, None)


def test_on_cells_of_30_m():
    """Road along y = 15; the creek ends in column 7, so: 1 aside, 1 askew, 1 askew past its end, 2 down."""
    cover, road = np.full((10, 20), PASTURE, np.uint8), [LineString([(-500, 15), (900, 15)])]
    assert way(land(cover, cell_m=30.0, roads=road), 165, 135, furthest_m=120)[0] == 120
    creek = LineString([(-FAR, 80), (235, 80)])
    length, path = way(land(cover, cell_m=30.0, roads=road, water=[creek]), 165, 135, furthest_m=120)
    assert length == pytest.approx(30 + 60 * ROOT + 60)
    assert not path.intersects(creek)


def rough_study(seed, cell_m=10.0, **sites):
    """Rough cover, irregular parcels, some not enrolled, two creeks, a pond, three roads of which one is dry."""
    random = np.random.default_rng(seed)
    tracts = parcels(6, 5, 120.0, seed=seed + 1)
    side = int(700 / cell_m)
    return make_study(
        rough_land(side, side, seed=seed), tracts, cell_m=cell_m, enrolled=random.random(len(tracts)) < 0.7,
        roads=[
            LineString([(0, 330), (300, 250), (699, 305)]), LineString([(400, 0), (401, 600)]),
            LineString([(0, 520), (700, 470)]),
        ],
        trucks=["yes", "yes", "dry"],
        water=[
            LineString([(0, 290), (180, 265), (350, 230)]), LineString([(300, 100), (330, 600)]),
            Point(560, 340).buffer(35), LineString([(100, 480), (250, 540)]),
        ],
        water_kinds_of_shapes=["permanent", "seasonal", "permanent", "wetland"],
        elevation=random.normal(5, 0.3, (side, side)), settings=make_settings(sites=sites),
    )  # fmt: skip


@pytest.mark.parametrize("cell_m", [10.0, 30.0])
@pytest.mark.parametrize("seed", range(4))
def test_measured_anew_every_way_keeps_the_rules(seed, cell_m):
    study = rough_study(seed, cell_m, dry_weather_roads="no", road_verge_m=12.0)
    points = near_road(study)
    found = ways_to(study, points)
    has = np.isfinite(found.length_m)
    assert has.mean() > 1 / 3
    assert shapely.is_missing(found.path[~has]).all()
    paths = found.path[has]
    np.testing.assert_allclose(shapely.length(paths), found.length_m[has], atol=1e-9)
    np.testing.assert_array_equal(shapely.get_coordinates(shapely.get_point(paths, -1)), points[has])
    roads = shapely.union_all(study.roads.shapes[:2])
    assert shapely.distance(shapely.get_point(paths, 0), roads).max() < 1e-6
    assert (found.length_m[has] >= shapely.distance(shapely.points(points[has]), roads) - 1e-9).all()
    # A hair wider than the verge: the buffer is a polygon inside the round.
    past = shapely.difference(paths, roads.buffer(12.05, quad_segs=64))
    lines, pond = shapely.union_all(study.water.shapes[:2]), study.water.shapes[2]
    assert not shapely.intersects(past, lines).any()
    assert shapely.length(shapely.intersection(past, pond)).max() <= TOUCH_M
    is_enrolled = study.properties.enrolled
    own, foreign = (shapely.union_all(study.properties.shapes[which]) for which in (is_enrolled, ~is_enrolled))
    on_foreign = shapely.length(shapely.intersection(past, foreign - own))
    # A way may touch several tracts.
    assert on_foreign.max() <= 4 * TOUCH_M
    assert np.quantile(on_foreign, 0.95) <= TOUCH_M


@pytest.mark.parametrize("block_cells", [3, 16])
@pytest.mark.parametrize("seed", range(3))
def test_blocks_leave_no_trace_in_ways_within_the_limit(monkeypatch, seed, block_cells):
    study = rough_study(seed)
    points = near_road(study)
    whole = ways_to(study, points)
    near = points[whole.length_m <= study.settings.sites.access_limit_m]
    assert len(near) > 200
    whole = ways_to(study, near)
    monkeypatch.setattr(access, "BLOCK_CELLS", block_cells)
    assert_same(ways_to(study, near), whole)


def test_a_way_does_not_hang_on_the_other_spots_asked_for():
    """Within a limit of 300 m: along the creek to its end, 160 m off, and back down to the road."""
    study = land(water=[LineString([(40, CREEK_Y), (FAR, CREEK_Y)])], sites={"access_limit_m": 300.0})
    alone, among = ways_to(study, [(205, 55)]), ways_to(study, [(5, 55), (205, 55)])
    assert among.length_m[1] == pytest.approx(150 + 2 * 10 * ROOT + 30)
    assert alone.length_m[0] == among.length_m[1]
