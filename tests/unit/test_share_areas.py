"""Sums by squares or given areas that the public may see, worked out by hand on small invented plans."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely

from allocator.core.errors import AllocatorError, GeometryError, InputError, OutputError
from allocator.outputs.columns import read_columns
from allocator.outputs.geopackage import GEOMETRY_TYPES
from allocator.share import AUDIENCES, decisions, share_plan
from tests.unit.share_plans import (
    CORNER,
    SIDE_M,
    TO_PLAN,
    areas_file,
    cells_of,
    found_in,
    is_same_ground,
    land,
    pieces,
    shared,
    squares,
    totals_of,
    write_folder,
)


def test_every_column_and_layer_has_an_audience():
    documented = {(one.table, one.column) for one in read_columns()} | {(one, "geometry") for one in GEOMETRY_TYPES}
    assert documented - set(decisions()) == set()
    words = {"partner": {"yes", "no", "no_names", "no_properties"}, "public": {"yes", "no", "summed"}}
    assert all(one[audience] in words[audience] for one in decisions().values() for audience in AUDIENCES)
    assert [key for key, one in decisions().items() if one["public"] == "yes"] == [("cautions", "caution")]


def test_what_is_never_shown_to_a_partner():
    never = "usd|price|reason|name|sha256|path|sighting|damage|quality|habitat_distance|building|enrolled"
    told = {key for key, one in decisions().items() if one["partner"] == "yes" and key[1] != "geometry"}
    assert [key for key in told if re.search(never, key[1])] == []
    tables = {"properties", "sites", "access_paths", "rounds", "round_stops", "calendar", "equipment", "cautions"}
    assert {key[0] for key, one in decisions().items() if one["partner"] != "no"} == tables


# The public: sums by area.


def test_squares_are_merged_until_none_tells_of_few(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 6), (1, 0, 2), (2, 0, 3), (5, 5, 7)))
    copy = shared(tmp_path, plan)
    # 2 is fewest: it goes to its neighbour with 3, not to that with 6. Northern rows come first. 40 acres and 12.5
    # acres of habitat each: 18 give 720 and 225; 5 give 200 and 62.5.
    assert totals_of(copy) == {
        "whole plan": (18, 720, 230, 18), "A1": (7, 280, 90, 7), "A2": (6, 240, 80, 6), "A3": (5, 200, 60, 5),
    }  # fmt: skip
    cells = cells_of(copy)
    assert list(cells) == ["A1", "A2", "A3"] and is_same_ground(cells["A1"], squares((5, 5)))
    assert is_same_ground(cells["A2"], squares((0, 0))) and is_same_ground(cells["A3"], squares((1, 0), (2, 0)))


def test_of_equal_neighbours_the_northern_then_the_western_takes_it(tmp_path):
    cross = ((1, 1, 1), (1, 2, 6), (0, 1, 6), (2, 1, 6), (1, 0, 6))
    cells = cells_of(shared(tmp_path, write_folder(tmp_path / "plan", pieces(*cross))))
    assert is_same_ground(cells["A1"], squares((1, 2), (1, 1)))
    again = tmp_path / "again"
    again.mkdir()
    cells = cells_of(shared(again, write_folder(again / "plan", pieces((1, 1, 1), (0, 1, 6), (2, 1, 6), (1, 0, 6)))))
    assert is_same_ground(cells["A1"], squares((0, 1), (1, 1)))


def test_a_corner_is_enough_to_be_a_neighbour(tmp_path):
    copy = shared(tmp_path, write_folder(tmp_path / "plan", pieces((0, 0, 4), (1, 1, 2))))
    assert totals_of(copy)["A1"][0] == 6 and is_same_ground(cells_of(copy)["A1"], squares((0, 0), (1, 1)))
    assert (copy / "shared.html").read_text().count(">A1</text>") == 2  # each part has the name


def test_a_square_alone_is_left_out_and_counted(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 6), (4, 0, 3), (8, 0, 2), (0, 4, 8)))
    copy = shared(tmp_path, plan)
    told = totals_of(copy)
    assert {name: one[0] for name, one in told.items()} == {"whole plan": 19, "A1": 8, "A2": 6, "elsewhere": 5}
    notes = (copy / "notes.txt").read_text()
    assert "too few lie near each other" in notes and "subtracting" not in notes


def test_a_second_area_is_left_out_where_subtraction_would_tell(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 6), (4, 0, 3), (0, 4, 8)))
    copy = shared(tmp_path, plan)
    told = totals_of(copy)
    assert {name: one[0] for name, one in told.items()} == {"whole plan": 17, "A1": 8, "elsewhere": 9}
    assert told["elsewhere"] == (9, 360, 110, 9)
    assert "subtracting" in (copy / "notes.txt").read_text() and list(cells_of(copy)) == ["A1"]


@pytest.mark.parametrize("seed", range(12))
def test_no_sum_can_be_told_of_fewer(tmp_path, seed):
    """A law: whatever the layout, what is told and what is left by subtraction holds none or enough properties."""
    random = np.random.default_rng(seed)
    places = [(int(x), int(y), int(n)) for x, y, n in random.integers([0, 0, 1], [9, 9, 6], (random.integers(2, 9), 3))]
    places = list({one[:2]: one for one in places}.values())
    least = int(random.integers(3, 7))
    count = sum(one[2] for one in places)
    plan = write_folder(tmp_path / "plan", pieces(*places))
    if count < least:
        with pytest.raises(OutputError):
            share_plan(plan, "public", least=least)
        return
    copy = shared(tmp_path, plan, least=least)
    told = {name: one[0] for name, one in totals_of(copy).items()}
    assert told.pop("whole plan") == count and all(one >= least for one in told.values())
    assert sum(told.values()) in (0, count) and set(cells_of(copy)) == set(told) - {"elsewhere"}
    cells = list(cells_of(copy).values())
    assert all(one.intersection(other).area < 1 for one in cells for other in cells if one is not other)


def test_too_few_in_all_is_refused(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 3)))
    with pytest.raises(OutputError, match=r"3 properties in all.*fewer than 5 \(--least\)"):
        share_plan(plan, "public")
    copy = shared(tmp_path, plan, least=3)
    assert totals_of(copy)["A1"][0] == 3


def test_enough_in_all_but_nowhere_gives_the_totals_only(tmp_path):
    copy = shared(tmp_path, write_folder(tmp_path / "plan", pieces((0, 0, 3), (4, 0, 2), (8, 8, 1))))
    assert totals_of(copy) == {"whole plan": (6, 240, 80, 6)} and cells_of(copy) == {}
    page = (copy / "shared.html").read_text()
    assert "too few properties near each other to share by area" in page and "<svg" not in page


def test_a_property_counts_where_its_largest_part_lies(tmp_path):
    west, south = (CORNER[0] + 1) * SIDE_M, (CORNER[1] + 0.5) * SIDE_M

    def across(east_part_m: float) -> shapely.Polygon:
        shape = shapely.box(west + east_part_m - 1000, south, west + east_part_m, south + 300)
        return shapely.transform(shape, lambda points: np.column_stack(TO_PLAN.transform(*points.T)))

    shapes = [*pieces((0, 0, 5), (1, 0, 5)), across(600), across(400)]
    traps = [1] * 10 + [30, 700]
    told = totals_of(shared(tmp_path, write_folder(tmp_path / "plan", shapes, traps=traps)))
    assert (told["A1"][0], told["A1"][3]) == (6, 705) and (told["A2"][0], told["A2"][3]) == (6, 35)


def test_acres_are_rounded_to_the_nearest_ten(tmp_path):
    acres = [2.999, 3.0, 3.0, 3.0, 3.0]  # 14.999
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 5)), habitat_acres=acres, area_acres=[3.0] * 5)  # 15
    assert totals_of(shared(tmp_path, plan))["A1"] == (5, 20, 10, 5)


def test_the_grid_does_not_move_with_the_land(tmp_path):
    for name, more in (("near", ()), ("far", ((30, 20, 6),))):
        (tmp_path / name).mkdir()
        copy = shared(tmp_path / name, write_folder(tmp_path / name / "plan", pieces((3, 2, 6), *more)))
        assert any(is_same_ground(one, squares((3, 2))) for one in cells_of(copy).values())
    assert "30 N, 60 W" in (copy / "notes.txt").read_text()


def test_given_areas_take_the_place_of_squares(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 6), (0, 1, 2), (5, 5, 7), (9, 9, 5)))
    given = areas_file(tmp_path / "a.gpkg", [squares((0, 0)), squares((0, 1), (1, 1)), squares((5, 5))], "EPSG:4326")
    copy = shared(tmp_path, plan, areas=given)
    told = {name: one[0] for name, one in totals_of(copy).items()}
    assert told == {"whole plan": 20, "A1": 7, "A2": 8, "elsewhere": 5}  # 2 go to their neighbour; 5 lie in no area
    assert is_same_ground(cells_of(copy)["A2"], squares((0, 0), (0, 1), (1, 1)))
    assert found_in(copy, ["Xanderby", "a.gpkg"]) == set()
    assert "or in no area of the file" in " ".join((copy / "notes.txt").read_text().split())


def test_what_lies_mostly_outside_the_areas_is_elsewhere(tmp_path):
    plan = write_folder(tmp_path / "plan", [*pieces((0, 0, 10)), *(land(0.93, 0, 14 * n, 900) for n in range(1, 6))])
    copy = shared(tmp_path, plan, areas=areas_file(tmp_path / "a.gpkg", [squares((0, 0))]))
    assert {name: one[0] for name, one in totals_of(copy).items()} == {"whole plan": 15, "A1": 10, "elsewhere": 5}


@pytest.mark.parametrize(("write", "kind", "words"), [
    (lambda path: None, InputError, "found no file"),
    (lambda path: areas_file(path, [shapely.Point(0, 0)]), GeometryError, "found no polygons"),
    (lambda path: areas_file(path, []), AllocatorError, "found no polygons"),
    (lambda path: path.write_bytes(b"no map"), InputError, "cannot be read"),
    (lambda path: path.write_bytes(b""), InputError, "empty"),
])  # fmt: skip
def test_areas_that_cannot_be_used(tmp_path, write: Callable[[Path], object], kind, words):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 5)))
    write(tmp_path / "a.gpkg")
    with pytest.raises(kind, match=words) as raised:
        share_plan(plan, "public", areas=str(tmp_path / "a.gpkg"))
    assert len(raised.value.messages) == 1 and "a.gpkg" in str(raised.value)


# Nothing else is in any byte.
