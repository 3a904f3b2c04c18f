"""Line of sight from the road to the trap's door, against heights worked by hand and scipy's interpolation."""

import numpy as np
import pytest
from scipy import ndimage

from allocator.sites.sight import is_seen
from tests.builders import PASTURE, make_settings, make_study

ROWS, COLUMNS = 10, 22
MIDDLE_Y = 55.0
"""Middle of row 4 of cells of 10 m; the south-west corner of the land is 0, 0."""


def ground(elevation, eye_m=1.5):
    """A study of nothing but elevation in metres."""
    cover = np.full((ROWS, COLUMNS), PASTURE, np.uint8)
    return make_study(cover, [], elevation=elevation, settings=make_settings(sites={"eye_height_m": eye_m}))


def sight(study, trap, road):
    """Whether known and seen, for one trap or for many."""
    ends = np.atleast_2d(np.asarray([trap, road], float).reshape(2, -1, 2).transpose(1, 0, 2).reshape(-1, 4)).T
    known, seen = is_seen(study, *ends)
    assert known.dtype == seen.dtype == bool
    return (bool(known[0]), bool(seen[0])) if ends.shape[1] == 1 else (known, seen)


def level_with(height_m, column=10):
    """Level ground with a ridge along one column, x = 105."""
    elevation = np.zeros((ROWS, COLUMNS))
    elevation[:, column] = height_m
    return elevation


WEST, EAST = (5.0, MIDDLE_Y), (205.0, MIDDLE_Y)


def test_over_level_ground_it_is_seen():
    assert sight(ground(level_with(0.0)), EAST, WEST) == (True, True)


@pytest.mark.parametrize(
    ("ridge_m", "eye_m", "is_in_sight"),
    [(1.0, 1.5, True), (1.5, 1.5, True), (1.51, 1.5, False), (9.0, 1.5, False), (2.0, 2.5, True), (-5.0, 1.5, True)],
)
def test_a_ridge_hides_it_when_higher_than_the_eye_line(ridge_m, eye_m, is_in_sight):
    assert sight(ground(level_with(ridge_m), eye_m), EAST, WEST) == (True, is_in_sight)


@pytest.mark.parametrize(("ridge_m", "is_in_sight"), [(3.4, True), (3.6, False)])
def test_the_line_rises_with_the_ground_of_the_trap(ridge_m, is_in_sight):
    """A trap 4 m up: the line runs from 1.5 m to 5.5 m, over the ridge half way at 3.5 m."""
    elevation = level_with(ridge_m)
    elevation[:, 20:] = 4.0
    assert sight(ground(elevation), EAST, WEST) == (True, is_in_sight)


def test_a_ridge_beside_or_behind_the_line_hides_nothing():
    beside = np.zeros((ROWS, COLUMNS))
    beside[:3] = 50.0
    assert sight(ground(beside), EAST, WEST) == (True, True)
    assert sight(ground(level_with(50.0, column=20)), (155.0, MIDDLE_Y), WEST) == (True, True)


def test_rows_are_counted_from_the_north():
    north = np.zeros((ROWS, COLUMNS))
    north[2] = 50.0  # y = 75
    assert sight(ground(north), (105.0, 95.0), (105.0, 55.0)) == (True, False)
    assert sight(ground(north), (105.0, 15.0), (105.0, 55.0)) == (True, True)


def test_blank_elevation_on_the_line_is_not_known():
    assert sight(ground(level_with(np.nan)), EAST, WEST) == (False, False)
    assert sight(ground(level_with(np.nan, column=0)), EAST, WEST) == (False, False)


def test_blank_elevation_off_the_line_does_not_matter():
    elevation = np.zeros((ROWS, COLUMNS))
    elevation[:3] = elevation[6:] = np.nan
    assert sight(ground(elevation), EAST, WEST) == (True, True)


@pytest.mark.parametrize("edge", ["north", "south"])
def test_blank_ground_beside_a_line_along_the_middle_of_cells_does_not_matter(edge):
    """The nearest four cells count by their weight: those of the next row count nothing here."""
    elevation = np.zeros((ROWS, COLUMNS))
    elevation[slice(4) if edge == "north" else slice(5, None)] = np.nan
    assert sight(ground(elevation), EAST, WEST) == (True, True)


