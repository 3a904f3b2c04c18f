"""The styles: as the standard builds them, columns and values that exist, the shades and colours of the map page."""

import re
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

from allocator.outputs.columns import columns_of
from allocator.outputs.geopackage import GEOMETRY_TYPES
from allocator.outputs.styles import TITLES, colour, write_styles, xml_text
from allocator.outputs.tables import cautions
from allocator.outputs.web_map import TRAP_CLASSES
from allocator.outputs.work_tables import PURPOSES
from tests.unit.outputs import map_plan
from tests.unit.outputs.plan_builder import make_plan, make_settings

NS = {"sld": "http://www.opengis.net/sld", "ogc": "http://www.opengis.net/ogc"}
STYLE_SHEET = Path(__file__).parents[3] / "allocator/outputs/templates/map.css"
CHILDREN = {
    "StyledLayerDescriptor": "Name Title Abstract NamedLayer",
    "NamedLayer": "Name LayerFeatureConstraints UserStyle",
    "UserStyle": "Name Title Abstract IsDefault FeatureTypeStyle",
    "FeatureTypeStyle": "Name Title Abstract FeatureTypeName SemanticTypeIdentifier Rule",
    "Rule": "Name Title Abstract LegendGraphic Filter ElseFilter MinScaleDenominator MaxScaleDenominator "
    "PolygonSymbolizer LineSymbolizer PointSymbolizer TextSymbolizer",
    "PolygonSymbolizer": "Geometry Fill Stroke",
    "LineSymbolizer": "Geometry Stroke",
    "PointSymbolizer": "Geometry Graphic",
    "TextSymbolizer": "Geometry Label Font LabelPlacement Halo Fill",
    "Graphic": "Mark Opacity Size Rotation",
    "GraphicFill": "Graphic",
    "Mark": "WellKnownName Fill Stroke",
    "Fill": "GraphicFill CssParameter",
    "Stroke": "GraphicFill GraphicStroke CssParameter",
    "Font": "CssParameter",
    "Halo": "Radius Fill",
    "Label": "PropertyName",
    "LabelPlacement": "PointPlacement LinePlacement",
    "PointPlacement": "AnchorPoint Displacement Rotation",
    "AnchorPoint": "AnchorPointX AnchorPointY",
    "Displacement": "DisplacementX DisplacementY",
}
"""What each element may hold, in this order: OGC 02-070, StyledLayerDescriptor.xsd 1.0.0.

Taken from the property orders of its JSON form in the npm package ogc-schemas 2.6.1; the order of symbolizers in a rule
is free there.
"""
MARKS = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 02-070, 11.3; from memory, unverified
PARAMETERS = {
    "Fill": {"fill", "fill-opacity"},
    "Stroke": {
        "stroke", "stroke-opacity", "stroke-width", "stroke-linejoin", "stroke-linecap", "stroke-dasharray",
        "stroke-dashoffset",
    },
    "Font": {"font-family", "font-style", "font-weight", "font-size"},
}  # fmt: skip
"""OGC 02-070, 11.1.3, 11.2.2 and 11.4.3; from memory, unverified."""
FITTING = {"Polygon": "PolygonSymbolizer", "MultiPolygon": "PolygonSymbolizer", "LineString": "LineSymbolizer"}


