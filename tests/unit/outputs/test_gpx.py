"""GPX for handheld units: valid, where the plan's sites are, and whole in fields that every unit shows."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from lxml import etree
from pyproj import Geod

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.results import Plan
from allocator.outputs.coordinates_words import degrees
from allocator.outputs.gpx import MOST_LETTERS, field_text, write_gpx
from allocator.outputs.tables import cautions
from tests.journey.studies import NO_SHARED, SHARED
from tests.unit.outputs import map_plan, plan_builder

SCHEMA = SHARED / "schemas" / "gpx11.xsd"
NS = {"g": "http://www.topografix.com/GPX/1/1"}
HOSTILE = "bell\x07 \u202eright-to-left \x0b\ud800]]>&<b>" + "long " * 90


def hostile_plan() -> Plan:
    """A plan whose texts hold what XML forbids, marks that turn text round, markup, and far too many letters."""
    plan = map_plan.make_plan()
    sites, properties = plan.sites.copy(), plan.properties.copy()
    for column in ("road_name", "cautions", "decision_reason"):
        sites[column] = pd.Series([HOSTILE] * len(sites), dtype=object)  # other kinds of text hold no half pairs
    properties["name"] = pd.Series([HOSTILE, "", *[HOSTILE] * (len(properties) - 2)], dtype=object)
    settings = plan.study.settings
    named = settings.model_copy(update={"study": settings.study.model_copy(update={"name": HOSTILE})})
    return replace(plan, sites=sites, properties=properties, study=replace(plan.study, settings=named))


PLANS: dict[str, Callable[[], Plan]] = {
    "map plan": map_plan.make_plan,
    "small plan": plan_builder.make_plan,
    "no sites": lambda: plan_builder.make_plan(0),
    "hostile text": hostile_plan,
}


def _written(plan: Plan, folder: Path) -> etree._Element:
    path = folder / "sites.gpx"
    write_gpx(plan, path)
    return etree.parse(str(path)).getroot()


def _at(points: list[etree._Element]) -> np.ndarray:
    return np.array([(float(point.get("lon")), float(point.get("lat"))) for point in points]).reshape(-1, 2)


def _apart_m(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Metres along the ellipsoid between points in longitude and latitude."""
    return Geod(ellps="WGS84").inv(one[:, 0], one[:, 1], other[:, 0], other[:, 1])[2]


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.skipif(not SCHEMA.is_file(), reason=NO_SHARED)
def test_valid_by_the_schema(name, tmp_path):
    """gpx11.xsd, the unchanged schema of GPX 1.1 by Topografix: order of elements, ranges of degrees."""
    schema = etree.XMLSchema(etree.parse(str(SCHEMA)))
    assert schema.validate(_written(PLANS[name](), tmp_path)), schema.error_log


def test_sites_lie_where_the_plan_has_them(tmp_path):
    """The points of the layer, projected by PROJ here, not the columns that the file is written from."""
    plan = map_plan.make_plan()
    points = _written(plan, tmp_path).findall("g:wpt[g:type='trap site']", NS)
    order = plan.sites.sort_values("rank").geometry
    truth = np.column_stack(transform_points(order.x.to_numpy(), order.y.to_numpy(), map_plan.CRS, GEOGRAPHIC))
    assert len(points) == len(plan.sites) == plan.totals.sites
    assert _apart_m(_at(points), truth).max() < 1
    assert all(len(point.get(side).split(".")[1]) == 6 for point in points for side in ("lat", "lon"))


def test_names_suit_old_units_and_stand_in_build_order(tmp_path):
    plan = map_plan.make_plan()
    shuffled = replace(plan, sites=plan.sites.iloc[::-1])
    names = [name.text for name in _written(shuffled, tmp_path).findall("g:wpt/g:name", NS)]
    assert names == [*plan.sites.sort_values("rank")["site_id"], "BASE"]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and len(name) <= 10 for name in names)


def test_a_name_no_unit_would_take_is_a_fault(tmp_path):
    plan = plan_builder.make_plan()
    with pytest.raises(ValueError, match="10 plain letters"):
        write_gpx(replace(plan, sites=plan.sites.assign(site_id=["T001", "trap site 2"])), tmp_path / "sites.gpx")


def test_what_a_crew_needs_is_in_fields_every_unit_shows(tmp_path):
    root = _written(plan_builder.make_plan(), tmp_path)
    first = root.find("g:wpt", NS)
    comment, described = first.findtext("g:cmt", None, NS), first.findtext("g:desc", None, NS)
    # by hand: 22.5 m / 0.3048 = 73.8 ft; 25 m = 82.02 ft; 271.5 degrees lie within 11.25 of west
    assert comment == "No. 1; 00123; -Levee road; 74 ft (22 m); door 272"
    for words in (
        "Property: 00123 - North bottom", "Truck road: -Levee road, 74 ft (22 m), dry weather only",
        "Drive in dry weather only", "On foot from the road: 82 ft (25 m)", "Door faces: 272° (west)",
        "Call 811 by: Jan 26, 2027", "Build: Feb 1 to Feb 2, 2027", "Armed: Feb 25 to Mar 2, 2027",
        "Verify on the ground: written permission",
    ):  # fmt: skip
        assert words in described
    assert root.findtext("g:metadata/g:desc", None, NS) == "\n".join(cautions())
    assert not root.findall(".//g:extensions", NS)


def test_rounds_as_routes_by_stops_and_tracks_by_roads(tmp_path):
    plan = map_plan.make_plan()
    root = _written(plan, tmp_path)
    routes = {one.findtext("g:name", None, NS): one for one in root.findall("g:rte", NS)}
    assert list(routes) == ["R001", "R002"]  # the third has neither stops nor a way
    stops = [point.findtext("g:name", None, NS) for point in routes["R001"].findall("g:rtept", NS)]
    assert stops == ["BASE", "S002", "S001", "BASE"]
    tracks = root.findall("g:trk", NS)
    assert [one.findtext("g:name", None, NS) for one in tracks] == ["R001", "R002"]
    for track, way in zip(tracks, plan.rounds.geometry, strict=False):
        corners = _at(track.findall("g:trkseg/g:trkpt", NS))
        x, y = transform_points(corners[:, 0], corners[:, 1], GEOGRAPHIC, map_plan.CRS)
        assert shapely.hausdorff_distance(shapely.linestrings(x, y), way) < 1


def test_user_text_shows_as_typed_and_what_xml_forbids_is_dropped(tmp_path):
    root = _written(map_plan.make_plan(), tmp_path)
    described = [one.text for one in root.findall("g:wpt/g:desc", NS)]
    for payload, text in zip(map_plan.PAYLOADS, described, strict=False):
        assert payload in text
    hostile = _written(hostile_plan(), tmp_path)
    assert hostile.findtext("g:metadata/g:name", None, NS).startswith("bell right-to-left ]]>&<b>long ")
    for one in hostile.iter():
        assert not any(mark in (one.text or "") for mark in "\x07\x0b\u202e")
    assert len(hostile.findtext("g:metadata/g:name", None, NS)) == MOST_LETTERS


def test_longitude_180_is_written_as_the_schema_allows():
    """GPX 1.1: longitude is under 180."""
    assert degrees(180 - 1e-9) == "-180.000000"
    assert degrees(-180.0) == "-180.000000"


def test_a_cut_text_keeps_its_beginning():
    assert field_text("x" * 90) == "x" * 90
    assert field_text("x" * 91) == "x" * 89 + "…"


def test_same_plan_same_bytes(tmp_path):
    for name in ("one", "two"):
        write_gpx(map_plan.make_plan(), tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
