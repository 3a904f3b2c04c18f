"""The look of every layer of ``plan.gpkg`` as OGC Styled Layer Descriptors 1.0.0, in the colours of the map page.

Only what the standard itself names is used: marks, fills, dashes and filters that any program which reads it knows.
"""

import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from allocator.core.results import Plan
from allocator.outputs.geopackage import GEOMETRY_TYPES
from allocator.outputs.tables import cautions
from allocator.outputs.web_map import TRAP_CLASSES

SLD = "http://www.opengis.net/sld"
OGC = "http://www.opengis.net/ogc"
TITLES = {
    "properties": "Properties, darker where more traps are needed",
    "habitat": "Habitat patches",
    "complexes": "Habitat complexes (patches close together)",
    "sites": "Trap sites",
    "candidates": "Spots considered for a trap",
    "service_areas": "Ground that each site serves",
    "access_paths": "Way in on foot from the truck road",
    "rounds": "Rounds that crews drive",
}
"""What each layer shows, in plain words."""
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def xml_text(text: str) -> str:
    """The text without the characters that no XML 1.0 file may hold.

    Parameters
    ----------
    text : str
        Text of a user.

    Returns
    -------
    str
        Without control characters and halves of surrogate pairs; every line end is a plain one.

    Examples
    --------
    >>> xml_text("bell\\x07, two\\r\\nlines")
    'bell, two\\nlines'
    """
    return _FORBIDDEN.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))


