"""Sites, base and rounds as GPX 1.1 for handheld units; and what is written about each site in a few lines.

Handhelds leave extensions out, and old ones cut names to ten letters. So everything that a crew needs stands in name,
comment and description.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

import numpy as np
import shapely

from allocator.core.results import Plan
from allocator.outputs.coordinates_words import bearing_words, degrees, distance_words
from allocator.outputs.map_shapes import display_shapes
from allocator.outputs.styles import xml_text
from allocator.outputs.tables import cautions
from allocator.outputs.work_tables import PURPOSES, Row, records
from allocator.outputs.work_words import round_cards, site_days

GPX = "http://www.topografix.com/GPX/1/1"
BASE_NAME = "BASE"
DRY_ONLY = "dry weather only"
"""What the column ``road_when`` says of a road that rain closes."""
MOST_LETTERS = 90
"""Letters of one text of the user in files for crews; beyond, it is cut and ends in three points."""
LONG = 400
"""The same for reasons and cautions."""
# Marks that turn the direction of all text behind them: a name could make the words after it read backwards.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
_NAME = re.compile("[A-Za-z0-9]{1,10}")


@dataclass(frozen=True, slots=True)
class SiteNote:
    """One site as files for crews tell of it.

    Parameters
    ----------
    site_id : str
        Its id.
    latitude, longitude : float
        Degrees in WGS 84.
    comment : str
        The most needful in one line.
    pairs : tuple of (str, str)
        Label and words of everything that is known.
    """

    site_id: str
    latitude: float
    longitude: float
    comment: str
    pairs: tuple[tuple[str, str], ...]


def field_text(text: str | None, most: int = MOST_LETTERS) -> str:
    """A text of the user as it may stand in a file for crews.

    Parameters
    ----------
    text : str or None
        Any text.
    most : int
        Letters that it may have.

    Returns
    -------
    str
        Without characters that XML forbids and marks that turn the direction of the text behind them; cut where it is
        too long; empty where blank.

    Examples
    --------
    >>> field_text("bell\\x07 \\u202edlo"), field_text("abcdef", 4), field_text(None)
    ('bell dlo', 'abc…', '')
    """
    known = _TURNING.sub("", xml_text(text or ""))
    return known if len(known) <= most else known[: most - 1] + "…"


def sites_in_order(plan: Plan) -> list[Row]:
    """Rows of the table ``sites`` in build order.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of dict
        Values by column.

    Raises
    ------
    ValueError
        The table is not as ``columns.csv`` documents it, or an id is no name for a handheld: a fault of the tool.
    """
    rows = sorted(records("sites", plan.sites), key=lambda row: int(row["rank"]))
    for row in rows:
        if not _NAME.fullmatch(row["site_id"]):
            raise ValueError(f"sites.site_id: {row['site_id']!r} is not at most 10 plain letters and digits")
    return rows


def names_of_properties(plan: Plan) -> dict[str, str]:
    """Names of the properties that have sites.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    dict
        Id to name as a handheld shows it; empty where there is none.
    """
    with_sites = plan.properties[plan.properties["property_id"].isin(plan.sites["property_id"])]
    return {row["property_id"]: field_text(row["name"]) for row in records("properties", with_sites)}


def site_notes(plan: Plan) -> list[SiteNote]:
    """What crews are told about every site, in build order.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of SiteNote
        One a site.
    """
    rows, days = sites_in_order(plan), site_days(plan.calendar)
    names = names_of_properties(plan)
    return [_note(row, len(rows), names.get(row["property_id"], ""), days.get(row["site_id"], [])) for row in rows]


def _note(row: Row, sites: int, name: str, days: list[tuple[str, str]]) -> SiteNote:
    property_id, road = field_text(row["property_id"]), field_text(row["road_name"])
    away = distance_words(row["road_distance_m"])
    when, flooding = row["road_when"] or "", field_text(row["flooding"])
    decision = ", ".join(filter(None, (field_text(row["decision"]), field_text(row["decision_reason"], LONG))))
    pairs = (
        ("Build order", f"{row['rank']} of {sites}"),
        ("Property", " - ".join(filter(None, (property_id, name)))),
        ("Truck road", ", ".join(filter(None, (road, away, when)))),
        ("Drive in dry weather only", "rain closes the road" if when == DRY_ONLY else ""),
        ("On foot from the road", distance_words(row["access_m"])),
        ("Door faces", bearing_words(row["door_bearing_deg"])),
        ("Door seen from the road", row["seen_from_road"] or ""),
        ("Soil floods", flooding),
        ("US National Grid", row["usng"] or ""),
        ("UTM", row["utm"] or ""),
        *((label, field_text(words, LONG)) for label, words in days),
        ("Field visit", decision),
        ("Check first", field_text(row["cautions"], LONG)),
    )
    door = bearing_words(row["door_bearing_deg"]).split("°")[0]
    comment = "; ".join(filter(None, (f"No. {row['rank']}", property_id, road, away, door and f"door {door}")))
    return SiteNote(
        row["site_id"], row["latitude"], row["longitude"], comment, tuple(pair for pair in pairs if pair[1])
    )


def write_gpx(plan: Plan, path: Path) -> None:
    """Write waypoints of the sites in build order and of the base, and a route and a track for every round.

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
    A route names the stops of a round in order; a track is the line along the roads, from which corners that stray by
    less than half a metre are left out.
    """
    root = Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "allocator"})
    about = SubElement(root, "metadata")
    _add(about, ("name", field_text(plan.study.settings.study.name)), ("desc", "\n".join(cautions())))
    notes = site_notes(plan)
    for note in notes:
        root.append(_site(note, "wpt"))
    base = plan.study.settings.crews.base
    if base is not None:
        root.append(_base(base, "wpt"))
    _add_rounds(root, plan, {note.site_id: note for note in notes})
    path.write_bytes(written(root))


def written(root: Element) -> bytes:
    """An XML document in UTF-8 with a line for every element.

    Parameters
    ----------
    root : xml.etree.ElementTree.Element
        Its outermost element.

    Returns
    -------
    bytes
        The file.
    """
    ElementTree.indent(root, " ")
    text: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def _add(parent: Element, *texts: tuple[str, str]) -> None:
    """Add elements with text in this order; none for empty text."""
    for tag, text in texts:
        if text:
            SubElement(parent, tag).text = text


def _point(tag: str, latitude: float, longitude: float) -> Element:
    return Element(tag, {"lat": degrees(latitude), "lon": degrees(longitude)})


def _site(note: SiteNote, tag: str) -> Element:
    point = _point(tag, note.latitude, note.longitude)
    described = lines(note.pairs) if tag == "wpt" else ""
    # Symbols are free text; a unit that does not know one shows its usual mark (names from memory, unverified).
    _add(point, ("name", note.site_id), ("cmt", note.comment), ("desc", described), ("sym", "Flag, Red"),
         ("type", "trap site"))  # fmt: skip
    return point


def _base(base: tuple[float, float], tag: str) -> Element:
    longitude, latitude = base
    point = _point(tag, latitude, longitude)
    _add(point, ("name", BASE_NAME), ("cmt", "Yard that crews start from"), ("sym", "Building"), ("type", "base"))
    return point


def lines(pairs: Iterable[tuple[str, str]]) -> str:
    """Pairs of label and words, a line each.

    Parameters
    ----------
    pairs : iterable of (str, str)
        Label and words.

    Returns
    -------
    str
        Lines.

    Examples
    --------
    >>> lines([("Door faces", "0° (north)")])
    'Door faces: 0° (north)'
    """
    return "\n".join(f"{label}: {words}" for label, words in pairs)


def _add_rounds(root: Element, plan: Plan, notes: dict[str, SiteNote]) -> None:
    """Routes first, then tracks, as the schema has them."""
    base, cards = plan.study.settings.crews.base, round_cards(plan)
    stops: dict[str, list[str]] = {}
    for leg in records("round_stops", plan.round_stops):
        stops.setdefault(leg["round_id"], []).append(leg["site_id"] or "")
    for card in cards:
        points = [_site(notes[stop], "rtept") for stop in stops.get(card["id"], []) if stop]
        if points:
            ends = [] if base is None else [_base(base, "rtept"), _base(base, "rtept")]
            route = _round(root, "rte", card)
            route.extend([*ends[:1], *points, *ends[1:]])
    for card, corners in zip(cards, round_lines(plan), strict=True):
        if len(corners):
            segment = SubElement(_round(root, "trk", card), "trkseg")
            segment.extend(_point("trkpt", latitude, longitude) for longitude, latitude in corners)


def _round(root: Element, tag: str, card: dict[str, Any]) -> Element:
    about = SubElement(root, tag)
    _add(about, ("name", card["id"]), ("cmt", PURPOSES[card["purpose"]]), ("desc", lines(card["pairs"])),
         ("type", card["purpose"]))  # fmt: skip
    return about


def round_lines(plan: Plan) -> list[np.ndarray]:
    """The way of every round along the roads, in the order of the table.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of array, shape (points, 2)
        Longitude and latitude in degrees; no points where the way is not known.
    """
    if not len(plan.rounds):
        return []
    drawn = display_shapes(plan.rounds.geometry.to_numpy(), plan.study.grid.crs_wkt)
    return [shapely.get_coordinates(shape) for shape in drawn]
