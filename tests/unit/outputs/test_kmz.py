"""KMZ for map programs: valid, all shapes inside, and text of users as text."""

import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import shapely
from lxml import etree
from pyproj import Geod

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.results import Plan
from allocator.outputs.kmz import STYLES, kml_document, write_kmz
from allocator.outputs.styles import colour
from allocator.outputs.tables import cautions
from tests.journey.studies import NO_SHARED, SHARED
from tests.unit.outputs import map_plan, plan_builder
from tests.unit.outputs.test_gpx import PLANS, hostile_plan

SCHEMA = SHARED / "schemas" / "ogckml22.xsd"
NS = {"k": "http://www.opengis.net/kml/2.2"}


class _Shown(HTMLParser):
    """What a program that shows HTML makes of a description."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.text = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)
        self.text += "\n" if tag == "br" else ""

    def handle_data(self, data: str) -> None:
        self.text += data


def _parsed(plan: Plan) -> etree._Element:
    return etree.fromstring(kml_document(plan))


def _folder(root: etree._Element, name: str) -> list[etree._Element]:
    return root.findall(f"k:Document/k:Folder[k:name='{name}']/k:Placemark", NS)


def _corners(element: etree._Element) -> np.ndarray:
    return np.array([[float(part) for part in pair.split(",")] for pair in element.text.split()])


def _in_study(corners: np.ndarray) -> np.ndarray:
    return np.column_stack(transform_points(corners[:, 0], corners[:, 1], GEOGRAPHIC, map_plan.CRS))


def _area(place: etree._Element) -> shapely.Geometry:
    """Areas of a placemark in the study's system, put together from the file's own rings."""
    polygons = []
    for polygon in place.iter(f"{{{NS['k']}}}Polygon"):
        outer = _in_study(_corners(polygon.find("k:outerBoundaryIs//k:coordinates", NS)))
        holes = [_in_study(_corners(one)) for one in polygon.findall("k:innerBoundaryIs//k:coordinates", NS)]
        polygons.append(shapely.Polygon(outer, holes))
    return shapely.union_all(polygons)


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.skipif(not SCHEMA.is_file(), reason=NO_SHARED)
def test_valid_by_the_schema(name):
    """ogckml22.xsd, the OGC's schema of KML 2.2: order of elements, kinds of values."""
    schema = etree.XMLSchema(etree.parse(str(SCHEMA)))
    assert schema.validate(_parsed(PLANS[name]())), schema.error_log


def test_one_document_with_all_shapes_and_nothing_to_fetch(tmp_path):
    path = tmp_path / "sites.kmz"
    write_kmz(map_plan.make_plan(), path)
    with zipfile.ZipFile(path) as archive:
        assert archive.namelist() == ["doc.kml"]
        assert archive.getinfo("doc.kml").date_time == (2026, 1, 1, 0, 0, 0)
        text = archive.read("doc.kml").decode("utf-8")
    assert text.count("http://") == 1  # the name space
    assert not any(word in text for word in ("NetworkLink", "CDATA", "<href", "https://", "<Icon>"))


def test_folders_hold_what_the_plan_has():
    plan = map_plan.make_plan()
    root = _parsed(plan)
    assert [one.text for one in root.findall("k:Document/k:Folder/k:name", NS)] == [
        "Trap sites", "Habitat patches", "Properties with traps", "Ways in on foot", "Rounds: check armed traps",
        "Rounds: bait", "Base",
    ]  # fmt: skip
    assert len(_folder(root, "Trap sites")) == len(plan.sites)
    assert len(_folder(root, "Habitat patches")) == len(plan.habitat)
    assert len(_folder(root, "Ways in on foot")) == len(plan.access_paths)
    with_traps = plan.properties[(plan.properties["traps"] > 0) | (plan.properties["sites"] > 0)]
    assert 0 < len(with_traps) < len(plan.properties)
    shown = [_Shown(one.findtext("k:description", None, NS)).text for one in _folder(root, "Properties with traps")]
    assert [text.split("\n")[0] for text in shown] == [f"Property no.: {one}" for one in with_traps["property_id"]]
    for purpose, name in (("check", "check armed traps"), ("bait", "bait")):
        names = [one.findtext("k:name", None, NS) for one in _folder(root, f"Rounds: {name}")]
        assert names == plan.rounds.loc[plan.rounds["purpose"] == purpose, "round_id"].tolist()
    assert [one.findtext("k:name", None, NS) for one in _folder(root, "Base")] == ["BASE"]


