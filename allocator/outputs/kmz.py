"""Sites, habitat, properties with traps, ways in and rounds as KML 2.2 in a zip, for map programs of telephones.

One ``doc.kml`` with the shapes in it: several programs on telephones do not follow links to other files. A description
is HTML to the program that shows it, so its text is escaped once for that and once for XML.
"""

import html
import zipfile
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, SubElement

import geopandas as gpd
import numpy as np
import shapely

from allocator.core.results import Plan
from allocator.outputs.columns import documented_values
from allocator.outputs.coordinates_words import degrees, distance_words
from allocator.outputs.gpx import BASE_NAME, field_text, lines, round_lines, site_notes, written
from allocator.outputs.map_shapes import display_shapes
from allocator.outputs.number_words import number, whole
from allocator.outputs.styles import colour
from allocator.outputs.tables import cautions
from allocator.outputs.work_tables import PURPOSES, records
from allocator.outputs.work_words import round_cards

KML = "http://www.opengis.net/kml/2.2"
ZIP_DATE = (2026, 1, 1, 0, 0, 0)
"""Date of the file inside the zip: fixed, so that the same plan gives the same bytes."""
MOST_PATCHES = 2000
"""Habitat patches in the file; ``plan.gpkg`` has all."""
STYLES: dict[str, dict[str, tuple[str, float, float]]] = {
    "site": {"IconStyle": ("clay", 1, 1.1), "LabelStyle": ("leaf", 1, 1)},
    "base": {"IconStyle": ("ink", 1, 1.1), "LabelStyle": ("leaf", 1, 1)},
    "habitat": {"LineStyle": ("spruce", 1, 1.5), "PolyStyle": ("spruce", 0.35, 1)},
    "property": {"LineStyle": ("ink", 1, 2.5), "PolyStyle": ("ink", 0, 0)},
    "way": {"LineStyle": ("gold", 1, 3)},
    "check": {"LineStyle": ("spruce", 1, 6)},
    "bait": {"LineStyle": ("plum", 1, 3)},
}
"""By name of the style and part of it: colour of the map page, how far it covers (0 to 1), and scale or width."""


def write_kmz(plan: Plan, path: Path) -> None:
    """Write the zip with one document in it.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : pathlib.Path
        The file.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    OSError
        The file cannot be written.

    Notes
    -----
    Lines and outlines leave out corners that stray by less than half a metre, or by more where a layer has hundreds of
    thousands of corners; points are exact to six digits after the point.
    """
    entry = zipfile.ZipInfo("doc.kml", ZIP_DATE)
    entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_DEFLATED, 3, 0o644 << 16
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(entry, kml_document(plan))


def kml_document(plan: Plan) -> bytes:
    """The document of a plan.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    bytes
        KML 2.2 in UTF-8: folders of sites, habitat patches, properties with traps, ways in, rounds by purpose, base.
        A folder without anything in it is left out.
    """
    root = Element("kml", {"xmlns": KML})
    document = SubElement(root, "Document")
    _name(document, field_text(plan.study.settings.study.name), "\n".join(cautions()))
    for name, parts in STYLES.items():
        document.append(_style(name, parts))
    _folder(document, "Trap sites", _sites(plan))
    some = f" (the {MOST_PATCHES:,} largest of {len(plan.habitat):,})" if len(plan.habitat) > MOST_PATCHES else ""
    _folder(document, f"Habitat patches{some}", _habitat(plan))
    _folder(document, "Properties with traps", _properties(plan))
    _folder(document, "Ways in on foot", _ways(plan))
    for purpose, places in _rounds(plan).items():
        _folder(document, f"Rounds: {PURPOSES[purpose].lower()}", places)
    _folder(document, "Base", _base(plan))
    return written(root)


def shown(text: str) -> str:
    """A text as HTML that shows it as it is.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Escaped; a new line is a line break. ``$[`` is escaped too: some programs put values in its place.

    Examples
    --------
    >>> shown("<b>\\n$[name]")
    '&lt;b&gt;<br/>&#36;[name]'
    """
    return html.escape(text, quote=True).replace("$[", "&#36;[").replace("\n", "<br/>")


def _name(feature: Element, name: str, described: str, style: str = "") -> None:
    """Name, no lines in the list of places, description and style, in the order of the schema."""
    SubElement(feature, "name").text = name
    if described:
        SubElement(feature, "Snippet", {"maxLines": "0"})
        SubElement(feature, "description").text = shown(described)
    if style:
        SubElement(feature, "styleUrl").text = f"#{style}"


def _style(name: str, parts: dict[str, tuple[str, float, float]]) -> Element:
    style = Element("Style", {"id": name})
    for tag, (ink, covers, size) in parts.items():
        part = SubElement(style, tag)
        SubElement(part, "color").text = kml_colour(colour(ink), covers)
        if tag == "PolyStyle":
            SubElement(part, "fill").text = str(int(size))
        else:
            SubElement(part, "width" if tag == "LineStyle" else "scale").text = f"{size:g}"
    # The balloon shows the description alone: what a program puts in for the name may not be escaped.
    SubElement(SubElement(style, "BalloonStyle"), "text").text = "$[description]"
    return style


