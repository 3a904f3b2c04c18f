"""Boundaries that do not mean what they say: acres against the deed, slivers, far parts, repairs that go too far."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from allocator.core.errors import GeometryError
from allocator.core.study import Properties
from allocator.inputs.meaning import doubts_about_acres, doubts_about_shapes
from allocator.inputs.read_study import check_study, read_study
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, square, tracts, write, write_study

ACRES = 360_000 / 4046.8564224
"""A tract of 600 m by 600 m: 88.96 acres."""


def told_about_acres(frame: gpd.GeoDataFrame) -> str:
    return " ".join(problem.message for problem in doubts_about_acres(frame, "here"))


def test_acres_that_agree_are_silent() -> None:
    assert told_about_acres(tracts(acres=[ACRES] * 4)) == ""
    assert told_about_acres(tracts(acres=[f"{ACRES * 1.09:.2f}"] * 4)) == ""
    assert told_about_acres(tracts()) == "" and told_about_acres(tracts(acres=[0, None, -1, "x"])) == ""


def test_acres_that_do_not_agree_are_told_with_their_ratio() -> None:
    told = told_about_acres(tracts(acres=[ACRES / 2] * 4))
    assert "2 times the acres that column acres states (median of 4 records)" in told and "Feet" not in told


def test_one_odd_deed_of_four_is_no_fault_of_the_file() -> None:
    assert told_about_acres(tracts(acres=[ACRES, ACRES, ACRES, 5.0])) == ""


def test_the_deed_is_believed_before_the_drawing() -> None:
    assert "column deed_acres" in told_about_acres(tracts(acres=[ACRES] * 4, deed_acres=[ACRES / 3] * 4))


def test_a_prj_that_says_metres_for_feet(tmp_path: Path) -> None:
    """Coordinates in feet declared as metres: 10.76 times the acres (1 / 0.3048^2), whatever lies around."""
    frame = tracts(ACRES=[ACRES] * 4)
    feet = frame.geometry.affine_transform([1 / 0.3048, 0, 0, 1 / 0.3048, 0, 0])
    # Moved back so that land and cover still meet.
    frame["geometry"] = feet.translate(WEST - feet.total_bounds[0], NORTH - feet.total_bounds[3])
    write(frame, tmp_path / "tracts.gpkg", "tracts")
    told = [p.message for p in check_study(write_study(tmp_path)) if "ACRES" in p.message or "acres" in p.message]
    assert any("10.8 times the acres" in one and "Feet and metres look confused" in one for one in told)


def test_the_id_may_be_a_column_of_acres(tmp_path: Path) -> None:
    write(tracts(Acres=["1", "2", "3", "4"]), tmp_path / "tracts.gpkg", "tracts")
    study = read_study(write_study(tmp_path, properties='path = "tracts.gpkg"\nid = "Acres"'))
    assert study.properties.ids == ("1", "2", "3", "4")


def told_about(*shapes: shapely.Geometry) -> list[str]:
    ids = tuple(f"P{number}" for number in range(len(shapes)))
    return [p.message for p in doubts_about_shapes(
        Properties(ids, ids, np.ones(len(ids), dtype=bool), np.array(shapes)), "here")]  # fmt: skip


def test_slivers() -> None:
    """2 x 600 m: 2 * 1200 / 1204 = 1.99 m wide; 4 x 600 m: 3.97 m, land."""
    strip = shapely.box(WEST, NORTH, WEST + 2, NORTH + 600)
    assert told_about(strip, square(1, 1)) == [
        "1 property record under 3 m wide on average: P0 (0.297 acres). Probably a gap between two drawings; "
        "join it to its neighbour."
    ]
    assert told_about(shapely.box(WEST, NORTH, WEST + 4, NORTH + 600), square(1, 1)) == []


def test_parts_far_apart() -> None:
    def parted(gap_m: float) -> shapely.Geometry:
        return shapely.union(square(0, 0), shapely.transform(square(0, 0), lambda xy: xy + [600 + gap_m, 0]))  # noqa: RUF005

    assert told_about(parted(19_900.0)) == []
    assert "1 property record with parts far apart: P0 (20 km)" in told_about(parted(20_100.0))[0]


def test_a_chain_of_parts_is_not_far_apart() -> None:
    parts = [square(column, 0) for column in range(0, 90, 10)]  # 54 km long, gaps of 5.4 km
    assert told_about(shapely.union_all(parts)) == []


def test_a_property_far_from_all_others() -> None:
    told = told_about(square(0, 0), square(1, 0), square(50, 0))
    assert told == ["1 property record far from all others: P2 (29 km); its place may be wrong."]
    assert told_about(square(0, 0), square(50, 0)) == []


def bowtie(column: int, row: int) -> shapely.Polygon:
    west, south, east, north = square(column, row).bounds
    return shapely.Polygon([(west, south), (east, north), (east, south), (west, north)])


def broken(folder: Path) -> Path:
    """One of four squares drawn across itself: its two triangles hold 1/2 of it, 1/7 of all acres mended (14.3 %)."""
    frame = tracts()
    frame.loc[1, "geometry"] = bowtie(2, 1)
    write(frame, folder / "tracts.gpkg", "tracts")
    return write_study(folder)


def test_a_repair_is_named_with_file_and_record_and_acres(tmp_path: Path) -> None:
    told = [p for p in check_study(broken(tmp_path)) if "repaired" in p.message]
    assert (
        told[0].source == "inputs.properties (tracts.gpkg)" and f"T2 (0.00 to {ACRES / 2:.2f} acres)" in told[0].message
    )


@pytest.mark.parametrize(("percent", "is_refused"), [(14.2, True), (14.4, False), (0, True), (100, False)])
def test_a_repair_is_refused_where_it_changes_too_much(tmp_path: Path, percent: float, is_refused: bool) -> None:
    study, setting = broken(tmp_path), [f"study.repair_limit_percent={percent}"]
    if not is_refused:
        assert len(read_study(study, setting).properties.ids) == 4
        return
    with pytest.raises(GeometryError, match=r"T2.*14\.3% of all its acres.*study\.repair_limit_percent"):
        read_study(study, setting)


def test_land_cover_polygons_are_held_to_the_same_limit(tmp_path: Path) -> None:
    frame = tracts(code=["90"] * 4)
    frame.loc[1, "geometry"] = bowtie(2, 1)
    write(frame, tmp_path / "cover.gpkg")
    cover = 'path = "cover.gpkg"\nscheme = "nlcd"\nclass_field = "code"'
    study = write_study(tmp_path, cover=cover)
    assert not [p for p in check_study(study) if p.severity == "error"]
    told = [p for p in check_study(study, ["study.repair_limit_percent=10"]) if p.severity == "error"]
    assert len(told) == 1 and "cover.gpkg" in told[0].source and "14.3%" in told[0].message


def test_polygons_without_any_area_are_refused(tmp_path: Path) -> None:
    line = shapely.Polygon([(WEST, NORTH), (WEST + 600, NORTH), (WEST + 900, NORTH), (WEST, NORTH)])
    write(gpd.GeoDataFrame({"tract": ["T1"]}, geometry=[line], crs=ALBERS), tmp_path / "tracts.gpkg", "tracts")
    told = [p.message for p in check_study(write_study(tmp_path)) if p.severity == "error"]
    assert told == ["none of its 1 polygon encloses an area. Check the boundaries in a GIS."]
