"""Field decisions: the sites of a plan, with keep or reject, edited in a GIS or a spreadsheet and read back."""

import csv
import json
import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from allocator import demo_study_file, plan_traps, write_plan
from allocator.core.errors import InputError, MissingColumnError
from allocator.core.visits import SiteDecision
from allocator.inputs.read_study import check_study, read_study
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, square, write, write_study

A, B, C = (shapely.Point(WEST + 900 + 300 * step, NORTH - 900) for step in range(3))
DEFAULT = 'path = "visit.gpkg"'
FORMATS = [("visit.gpkg", "GPKG", ALBERS), ("visit.shp", None, 26915), ("visit.geojson", "GeoJSON", 4326),
           ("visit.kml", "LIBKML", 4326), ("visit.fgb", "FlatGeobuf", 3434)]  # fmt: skip


def visited(decisions, places=(A, B, C), crs=ALBERS, *, own_place=True, **columns):
    """Points S1, S2 and so on with what was decided, and where the plan had them."""
    frame = gpd.GeoDataFrame(
        {"site_id": [f"S{number}" for number, _ in enumerate(places, 1)], "decision": decisions, **columns},
        geometry=list(places), crs=ALBERS,
    )  # fmt: skip
    degrees = frame.to_crs(4326).geometry
    if own_place:
        frame = frame.assign(latitude=degrees.y, longitude=degrees.x)
    return frame.to_crs(crs)


def study_of(folder, setting=DEFAULT):
    return write_study(folder, f"[inputs.site_decisions]\n{setting}\n")


def told(path, severity):
    return "\n".join(f"{one.source}: {one.message}" for one in check_study(path) if one.severity == severity)


def refused(folder, frame, setting=DEFAULT):
    write(frame, folder / "visit.gpkg")
    with pytest.raises(InputError) as caught:
        read_study(study_of(folder, setting))
    return str(caught.value)


@pytest.mark.parametrize(("name", "driver", "crs"), FORMATS)
def test_every_format_and_system(tmp_path, name, driver, crs):
    """A shapefile cuts decision_reason to decision_r; EPSG:3434 is Arkansas South in feet (EPSG, through pyproj)."""
    frame = visited(["keep", "reject", None], crs=crs, decision_reason=["good road", None, "unseen"])
    if name.endswith(".shp"):
        frame = frame.rename(columns={"decision_reason": "decision_r"})
    frame.to_file(tmp_path / name, driver=driver)
    path = study_of(tmp_path, f"path = {name!r}")
    study = read_study(path)
    keep, reject = study.site_decisions
    assert (keep.site_id, keep.decision, keep.reason) == ("S1", "keep", "good road")
    assert (reject.site_id, reject.decision, reject.reason) == ("S2", "reject", "")
    assert (keep.x_m, keep.y_m, reject.x_m, reject.y_m) == pytest.approx((A.x, A.y, B.x, B.y), abs=0.01)
    assert keep.moved_m == pytest.approx(0, abs=0.01) and reject.moved_m == pytest.approx(0, abs=0.01)
    assert [(one.role, one.path_name, one.features) for one in study.inputs][-1] == ("site_decisions", name, 3)
    assert f"inputs.site_decisions ({name}): 1 point without a decision left out" in told(path, "note")
    assert told(path, "warning") == ""


def test_absent_is_empty(tmp_path):
    assert read_study(write_study(tmp_path)).site_decisions == ()


def test_a_spreadsheet_is_read_by_its_longitude_and_latitude(tmp_path):
    degrees = gpd.GeoSeries([A, B, C], crs=ALBERS).to_crs(4326)
    rows = [
        {"site_id": "007", "latitude": at.y, "longitude": at.x, "decision": word, "decision_reason": '\'=odd, "said"'}
        for at, word in zip(degrees, ("KEEP ", "", " Reject"), strict=True)
    ]
    rows[2]["site_id"] = "9"
    with (tmp_path / "sites.csv").open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(rows)
    keep, reject = read_study(study_of(tmp_path, 'path = "sites.csv"')).site_decisions
    assert (keep.site_id, keep.decision, keep.reason) == ("007", "keep", '\'=odd, "said"')
    assert (reject.site_id, reject.decision) == ("9", "reject")
    assert (keep.x_m, keep.y_m, reject.x_m, reject.y_m) == pytest.approx((A.x, A.y, C.x, C.y), abs=0.01)
    assert math.isnan(keep.moved_m) and math.isnan(reject.moved_m)


