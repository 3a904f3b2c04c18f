"""Land cover from polygons or cells, and which cells are water."""

from dataclasses import replace

import numpy as np
import shapely
from shapely import box

from allocator.core.grid import Window
from allocator.core.study import BLANK_CLASS, PolygonCover
from allocator.grid.cover import cover_source
from allocator.grid.targets import Target
from tests.builders import FOREST, PASTURE, SWAMP, WATER, make_study, objects

WHERE = [box(0, 0, 30, 30)]


def polygon_study(shapes, positions):
    study = make_study(np.zeros((3, 3), np.uint8), WHERE)
    return replace(study, cover=PolygonCover(objects(shapes), np.array(positions, np.uint8)))


def test_of_two_polygons_that_overlap_the_later_counts():
    study = polygon_study([box(0, 0, 20, 30), box(10, 0, 30, 20)], [SWAMP, PASTURE])
    expected = [[SWAMP, SWAMP, BLANK_CLASS], [SWAMP, PASTURE, PASTURE], [SWAMP, PASTURE, PASTURE]]
    np.testing.assert_array_equal(cover_source(study).cover(study.grid.window), expected)
    turned = polygon_study([box(10, 0, 30, 20), box(0, 0, 20, 30)], [PASTURE, SWAMP])
    expected = [[SWAMP, SWAMP, BLANK_CLASS], [SWAMP, SWAMP, PASTURE], [SWAMP, SWAMP, PASTURE]]
    np.testing.assert_array_equal(cover_source(turned).cover(turned.grid.window), expected)


def test_a_later_polygon_of_a_blank_class_blanks_what_lies_below():
    study = polygon_study([box(0, 0, 30, 30), box(10, 10, 20, 20)], [SWAMP, BLANK_CLASS])
    cover = cover_source(study).cover(study.grid.window)
    assert cover[1, 1] == BLANK_CLASS
    assert (cover == SWAMP).sum() == 8


def test_a_polygon_counts_where_it_holds_the_centre():
    study = polygon_study([box(0, 16, 14, 30)], [FOREST])
    expected = np.full((3, 3), BLANK_CLASS)
    expected[0, 0] = FOREST  # centre 5, 25; the next, 15, 25, lies outside; the one below, 5, 15, too
    np.testing.assert_array_equal(cover_source(study).cover(study.grid.window), expected)


def test_outside_the_cover_is_blank():
    study = make_study(np.full((3, 3), SWAMP, np.uint8), WHERE)
    cover = cover_source(study).cover(Window(-1, -1, 5, 5))
    assert (cover[1:-1, 1:-1] == SWAMP).all()
    assert (cover == BLANK_CLASS).sum() == 16


def water_of(study):
    source = cover_source(study)
    lake = Target("water", ("permanent",))
    return source.marked(lake, study.grid.window, source.cover(study.grid.window)).astype(int)


def test_water_is_every_cell_of_a_water_class():
    cover = np.array([[SWAMP, WATER, SWAMP], [BLANK_CLASS, SWAMP, WATER], [SWAMP] * 3], np.uint8)
    np.testing.assert_array_equal(water_of(make_study(cover, WHERE)), [[0, 1, 0], [0, 0, 1], [0, 0, 0]])


def test_water_is_every_cell_that_a_line_or_a_polygon_touches():
    cover = np.full((3, 3), SWAMP, np.uint8)
    line = make_study(cover, WHERE, water=[shapely.LineString([(1, 29), (12, 29)])])
    np.testing.assert_array_equal(water_of(line), [[1, 1, 0], [0, 0, 0], [0, 0, 0]])
    pond = make_study(cover, WHERE, water=[box(8, 8, 22, 22)])  # inside and rim
    np.testing.assert_array_equal(water_of(pond), np.ones((3, 3)))
    pool = make_study(cover, WHERE, water=[box(11, 11, 12, 12)])  # misses the centre of its cell
    np.testing.assert_array_equal(water_of(pool), [[0, 0, 0], [0, 1, 0], [0, 0, 0]])


def test_lines_polygons_and_classes_of_water_add_up():
    cover = np.full((3, 3), SWAMP, np.uint8)
    cover[2, 2] = WATER
    both = make_study(cover, WHERE, water=[shapely.LineString([(1, 29), (2, 29)]), box(21, 21, 22, 22)])
    np.testing.assert_array_equal(water_of(both), [[1, 0, 1], [0, 0, 0], [0, 0, 1]])


def test_no_water_shapes_is_no_water():
    assert water_of(make_study(np.full((3, 3), SWAMP, np.uint8), WHERE, water=[])).sum() == 0