def test_past_the_rim_of_the_elevation_is_not_known():
    assert sight(ground(level_with(0.0)), (230.0, MIDDLE_Y), WEST) == (False, False)


def test_without_elevation_it_is_not_known():
    assert sight(ground(None), EAST, WEST) == (False, False)


def test_no_traps():
    none = np.empty(0)
    assert [part.tolist() for part in is_seen(ground(level_with(0.0)), none, none, none, none)] == [[], []]


def test_a_trap_at_the_foot_of_the_road_is_seen():
    assert sight(ground(level_with(3.0)), (100.0, 50.0), (100.0, 50.0)) == (True, True)


def centres():
    return np.meshgrid((np.arange(COLUMNS) + 0.5) * 10, (ROWS - np.arange(ROWS) - 0.5) * 10)


def random_ends(count, seed):
    """Traps and road points at least half a cell inside the rim."""
    random = np.random.default_rng(seed)
    trap, road = random.uniform([5, 5], [COLUMNS * 10 - 5.01, ROWS * 10 - 5.01], (2, count, 2))
    return trap, road


@pytest.mark.parametrize(("by_x", "by_y"), [(1 / 32, 0.0), (0.0, 1 / 16), (1 / 8, -3 / 64)])
def test_a_plane_is_interpolated_exactly(by_x, by_y):
    """Over z = ax + by the ground lies under the line by the height of the eye everywhere, were it a hair."""
    x, y = centres()
    known, seen = sight(ground(by_x * x + by_y * y, eye_m=1e-9), *random_ends(60, seed=1))
    assert known.all()
    assert seen.all()


@pytest.mark.parametrize(("rise_m", "eye_m", "is_in_sight"), [(-80, 2.35, True), (-80, 2.33, False), (80, 0.01, True)])
def test_the_hump_of_a_twisted_surface(rise_m, eye_m, is_in_sight):
    """Over z = xy / 1024, along a line of dx by dy, the ground stands dx dy / 4096 under the line half way.

    For 120 m by -80 m that is a hump of 2.34 m; for 120 m by 80 m a hollow. It is exact between four cells.
    """
    x, y = centres()
    start = np.array([40.0, 90.0 if rise_m < 0 else 10.0])
    assert sight(ground(x * y / 1024, eye_m), start + np.array([120, rise_m]), start) == (True, is_in_sight)


@pytest.mark.parametrize("seed", range(5))
def test_against_dense_looks_at_the_ground_by_scipy(seed):
    """Lines looked at 400 times each; those that graze the ground by under 10 cm are left to the choice of looks."""
    random = np.random.default_rng(seed)
    elevation = (ndimage.gaussian_filter(random.normal(size=(ROWS, COLUMNS)), 1.5) * 8).astype(np.float32)
    trap, road = random_ends(150, seed)
    along = np.linspace(0, 1, 401)[:, None]
    x, y = (road[:, at] + along * (trap - road)[:, at] for at in (0, 1))
    height = ndimage.map_coordinates(elevation.astype(float), [ROWS - y / 10 - 0.5, x / 10 - 0.5], order=1)
    over = (height - height[0] - along * (height[-1] - height[0])).max(axis=0) - 0.8
    known, seen = sight(ground(elevation, eye_m=0.8), trap, road)
    assert known.all()
    clear = np.abs(over) > 0.1
    assert clear.mean() > 0.8
    assert 0.1 < seen.mean() < 0.9
    np.testing.assert_array_equal(seen[clear], over[clear] < 0)


def test_seen_both_ways_or_neither():
    elevation = np.random.default_rng(3).normal(0, 1, (ROWS, COLUMNS))
    trap, road = random_ends(100, seed=4)
    there, back = sight(ground(elevation), trap, road)[1], sight(ground(elevation), road, trap)[1]
    np.testing.assert_array_equal(there, back)
    assert 0 < there.mean() < 1