def test_a_plan_without_sites_has_no_empty_folder():
    root = _parsed(plan_builder.make_plan(0))
    assert not root.xpath("//k:Folder[not(k:Placemark)]", namespaces=NS)
    assert not _folder(root, "Trap sites")


def test_sites_lie_where_the_plan_has_them():
    """The points of the layer, projected by PROJ here, not the columns that the file is written from."""
    plan = map_plan.make_plan()
    points = [_corners(one.find("k:Point/k:coordinates", NS))[0] for one in _folder(_parsed(plan), "Trap sites")]
    order = plan.sites.sort_values("rank").geometry
    truth = np.column_stack(transform_points(order.x.to_numpy(), order.y.to_numpy(), map_plan.CRS, GEOGRAPHIC))
    found = np.array(points)
    assert Geod(ellps="WGS84").inv(found[:, 0], found[:, 1], truth[:, 0], truth[:, 1])[2].max() < 1


def test_areas_are_the_plans_and_rings_run_as_the_standard_asks():
    """KML 2.2 (OGC 07-147r2): outer rings counter-clockwise. Areas with their holes to a thousandth."""
    plan = map_plan.make_plan()
    root = _parsed(plan)
    for place, shape in zip(_folder(root, "Habitat patches"), plan.habitat.geometry, strict=True):
        found = _area(place)
        assert found.symmetric_difference(shape).area < 0.001 * shape.area
    for ring in root.iterfind(".//k:outerBoundaryIs//k:coordinates", NS):
        assert shapely.is_ccw(shapely.LinearRing(_corners(ring)))


def test_rounds_follow_the_plans_lines_and_one_without_a_way_has_none():
    plan = map_plan.make_plan()
    places = {one.findtext("k:name", None, NS): one for one in _parsed(plan).iter(f"{{{NS['k']}}}Placemark")}
    way = _in_study(_corners(places["R001"].find("k:LineString/k:coordinates", NS)))
    assert shapely.hausdorff_distance(shapely.LineString(way), plan.rounds.geometry.iloc[0]) < 1
    assert places["R003"].find("k:LineString", NS) is None


def test_colours_are_the_map_pages_read_backwards():
    """KML colours are alpha, blue, green, red (OGC 07-147r2, colour type)."""
    root = _parsed(map_plan.make_plan())
    for name, parts in STYLES.items():
        for part, (ink, covers, _) in parts.items():
            found = root.findtext(f"k:Document/k:Style[@id='{name}']/k:{part}/k:color", None, NS)
            assert "#" + found[6:8] + found[4:6] + found[2:4] == colour(ink)
            assert abs(int(found[:2], 16) / 255 - covers) < 0.003


def test_every_style_named_is_there():
    root = _parsed(map_plan.make_plan())
    there = {"#" + one.get("id") for one in root.iterfind("k:Document/k:Style", NS)}
    assert {one.text for one in root.iterfind(".//k:styleUrl", NS)} <= there


def test_text_of_users_is_text_also_to_a_program_that_shows_html():
    plan = map_plan.make_plan()
    root = _parsed(plan)
    shown = [_Shown(one.text) for one in root.iterfind(".//k:description", NS)]
    assert set().union(*(one.tags for one in shown)) == {"br"}
    names = dict(zip(plan.properties["property_id"], plan.properties["name"], strict=True))
    for place, site in zip(_folder(root, "Trap sites"), plan.sites["property_id"], strict=True):
        assert f"{site} - {names[site]}" in _Shown(place.findtext("k:description", None, NS)).text
    assert "$[" not in "".join(one.text for one in root.iterfind(".//k:Placemark/k:description", NS))
    assert {one.text for one in root.iterfind(".//k:BalloonStyle/k:text", NS)} == {"$[description]"}
    assert root.findtext("k:Document/k:name", None, NS) == plan.study.settings.study.name


def test_values_are_not_put_in_place_of_text():
    plan = map_plan.make_plan()
    named = replace(plan, properties=plan.properties.assign(name="$[name]"))
    assert "&#36;[name]" in _folder(_parsed(named), "Trap sites")[0].findtext("k:description", None, NS)


def test_carries_the_cautions():
    found = _Shown(_parsed(map_plan.make_plan()).findtext("k:Document/k:description", None, NS)).text
    assert found == "\n".join(cautions())


def test_same_plan_same_bytes(tmp_path: Path):
    for name in ("one", "two"):
        write_kmz(hostile_plan(), tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