def write_styles(plan: Plan, folder: Path) -> None:
    """Write one style for every layer of the GeoPackage, named like the layer.

    Parameters
    ----------
    plan : Plan
        The plan; its name and the cautions stand in every file.
    folder : pathlib.Path
        Where; made when it is not there.

    Raises
    ------
    OSError
        A file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    name = xml_text(plan.study.settings.study.name)
    rules = layer_rules()
    for layer in GEOMETRY_TYPES:
        (folder / f"{layer}.sld").write_bytes(_document(layer, name, rules[layer]))


def layer_rules() -> dict[str, list[Element]]:
    """How every layer is drawn.

    Returns
    -------
    dict of str to list of xml.etree.ElementTree.Element
        Elements ``Rule`` by layer, the first drawn lowest.
    """
    leaf, clay, plum, spruce = colour("leaf"), colour("clay"), colour("plum"), colour("spruce")
    label = _label("site_id")
    return {
        "properties": _property_rules(),
        "habitat": [_rule("Habitat", None, _polygon(_fill("#8fb07a", 0.6), _stroke(spruce, 1.1)))],
        "complexes": [_rule("Complex", None, _polygon(_stroke(plum, 2.6, "12 4 2 4")))],
        "sites": [_rule("Trap site", None, _point(16, _fill(clay), _stroke("#ffffff", 1.5)), label)],
        "candidates": [
            _rule("Would do", _equal("is_chosen", "no"), _point(7, _fill(colour("paper")), _stroke(clay, 1.4))),
            _rule("Chosen as a site", _equal("is_chosen", "yes"), _point(7, _fill(clay), _stroke(leaf, 1))),
        ],
        "service_areas": [_rule("Ground served", None, _polygon(_stroke(clay, 1.5, "2 5")))],
        "access_paths": [_rule("On foot", None, _line(_stroke(colour("ink"), 2, "4 3")))],
        # Rounds share roads, where dashes would fill each other's gaps: a broad clear band with a thin line in it.
        "rounds": [
            _rule("To check armed traps", _equal("purpose", "check"), _line(_stroke(spruce, 8, opacity=0.25))),
            _rule("To bait", _equal("purpose", "bait"), _line(_stroke(plum, 2.2))),
        ],
    }


@cache
def colour(name: str) -> str:
    """A colour of the map page.

    Parameters
    ----------
    name : str
        As the page's own style names it, such as ``ink``.

    Returns
    -------
    str
        Such as ``#22292c``.

    Raises
    ------
    ValueError
        The page has no such colour: a fault of the tool.
    """
    style = (resources.files("allocator.outputs") / "templates/map.css").read_text(encoding="utf-8")
    found = re.search(rf"--{re.escape(name)}: (#[0-9a-f]{{6}});", style)
    if found is None:
        raise ValueError(f"map.css has no colour {name!r}")
    return found[1]


def _property_rules() -> list[Element]:
    """Shades by traps needed as on the page, then land without traps and land not signed up."""
    ink = colour("ink")
    rules = [
        _rule(_class_words(least, most), _within("traps", least, most),
              _polygon(_fill(colour(f"traps-{shade}"), 0.92), _stroke(ink, 2)))
        for shade, (least, most) in enumerate(TRAP_CLASSES)
    ]  # fmt: skip
    none = _make(OGC, "And", _equal("enrolled", "yes"), _equal("traps", "0"))
    unsigned = _polygon(_make(SLD, "Fill", _make(SLD, "GraphicFill", _cross(ink))), _stroke(ink, 1.4, "7 4"))
    return [
        *rules,
        _rule("Signed up, no traps needed", none, _polygon(_stroke(ink, 2))),
        _rule("Not signed up", _equal("enrolled", "no"), unsigned),
    ]


def _class_words(least: int, most: int | None) -> str:
    if most is None:
        return f"{least} or more traps needed"
    if least < most:
        return f"{least} to {most} traps needed"
    return f"{least} trap needed" if least == 1 else f"{least} traps needed"


def _document(layer: str, study: str, rules: Sequence[Element]) -> bytes:
    """The whole file; the order of the elements is the one that the standard prescribes."""
    # Within one FeatureTypeStyle features are drawn in the order of the table; the next one is drawn over it.
    groups = [[rule] for rule in rules] if layer == "rounds" else [rules]
    style = _make(
        SLD, "UserStyle", _make(SLD, "Name", text=layer), _make(SLD, "Title", text=TITLES[layer]),
        _make(SLD, "Abstract", text="\n".join(cautions())), _make(SLD, "IsDefault", text="1"),
        *(_make(SLD, "FeatureTypeStyle", *group) for group in groups),
    )  # fmt: skip
    root = _make(
        SLD, "StyledLayerDescriptor", _make(SLD, "Name", text=layer), _make(SLD, "Title", text=study),
        _make(SLD, "NamedLayer", _make(SLD, "Name", text=layer), style),
    )  # fmt: skip
    root.set("version", "1.0.0")
    ElementTree.register_namespace("", SLD)
    ElementTree.register_namespace("ogc", OGC)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def _make(namespace: str, name: str, *children: Element, text: str | None = None) -> Element:
    made = Element(f"{{{namespace}}}{name}")
    made.text = text
    made.extend(children)
    return made


def _rule(title: str, condition: Element | None, *symbols: Element) -> Element:
    parts = [_make(SLD, "Name", text=title), _make(SLD, "Title", text=title)]
    if condition is not None:
        parts.append(_make(OGC, "Filter", condition))
    return _make(SLD, "Rule", *parts, *symbols)


def _equal(column: str, value: str) -> Element:
    return _compare("PropertyIsEqualTo", column, _literal(value))


def _within(column: str, least: int, most: int | None) -> Element:
    if least == most:
        return _equal(column, str(least))
    if most is None:
        return _compare("PropertyIsGreaterThanOrEqualTo", column, _literal(str(least)))
    ends = (("LowerBoundary", least), ("UpperBoundary", most))
    return _compare("PropertyIsBetween", column, *(_make(OGC, name, _literal(str(end))) for name, end in ends))


def _compare(how: str, column: str, *values: Element) -> Element:
    return _make(OGC, how, _make(OGC, "PropertyName", text=column), *values)


def _literal(value: str) -> Element:
    return _make(OGC, "Literal", text=value)


def _polygon(*parts: Element) -> Element:
    return _make(SLD, "PolygonSymbolizer", *parts)


def _line(stroke: Element) -> Element:
    return _make(SLD, "LineSymbolizer", stroke)


def _point(size_px: int, *parts: Element) -> Element:
    return _make(SLD, "PointSymbolizer", _graphic("circle", size_px, *parts))


def _cross(hue: str) -> Element:
    """Small crosses all over: hatching is not among the marks that the standard names."""
    return _graphic("x", 8, _stroke(hue, 0.6))


def _graphic(mark: str, size_px: int, *parts: Element) -> Element:
    shape = _make(SLD, "Mark", _make(SLD, "WellKnownName", text=mark), *parts)
    return _make(SLD, "Graphic", shape, _make(SLD, "Size", text=str(size_px)))


def _fill(hue: str, opacity: float = 1) -> Element:
    return _make(SLD, "Fill", *_parameters({"fill": hue, "fill-opacity": opacity}))


def _stroke(hue: str, width_px: float, dashes_px: str = "", opacity: float = 1) -> Element:
    look: dict[str, str | float] = {"stroke": hue, "stroke-width": width_px}
    if opacity < 1:
        look["stroke-opacity"] = opacity
    if dashes_px:
        look["stroke-dasharray"] = dashes_px
    return _make(SLD, "Stroke", *_parameters(look))


def _label(column: str) -> Element:
    """The value of a column to the right of a point, on a pale edge so that it reads on any ground."""
    font = _parameters({"font-family": "sans-serif", "font-size": 12, "font-weight": "bold"})
    shift = _make(SLD, "Displacement", _make(SLD, "DisplacementX", text="11"), _make(SLD, "DisplacementY", text="0"))
    anchor = _make(SLD, "AnchorPoint", _make(SLD, "AnchorPointX", text="0"), _make(SLD, "AnchorPointY", text="0.5"))
    return _make(
        SLD, "TextSymbolizer",
        _make(SLD, "Label", _make(OGC, "PropertyName", text=column)),
        _make(SLD, "Font", *font),
        _make(SLD, "LabelPlacement", _make(SLD, "PointPlacement", anchor, shift)),
        _make(SLD, "Halo", _make(SLD, "Radius", text="2"), _fill(colour("leaf"))),
        _fill(colour("ink")),
    )  # fmt: skip


def _parameters(look: dict[str, str | float]) -> list[Element]:
    made = [_make(SLD, "CssParameter", text=str(value)) for value in look.values()]
    for one, name in zip(made, look, strict=True):
        one.set("name", name)
    return made