def test_a_csv_with_shapes_of_its_own_tells_what_was_moved(tmp_path):
    at = gpd.GeoSeries([A], crs=ALBERS).to_crs(4326)[0]
    (tmp_path / "sites.csv").write_text(
        f"WKT,site_id,decision,latitude,longitude\nPOINT ({at.x!r} {at.y + 0.001!r}),S1,keep,{at.y!r},{at.x!r}\n"
    )
    (one,) = read_study(study_of(tmp_path, 'path = "sites.csv"')).site_decisions
    # A degree along the meridian is M pi / 180 with M = a (1 - e2) / (1 - e2 sin2)^1.5; a and e2 of WGS 84.
    a_m, e2 = 6_378_137.0, 0.00669437999014
    radius_m = a_m * (1 - e2) / (1 - e2 * math.sin(math.radians(at.y + 0.0005)) ** 2) ** 1.5
    assert one.moved_m == pytest.approx(0.001 * math.radians(1) * radius_m, abs=0.001)


def test_moved_points_say_how_far_on_the_ground(tmp_path):
    """30 m east and 40 m north in UTM 15N are 50 m of its grid; on the ground 0.04 % more at most."""
    frame = visited(["keep", "reject", None], crs=26915)
    frame.geometry = [shapely.transform(at, lambda xy: xy + np.array([30.0, 40.0])) for at in frame.geometry]
    write(frame, tmp_path / "visit.gpkg")
    keep, reject = read_study(study_of(tmp_path)).site_decisions
    assert keep.moved_m == pytest.approx(50, rel=5e-4) and reject.moved_m == pytest.approx(50, rel=5e-4)
    assert math.dist((keep.x_m, keep.y_m), A.coords[0]) == pytest.approx(50, rel=6e-3)


def test_without_its_own_place_nobody_knows_what_was_moved(tmp_path):
    write(visited(["keep", "reject", ""], own_place=False), tmp_path / "visit.gpkg")
    assert all(math.isnan(one.moved_m) for one in read_study(study_of(tmp_path)).site_decisions)
    blank = visited(["keep", "keep", "keep"])
    blank["latitude"] = [None, 95.0, "north"]
    write(blank, tmp_path / "visit.gpkg")
    assert all(math.isnan(one.moved_m) for one in read_study(study_of(tmp_path)).site_decisions)


def test_moved_without_a_decision_is_a_warning(tmp_path):
    frame = visited(["keep", " ", None])
    frame.geometry = [A, shapely.Point(B.x, B.y + 35), shapely.Point(C.x + 0.9, C.y)]
    write(frame, tmp_path / "visit.gpkg")
    path = study_of(tmp_path)
    assert [one.site_id for one in read_study(path).site_decisions] == ["S1"]
    assert "2 points without a decision left out" in told(path, "note")
    assert told(path, "warning") == (
        "inputs.site_decisions (visit.gpkg): 1 point moved but without a decision, so the move is lost: S2 (35 m). "
        "Write keep to hold it there."
    )


def test_words_are_read_whatever_their_case_and_blanks_but_never_guessed(tmp_path):
    write(visited(["  KEEP\t", "Reject\u00a0", "\n"]), tmp_path / "visit.gpkg")
    assert [one.decision for one in read_study(study_of(tmp_path)).site_decisions] == ["keep", "reject"]
    text = refused(tmp_path, visited(["kept", "keep", "Yes"]))
    assert text == (
        "inputs.site_decisions (visit.gpkg): column 'decision' holds words that are no decision in 2 records: "
        "record 1 ('kept'), record 3 ('yes'). Expected keep or reject, or nothing where nobody has decided."
    )
    assert "record 1 ('rejected')" in refused(tmp_path, visited(["rejected", "keep", ""]))
    assert "record 2 ('no')" in refused(tmp_path, visited([True, False, True]))


def test_ids_that_contradict_each_other_are_refused(tmp_path):
    text = refused(tmp_path, visited(["keep", "reject", ""]).assign(site_id="S1"))
    assert "kept and rejected at once: S1 (keep in record 1, reject in record 2). Leave one decision" in text
    text = refused(tmp_path, visited(["keep", "", "Keep"]).assign(site_id=["S1", "S2", "S1"]))
    assert "kept more than once: S1 (keep in record 1, keep in record 3). A site stands in one place" in text
    write(visited(["reject", "reject", "keep"]).assign(site_id=["S1", "S1", "S3"]), tmp_path / "visit.gpkg")
    assert [one.site_id for one in read_study(study_of(tmp_path)).site_decisions] == ["S1", "S1", "S3"]
    multi = visited(["keep", "", ""], (shapely.MultiPoint([A, B]), B, C), own_place=False)
    assert "kept more than once: S1 (keep in record 1, keep in record 1)" in refused(tmp_path, multi)


def test_a_decided_site_needs_an_id(tmp_path):
    text = refused(tmp_path, visited(["keep", "", "maybe"]).assign(site_id=[None, None, "S3"]))
    assert "the id column 'site_id' is blank in 1 decided record: record 1." in text
    assert "record 3 ('maybe')" in text and "(visit.gpkg): the id" in text