@pytest.fixture(scope="module")
def styles(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("plan") / "styles"
    write_styles(make_plan(), folder)
    return {path.stem: etree.parse(path).getroot() for path in folder.iterdir()}


def _name(element: Any) -> str:
    return str(etree.QName(element).localname)


def _meets(condition: Any, row: dict[str, Any]) -> bool:
    """Whether a row meets a condition, by the words of the filter standard (OGC 02-059)."""
    if _name(condition) == "And":
        return all(_meets(part, row) for part in condition)
    value = row[condition.findtext("ogc:PropertyName", namespaces=NS)]
    kind = type(value)
    ends = [kind(one.text) for one in condition.iter(f"{{{NS['ogc']}}}Literal")]
    if _name(condition) == "PropertyIsBetween":
        assert [_name(one) for one in condition[1:]] == ["LowerBoundary", "UpperBoundary"]
        return bool(ends[0] <= value <= ends[1])
    if _name(condition) == "PropertyIsGreaterThanOrEqualTo":
        return bool(value >= ends[0])
    assert _name(condition) == "PropertyIsEqualTo"
    return bool(value == ends[0])


def _drawn(style: Any, row: dict[str, Any]) -> list[Any]:
    """The rules that a row is drawn by."""
    rules = style.findall(".//sld:Rule", NS)
    return [rule for rule in rules if (one := rule.find("ogc:Filter", NS)) is None or _meets(one[0], row)]


def _parameter(element: Any, path: str, name: str) -> str | None:
    found = element.find(f"{path}/sld:CssParameter[@name='{name}']", NS)
    return None if found is None else str(found.text)


def test_every_layer_has_a_style_of_its_name(styles: dict[str, Any]) -> None:
    assert set(styles) == set(GEOMETRY_TYPES) == set(TITLES)
    for layer, style in styles.items():
        assert style.tag == f"{{{NS['sld']}}}StyledLayerDescriptor"
        assert style.get("version") == "1.0.0"
        assert [one.text for one in style.findall("sld:NamedLayer/sld:Name", NS)] == [layer]
        assert style.findtext(".//sld:UserStyle/sld:Title", namespaces=NS) == TITLES[layer]
        assert style.findtext(".//sld:UserStyle/sld:Abstract", namespaces=NS) == "\n".join(cautions())


def test_elements_stand_where_the_standard_wants_them(styles: dict[str, Any]) -> None:
    for style in styles.values():
        for element in style.iter(etree.Element):
            is_filter = etree.QName(element).namespace == NS["ogc"]
            children = [_name(child) for child in element]
            if is_filter or not children:
                continue
            order = CHILDREN[_name(element)].split()
            assert [order.index(child) for child in children] == sorted(order.index(child) for child in children)
        for parameter in style.iter(f"{{{NS['sld']}}}CssParameter"):
            assert parameter.get("name") in PARAMETERS[_name(parameter.getparent())]
        assert {one.text for one in style.iter(f"{{{NS['sld']}}}WellKnownName")} <= MARKS


def test_filters_are_in_their_own_namespace_and_all_else_is_not(styles: dict[str, Any]) -> None:
    filters = {"Filter", "And", "PropertyName", "Literal", "LowerBoundary", "UpperBoundary"}
    for style in styles.values():
        for element in style.iter(etree.Element):
            is_filter = _name(element) in filters or _name(element).startswith("PropertyIs")
            assert etree.QName(element).namespace == NS["ogc" if is_filter else "sld"]


def test_symbols_fit_the_shapes(styles: dict[str, Any]) -> None:
    for layer, kind in GEOMETRY_TYPES.items():
        for rule in styles[layer].iter(f"{{{NS['sld']}}}Rule"):
            symbols = [_name(child) for child in rule if _name(child).endswith("Symbolizer")]
            assert symbols[0] == FITTING.get(kind, "PointSymbolizer")


def test_every_column_is_documented_and_every_value_can_occur(styles: dict[str, Any]) -> None:
    words = {("properties", "enrolled"): {"yes", "no"}, ("candidates", "is_chosen"): {"yes", "no"},
             ("rounds", "purpose"): set(PURPOSES)}  # fmt: skip
    for layer, style in styles.items():
        documented = {column.column: column for column in columns_of(layer)}
        for name in style.iter(f"{{{NS['ogc']}}}PropertyName"):
            column = documented[name.text]
            literals = {one.text for one in name.getparent().iter(f"{{{NS['ogc']}}}Literal")}
            if column.type == "whole number":
                assert all(str(int(one)) == one for one in literals)
            elif literals:
                assert literals <= words[layer, column.column]


@pytest.mark.parametrize("plan", [make_plan(), map_plan.make_plan()], ids=["plan", "hostile plan"])
def test_every_feature_is_drawn_once(styles: dict[str, Any], plan: Any) -> None:
    yes_no = {True: "yes", False: "no"}
    for layer in GEOMETRY_TYPES:
        for row in getattr(plan, layer).to_dict("records"):
            shown = {name: yes_no[value] if isinstance(value, bool) else value for name, value in row.items()}
            if shown.get("enrolled") == "no":
                shown["traps"] = 0  # the rule gives traps to enrolled land alone
            assert len(_drawn(styles[layer], shown)) == 1


@pytest.mark.parametrize("traps", range(1, 15))
def test_properties_have_the_shade_of_their_traps(styles: dict[str, Any], traps: int) -> None:
    (rule,) = _drawn(styles["properties"], {"traps": traps, "enrolled": "yes"})
    shade = next(n for n, (least, most) in enumerate(TRAP_CLASSES) if least <= traps <= (most or traps))
    css = STYLE_SHEET.read_text(encoding="utf-8")
    assert f"--traps-{shade}: {_parameter(rule, 'sld:PolygonSymbolizer/sld:Fill', 'fill')};" in css
    words = {1: "1 trap needed", 2: "2 traps needed", 3: "3 to 4 traps needed", 9: "5 to 9 traps needed"}
    if traps in words or traps >= 10:
        assert rule.findtext("sld:Title", namespaces=NS) == words.get(traps, "10 or more traps needed")


def test_land_without_traps_is_outlined_and_land_not_signed_up_is_crossed(styles: dict[str, Any]) -> None:
    (without,) = _drawn(styles["properties"], {"traps": 0, "enrolled": "yes"})
    (unsigned,) = _drawn(styles["properties"], {"traps": 0, "enrolled": "no"})
    outline = "sld:PolygonSymbolizer/sld:Stroke"
    assert without.find("sld:PolygonSymbolizer/sld:Fill", NS) is None
    assert _parameter(without, outline, "stroke-dasharray") is None
    assert _parameter(unsigned, outline, "stroke-dasharray")
    assert unsigned.find("sld:PolygonSymbolizer/sld:Fill/sld:GraphicFill/sld:Graphic/sld:Mark", NS) is not None


def test_rounds_to_bait_lie_over_those_to_check_and_look_different(styles: dict[str, Any]) -> None:
    groups = styles["rounds"].findall(".//sld:FeatureTypeStyle", NS)
    assert len(groups) == len(PURPOSES) == 2
    (check,) = _drawn(groups[0], {"purpose": "check"})
    (bait,) = _drawn(groups[1], {"purpose": "bait"})
    look = "sld:LineSymbolizer/sld:Stroke"
    assert _parameter(check, look, "stroke") != _parameter(bait, look, "stroke")
    assert float(_parameter(check, look, "stroke-opacity") or 1) < 0.5
    assert float(_parameter(check, look, "stroke-width") or 0) > 2 * float(_parameter(bait, look, "stroke-width") or 9)
    assert not _drawn(styles["rounds"], {"purpose": "other"})


def test_sites_are_labelled_with_their_ids(styles: dict[str, Any]) -> None:
    label = styles["sites"].find(".//sld:TextSymbolizer/sld:Label/ogc:PropertyName", NS)
    assert label.text == "site_id"


def test_colours_are_those_of_the_map_page(styles: dict[str, Any]) -> None:
    css = STYLE_SHEET.read_text(encoding="utf-8")
    for style in styles.values():
        for parameter in style.iter(f"{{{NS['sld']}}}CssParameter"):
            if parameter.get("name") in ("fill", "stroke"):
                assert re.fullmatch("#[0-9a-f]{6}", parameter.text)
                assert parameter.text == "#ffffff" or parameter.text in css
    assert colour("clay") == "#a33d20"
    with pytest.raises(ValueError, match="no colour 'mud'"):
        colour("mud")


@pytest.mark.parametrize("name", [*map_plan.PAYLOADS, "]]>", "&amp;", "bell\x07", "\x0b\ufffe"])
def test_the_name_of_the_study_is_text_alone(tmp_path: Path, name: str) -> None:
    write_styles(make_plan(settings=make_settings(study={"name": name})), tmp_path)
    write_styles(make_plan(), tmp_path / "plain")
    for layer in GEOMETRY_TYPES:
        found = etree.parse(tmp_path / f"{layer}.sld").getroot()
        assert (found.findtext("sld:Title", namespaces=NS) or "") == xml_text(name)
        plain = etree.parse(tmp_path / "plain" / f"{layer}.sld").getroot()
        assert [one.tag for one in found.iter()] == [one.tag for one in plain.iter()]


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_styles(make_plan(), tmp_path / folder)
    for layer in GEOMETRY_TYPES:
        assert (tmp_path / "one" / f"{layer}.sld").read_bytes() == (tmp_path / "two" / f"{layer}.sld").read_bytes()