def kml_colour(web: str, covers: float) -> str:
    """A colour as KML has it: how far it covers, then blue, green and red.

    Parameters
    ----------
    web : str
        As pages have it, such as ``#a33d20``.
    covers : float
        0 (clear) to 1.

    Returns
    -------
    str
        Eight digits.

    Examples
    --------
    >>> kml_colour("#a33d20", 1)
    'ff203da3'
    """
    return f"{round(covers * 255):02x}{web[5:7]}{web[3:5]}{web[1:3]}"


def _folder(parent: Element, name: str, places: list[Element]) -> None:
    if places:
        folder = SubElement(parent, "Folder")
        SubElement(folder, "name").text = name
        folder.extend(places)


def _placemark(name: str, described: str, style: str, shape: Element | None) -> Element:
    place = Element("Placemark")
    _name(place, name, described, style)
    if shape is not None:
        place.append(shape)
    return place


def _sites(plan: Plan) -> list[Element]:
    return [
        _placemark(note.site_id, lines(note.pairs), "site", _point(note.latitude, note.longitude))
        for note in site_notes(plan)
    ]


def _base(plan: Plan) -> list[Element]:
    base = plan.study.settings.crews.base
    return [] if base is None else [_placemark(BASE_NAME, "Yard that crews start from", "base", _point(*base[::-1]))]


def _habitat(plan: Plan) -> list[Element]:
    """Patches, of very many the largest: a phone draws no more."""
    area = plan.habitat["area_acres"].to_numpy(float)
    habitat = plan.habitat.iloc[np.sort(np.argsort(-area, kind="stable")[:MOST_PATCHES])]
    return [
        _placemark(
            row["patch_id"],
            lines(
                [
                    ("Habitat", f"{number(row['area_acres'], 1)} acres"),
                    ("Average score", number(row["mean_score"], 2)),
                    ("Part of complex", row["complex_id"] or ""),
                ]
            ),
            "habitat",
            shape,
        )
        for row, shape in zip(records("habitat", habitat), _shapes(habitat, plan), strict=True)
    ]


def _properties(plan: Plan) -> list[Element]:
    """Properties that need traps or have a site."""
    counts = documented_values("properties", plan.properties)[["traps", "traps_given", "sites"]].fillna(0)
    kept = plan.properties[(counts > 0).any(axis=1).to_numpy(bool)]
    return [
        _placemark(
            field_text(row["name"]) or field_text(row["property_id"]),
            lines(
                [
                    ("Property no.", field_text(row["property_id"])),
                    ("Name", field_text(row["name"])),
                    ("Habitat", f"{number(row['habitat_acres'], 1)} acres"),
                    ("Traps needed", whole(row["traps"])),
                    ("Sites found", whole(row["sites"])),
                ]
            ),
            "property",
            shape,
        )
        for row, shape in zip(records("properties", kept), _shapes(kept, plan), strict=True)
    ]


def _ways(plan: Plan) -> list[Element]:
    rows = records("access_paths", plan.access_paths)
    return [
        _placemark(f"Way in to {row['site_id']}", f"On foot: {distance_words(row['length_m'])}", "way", shape)
        for row, shape in zip(rows, _shapes(plan.access_paths, plan), strict=True)
    ]


def _rounds(plan: Plan) -> dict[str, list[Element]]:
    """Rounds by purpose; one whose way is not known is listed without a line."""
    places: dict[str, list[Element]] = {purpose: [] for purpose in PURPOSES}
    for card, corners in zip(round_cards(plan), round_lines(plan), strict=True):
        shape = _line(corners) if len(corners) else None
        places[card["purpose"]].append(_placemark(card["id"], lines(card["pairs"]), card["purpose"], shape))
    return places


def _shapes(frame: gpd.GeoDataFrame, plan: Plan) -> list[Element | None]:
    """Lines and areas of a layer in the order of its rows; None where there is nothing to draw."""
    if not len(frame):
        return []
    drawn = display_shapes(frame.geometry.to_numpy(), plan.study.grid.crs_wkt)
    return [_shape(shape) for shape in shapely.orient_polygons(drawn, exterior_cw=False)]


def _shape(shape: Any) -> Element | None:
    """Outer rings run counter-clockwise, as the standard asks."""
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    made = [_polygon(part) if part.geom_type == "Polygon" else _line(shapely.get_coordinates(part)) for part in parts]
    if len(made) < 2:
        return made[0] if made else None
    many = Element("MultiGeometry")
    many.extend(made)
    return many


def _point(latitude: float, longitude: float) -> Element:
    point = Element("Point")
    _coordinates(point, np.array([[longitude, latitude]]))
    return point


def _line(corners: np.ndarray) -> Element:
    line = Element("LineString")
    SubElement(line, "tessellate").text = "1"
    _coordinates(line, corners)
    return line


def _polygon(shape: Any) -> Element:
    polygon = Element("Polygon")
    SubElement(polygon, "tessellate").text = "1"
    for tag, ring in (("outerBoundaryIs", shape.exterior), *(("innerBoundaryIs", hole) for hole in shape.interiors)):
        _coordinates(SubElement(SubElement(polygon, tag), "LinearRing"), shapely.get_coordinates(ring))
    return polygon


def _coordinates(shape: Element, corners: np.ndarray) -> None:
    text = " ".join(f"{degrees(longitude)},{degrees(latitude)}" for longitude, latitude in corners)
    SubElement(shape, "coordinates").text = text