@pytest.mark.parametrize(("words", "apart_m", "is_refused"), [
    (("keep", "keep"), 0.9, True), (("reject", "keep"), 0.0, True), (("keep", "keep"), 1.1, False),
    (("reject", "reject"), 0.0, False),
])  # fmt: skip
def test_one_place_holds_one_kept_site(tmp_path, words, apart_m, is_refused):
    frame = visited(words, (A, shapely.Point(A.x + apart_m, A.y)))
    if is_refused:
        assert f"in the same place, 1 m apart or less: S1 ({words[0]}) and S2 ({words[1]})" in refused(tmp_path, frame)
    else:
        write(frame, tmp_path / "visit.gpkg")
        assert len(read_study(study_of(tmp_path)).site_decisions) == 2


def test_points_outside_the_study_are_left_out_with_a_warning(tmp_path):
    """The tracts begin 600 m from the corner and the margin is 300 m: cells from 300 m on."""
    places = [shapely.Point(WEST + x, NORTH - 900) for x in (299, 301, 90_000)]
    write(visited(["keep", "reject", "reject"], places), tmp_path / "visit.gpkg")
    path = study_of(tmp_path)
    assert [one.site_id for one in read_study(path).site_decisions] == ["S2"]
    assert told(path, "warning") == (
        "inputs.site_decisions (visit.gpkg): 2 decisions outside the study left out: S1 (keep), S3 (reject)."
    )


def test_missing_columns_are_named_with_those_found(tmp_path):
    write(visited(["keep"] * 3).rename(columns={"decision": "decided"}), tmp_path / "visit.gpkg")
    with pytest.raises(MissingColumnError) as caught:
        read_study(study_of(tmp_path))
    assert str(caught.value) == (
        "inputs.site_decisions (visit.gpkg): inputs.site_decisions.decision = 'decision', but there is no such column. "
        "The file has: site_id, decided, latitude, longitude."
    )
    assert [one.severity for one in check_study(study_of(tmp_path)) if "decided" in one.message] == ["error"]
    own = study_of(tmp_path, f'{DEFAULT}\ndecision = "DECIDED"\nid = "no"')
    with pytest.raises(MissingColumnError, match=r"inputs\.site_decisions\.id = 'no'"):
        read_study(own)
    own = study_of(tmp_path, f'{DEFAULT}\ndecision = "decided"\nreason = "why"')
    with pytest.raises(MissingColumnError, match=r"inputs\.site_decisions\.reason = 'why'"):
        read_study(own)


def test_columns_of_ones_own(tmp_path):
    frame = visited(["keep", "", "reject"], why=["shade", "", 3]).rename(
        columns={"site_id": "no", "decision": "decided"}
    )
    write(frame.astype({"why": str}), tmp_path / "visit.gpkg")
    setting = f'{DEFAULT}\nid = "no"\ndecision = "decided"\nreason = "Why"'
    found = read_study(study_of(tmp_path, setting)).site_decisions
    assert [(one.site_id, one.decision, one.reason) for one in found] == [
        ("S1", "keep", "shade"), ("S3", "reject", "3")
    ]  # fmt: skip


def test_the_layer_of_a_plan_is_meant_unless_another_is_named(tmp_path):
    write(visited(["keep"] * 3), tmp_path / "plan.gpkg", "candidates")
    write(visited(["reject"] * 3), tmp_path / "plan.gpkg", "sites")
    assert {one.decision for one in read_study(study_of(tmp_path, 'path = "plan.gpkg"')).site_decisions} == {"reject"}
    for setting in ('path = "plan.gpkg:candidates"', 'path = "plan.gpkg"\nlayer = "candidates"'):
        assert {one.decision for one in read_study(study_of(tmp_path, setting)).site_decisions} == {"keep"}
    write(visited(["keep"] * 3), tmp_path / "other.gpkg", "first")
    write(visited(["keep"] * 3), tmp_path / "other.gpkg", "second")
    with pytest.raises(InputError, match="2 layers could be meant: first, second"):
        read_study(study_of(tmp_path, 'path = "other.gpkg"'))


def test_several_files_are_one_list_of_decisions_sorted_by_id(tmp_path):
    write(visited(["", "", "reject"]), tmp_path / "monday.gpkg")
    write(visited(["keep", "reject", ""], crs=4326), tmp_path / "friday.geojson")
    both = study_of(tmp_path, 'path = ["monday.gpkg", "friday.geojson"]')
    assert [(one.site_id, one.decision) for one in read_study(both).site_decisions] == [
        ("S1", "keep"), ("S2", "reject"), ("S3", "reject")
    ]  # fmt: skip
    write(visited(["", "keep", ""]), tmp_path / "monday.gpkg")
    with pytest.raises(InputError, match=r"S2 \(keep in record 2 of monday.gpkg, reject in record 2 of friday"):
        read_study(both)


