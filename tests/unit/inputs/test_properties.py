"""Property boundaries: one valid shape for each id, who has signed, what was repaired."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from allocator.core.crs import local_equal_area
from allocator.core.errors import GeometryError, InputError
from allocator.core.settings import PropertiesInput
from allocator.core.study import Properties
from allocator.core.units import acres
from allocator.inputs.boundaries import keep_kinds, polygons_from_tracks
from allocator.inputs.properties import overlaps_between, read_properties
from tests.unit.inputs.small_inputs import ALBERS, square, tracts, write

BOW_TIE = shapely.Polygon([(0, 0), (1000, 1000), (1000, 0), (0, 1000)])
"""Two triangles of 250,000 m2 each that meet in one point."""


def read(folder, frame, **setting):
    write(frame, folder / "tracts.gpkg")
    return read_properties(PropertiesInput(path="tracts.gpkg", **setting), folder)


def told(problems, severity):
    return " ".join(p.message for p in problems if p.severity == severity)


def test_sorted_by_id_with_names_and_signatures(tmp_path):
    frame = tracts(owner=["a", None, "c", "d"], signed=["Yes", "n", "1", "FALSE"])
    frame["tract"] = ["T9", "T10", "T2", "T1"]
    table, problems = read(tmp_path, frame, id="tract", name="owner", enrolled="signed")
    assert table.ids == ("T1", "T10", "T2", "T9")
    assert table.names == ("d", "T10", "c", "a")
    assert table.enrolled.tolist() == [False, False, True, True]
    assert not problems


def test_without_an_id_column_rows_are_numbered_in_equal_width(tmp_path):
    shapes = [square(n, 0) for n in range(12)]
    table, problems = read(tmp_path, gpd.GeoDataFrame(geometry=shapes, crs=ALBERS))
    assert table.ids[0] == "01" and table.ids[-1] == "12"
    assert table.enrolled.all()
    assert "12 records numbered by row" in told(problems, "warning")


@pytest.mark.parametrize("values", [[1.0, 2.0, 3.0, 40.0], [1, 2, 3, 40]])
def test_ids_that_are_numbers_print_as_whole_numbers(tmp_path, values):
    frame = tracts()
    frame["tract"] = values
    assert read(tmp_path, frame, id="tract")[0].ids == ("1", "2", "3", "40")


def test_a_blank_id_is_refused(tmp_path):
    frame = tracts()
    frame["tract"] = ["T1", None, " ", "T4"]
    with pytest.raises(InputError, match="blank in 2 records: record 2, record 3"):
        read(tmp_path, frame, id="tract")


@pytest.mark.parametrize("values", [[True, False, True, False], pd.array([True, False, True, False], dtype="boolean")])
def test_true_and_false_in_the_enrolled_column(tmp_path, values):
    assert read(tmp_path, tracts(signed=values), id="tract", enrolled="signed")[0].enrolled.sum() == 2


def test_enrolled_values_that_are_neither(tmp_path):
    with pytest.raises(InputError, match=r"neither yes nor no in 2 records: T2 \('maybe'\), T4 \('2'\)"):
        read(tmp_path, tracts(signed=["yes", "maybe", "no", "2"]), id="tract", enrolled="signed")


def test_blank_enrolled_counts_as_no_and_is_noted(tmp_path):
    table, problems = read(tmp_path, tracts(signed=["yes", None, "no", ""]), id="tract", enrolled="signed")
    assert table.enrolled.tolist() == [True, False, False, False]
    assert "T2, T4" in told(problems, "note")


def test_an_exact_duplicate_is_dropped(tmp_path):
    doubled = pd.concat([tracts(), tracts()[1:2]], ignore_index=True)
    for setting in ({"id": "tract"}, {}):
        table, problems = read(tmp_path, doubled, **setting)
        assert len(table.ids) == 4
        assert "1 exact duplicate left out" in told(problems, "warning")


def test_two_ids_on_one_shape_stay_two(tmp_path):
    frame = tracts()
    frame.loc[1, "geometry"] = frame.loc[0, "geometry"]
    assert len(read(tmp_path, frame, id="tract")[0].ids) == 4


def test_several_records_of_one_id_become_one_property(tmp_path):
    frame = tracts()
    frame["tract"] = ["T1", "T1", "T3", "T4"]
    table, problems = read(tmp_path, frame, id="tract")
    assert table.ids == ("T1", "T3", "T4")
    assert table.shapes[0].area == pytest.approx(2 * 600**2)
    assert "1 id with several records" in told(problems, "note")


def test_records_of_one_id_must_agree_on_the_signature(tmp_path):
    frame = tracts(signed=["yes", "no", "yes", "yes"])
    frame["tract"] = ["T1", "T1", "T3", "T4"]
    with pytest.raises(InputError, match="both enrolled and not: T1"):
        read(tmp_path, frame, id="tract", enrolled="signed")


def test_a_bow_tie_is_repaired_and_its_acres_told(tmp_path):
    frame = tracts()
    frame.loc[1, "geometry"] = shapely.affinity.translate(BOW_TIE, 401_000, 1_190_000)
    table, problems = read(tmp_path, frame, id="tract")
    assert table.shapes[1].area == pytest.approx(500_000)
    message = told(problems, "warning")
    assert f"T2 (0.00 to {acres(500_000):,.2f} acres)" in message and "self-intersection" in message


def test_points_and_lines_are_left_out(tmp_path):
    frame = tracts()
    frame.loc[2, "geometry"] = shapely.Point(400_100, 1_199_900)
    frame.loc[3, "geometry"] = shapely.LineString([(400_100, 1_199_900), (400_200, 1_199_900)])
    table, problems = read(tmp_path, frame, id="tract")
    assert table.ids == ("T1", "T2")
    assert "2 records ignored, not a polygon but point, line: T3, T4" in told(problems, "warning")


def test_nothing_but_points(tmp_path):
    frame = tracts()
    frame["geometry"] = frame.centroid
    with pytest.raises(GeometryError, match="Boundaries"):
        read(tmp_path, frame, id="tract")


def test_polygon_parts_of_a_collection_are_kept():
    mixed = shapely.GeometryCollection([square(0, 0), shapely.Point(0, 0), shapely.MultiPolygon([square(2, 0)])])
    frame = gpd.GeoDataFrame(geometry=[mixed, shapely.Point(1, 1)], crs=ALBERS)
    kept, problems = keep_kinds(frame, ("polygon",), "x")
    assert kept.geometry.iloc[0].geom_type == "MultiPolygon" and kept.area.iloc[0] == pytest.approx(2 * 600**2)
    assert len(kept) == 1 and len(problems) == 1


def test_a_closed_track_is_a_boundary_and_an_open_one_is_not():
    closed = shapely.LineString([(0, 0), (0, 1), (1, 1), (1, 0), (0, 0.01)])
    opened = shapely.LineString([(0, 0), (0, 1), (1, 1), (1, 0)])
    frame, problems = polygons_from_tracks(gpd.GeoDataFrame(geometry=[closed, opened], crs=4326), "x")
    assert frame.geom_type.tolist() == ["Polygon", "LineString"]
    assert "1 closed track" in problems[0].message


def as_properties(shapes):
    shapes = np.array(shapes, dtype=object)
    ids = tuple(f"P{n}" for n in range(len(shapes)))
    return Properties(ids, ids, np.ones(len(shapes), bool), shapes)


def test_overlaps_are_measured_and_neighbours_are_not():
    # P1 overlaps P0 on half its side (600 x 300 m); P2 only shares a line with P0.
    shapes = [square(0, 0), shapely.affinity.translate(square(0, 0), 300, 0), square(0, 1)]
    (problem,) = overlaps_between(as_properties(shapes), "x")
    assert problem.severity == "warning"
    assert f"1 pair of properties overlap, {acres(180_000):,.2f} acres" in problem.message
    assert "P0 and P1" in problem.message
    assert not overlaps_between(as_properties(shapes[::2]), "x")


def test_turned_neighbours_do_not_overlap():
    turned = [
        shapely.affinity.rotate(square(c, r), 30, origin=(400_000, 1_200_000)) for c in range(4) for r in range(4)
    ]
    assert not overlaps_between(as_properties(turned), "x")


def test_projecting_keeps_the_area(tmp_path):
    table, _ = read(tmp_path, tracts().to_crs(26917), id="tract")
    placed = table.projected(local_equal_area(-92.0, 32.0))
    assert shapely.area(placed.shapes) == pytest.approx([600**2] * 4, rel=1e-6)