def test_nothing_decided_yet(tmp_path):
    write(visited(["", None, " "]), tmp_path / "visit.gpkg")
    path = study_of(tmp_path)
    assert read_study(path).site_decisions == () and "3 points without a decision" in told(path, "note")
    visited(["keep"] * 3)[:0].to_file(tmp_path / "visit.gpkg", geometry_type="Point")
    assert read_study(path).site_decisions == () and "the layer is empty" in told(path, "warning")
    (tmp_path / "empty.csv").write_text("site_id,latitude,longitude,decision\n")
    path = study_of(tmp_path, 'path = "empty.csv"')
    assert read_study(path).site_decisions == () and "the layer is empty" in told(path, "warning")


def test_what_is_no_point_or_has_no_place_is_left_out(tmp_path):
    shapes = [A, square(1, 1, 100.0), None]
    write(visited(["keep"] * 3, shapes, own_place=False), tmp_path / "visit.gpkg")
    path = study_of(tmp_path)
    assert [one.site_id for one in read_study(path).site_decisions] == ["S1"]
    assert "1 record ignored, not a point but polygon" in told(path, "warning")
    assert "no geometry (null or empty) in 1 record: S3" in told(path, "warning")


def test_the_order_of_the_file_does_not_matter(tmp_path):
    frame = visited(["keep", "reject", "reject"])
    write(frame, tmp_path / "visit.gpkg")
    first = read_study(study_of(tmp_path)).site_decisions
    write(frame[::-1], tmp_path / "visit.gpkg")
    assert read_study(study_of(tmp_path)).site_decisions == first


@pytest.fixture(scope="module")
def demo_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan of the invented district, as a user has it after the first run."""
    return write_plan(plan_traps(read_study(demo_study_file())), tmp_path_factory.mktemp("demo") / "plan")


def read_back(path: Path) -> dict[str, SiteDecision]:
    study = read_study(demo_study_file(), [f"inputs.site_decisions.path={json.dumps(str(path))}"])
    return {one.site_id: one for one in study.site_decisions}


@pytest.mark.parametrize("name", ["plan.gpkg", "edited.shp", "edited.geojson"])
def test_a_plan_edited_in_a_gis_comes_back(demo_plan: Path, tmp_path: Path, name: str) -> None:
    """Moved 21 m east and 28 m south in the plan's system, which is equal-area about the district: 35 m."""
    sites = gpd.read_file(demo_plan / "plan.gpkg", layer="sites")
    before = sites.geometry.copy()
    sites["decision"] = sites["decision"].astype(object)
    sites.loc[[0, 2], "decision"] = ["Keep", "reject"]
    sites.loc[0, "geometry"] = shapely.transform(sites.geometry[0], lambda xy: xy + np.array([21.0, -28.0]))
    path = tmp_path / name
    if name == "plan.gpkg":
        path.write_bytes((demo_plan / name).read_bytes())
        sites.to_file(path, layer="sites")  # the candidates stay beside it
    else:
        sites = sites.rename(columns=lambda column: column[:10]) if name.endswith(".shp") else sites.to_crs(4326)
        write(sites, path)
    found = read_back(path)
    assert set(found) == {sites["site_id"][0], sites["site_id"][2]}
    keep, reject = found[sites["site_id"][0]], found[sites["site_id"][2]]
    assert (keep.decision, reject.decision) == ("keep", "reject")
    assert keep.moved_m == pytest.approx(35, abs=0.5) and reject.moved_m == pytest.approx(0, abs=0.05)
    assert (keep.x_m, keep.y_m) == pytest.approx((before[0].x + 21, before[0].y - 28), abs=0.05)
    assert (reject.x_m, reject.y_m) == pytest.approx((before[2].x, before[2].y), abs=0.05)


def test_the_table_of_a_plan_edited_in_a_spreadsheet_comes_back(demo_plan: Path, tmp_path: Path) -> None:
    sites = gpd.read_file(demo_plan / "plan.gpkg", layer="sites")
    table = pd.read_csv(demo_plan / "tables" / "sites.csv", encoding="utf-8-sig", dtype=str, keep_default_na=False)
    table.loc[1, "decision"] = "keep"
    table.to_csv(tmp_path / "sites.csv", index=False)
    (one,) = read_back(tmp_path / "sites.csv").values()
    assert (one.site_id, one.decision) == (table["site_id"][1], "keep") and math.isnan(one.moved_m)
    assert (one.x_m, one.y_m) == pytest.approx((sites.geometry[1].x, sites.geometry[1].y), abs=0.05)
