"""A card for every site, one printed page each: how to get there, what to check, lines to fill in. Opens offline."""

from functools import cache
from importlib import resources
from typing import Any

import pandas as pd
import segno
from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.results import Plan
from allocator.outputs.coordinates_words import (
    bearing_words,
    degrees,
    degrees_minutes,
    distance_words,
    geo_uri,
    usng_to_ten_metres,
)
from allocator.outputs.gpx import DRY_ONLY, LONG, MOST_LETTERS, field_text, names_of_properties, sites_in_order
from allocator.outputs.number_words import amount
from allocator.outputs.site_map import Surroundings, half_heights, map_key, parking, site_map, surroundings
from allocator.outputs.styles import colour
from allocator.outputs.work_tables import Row, records
from allocator.outputs.work_words import site_days

COLOURS = ("paper", "leaf", "ink", "soft", "rule", "clay", "clay-dark", "spruce", "water", "road", "road-no", "plum")
"""Colours of the map page that the cards use too."""
KIT_LETTERS, SHORT_LINE = 64, 25
"""Letters of a kit item on a card; letters that a short text counts for, because it takes a line all the same."""
CROWDING = ((2250, " full"), (1630, " crowded"), (0, ""))
"""Letters on a card from which it is printed smaller, to stay on its page; and the class of the style sheet."""
CALL = "Call 811 by"
"""Label of the day that :func:`allocator.outputs.work_words.site_days` gives for the call."""


def site_cards_page(plan: Plan) -> str:
    """The cards as HTML text, in build order.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        One self-contained document without scripts; a printed page, letter upright, for every site. Text of the user
        stands in it as text only. Without sites it says so.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    rows, around, days = sites_in_order(plan), surroundings(plan), site_days(plan.calendar)
    names = names_of_properties(plan)
    crews = plan.study.settings.crews
    shared: dict[str, Any] = {
        "study": field_text(plan.study.settings.study.name),
        "kit": _kit(plan.equipment),
        "check": {"hours": f"{crews.check_interval_hours:g}", "rule": field_text(crews.check_rule, 2 * MOST_LETTERS)},
    }
    cards = [
        _card(row, around)
        | {"name": names.get(row["property_id"], ""), "of": len(rows)}
        | _days(days.get(row["site_id"], []))
        for row in rows
    ]
    return _environment().get_template("site_cards.html").render(
        shared, cards=[card | {"crowding": _crowding(_letters(card) + _letters(shared))} for card in cards],
        headline=HEADLINE, cautions=CAUTIONS, key=map_key(plan), style=Markup(_text("site_cards.css")),
        has_soils=plan.study.soils is not None and plan.study.soils.flooding is not None,
        colours={name: colour(name) for name in COLOURS},
    )  # fmt: skip


def _crowding(letters: int) -> str:
    return next(look for least, look in CROWDING if letters >= least)


def _letters(words: Any) -> int:
    """Letters of all text in a value, a text of any length as at least a short line; pictures not counted."""
    if isinstance(words, str):
        return max(len(words), SHORT_LINE) if words and not isinstance(words, Markup) else 0
    if isinstance(words, dict):
        return sum(map(_letters, words.values()))
    return sum(map(_letters, words)) if isinstance(words, list | tuple) else 0


def _card(row: Row, around: Surroundings) -> dict[str, Any]:
    latitude, longitude, site_id = row["latitude"], row["longitude"], row["site_id"]
    bearing: float | None = None if pd.isna(row["door_bearing_deg"]) else row["door_bearing_deg"]
    park = parking(around, site_id)
    maps = [
        site_map(around, site_id, row["property_id"], half_height_m=half_m, door_bearing_deg=bearing)
        for half_m in half_heights(around, site_id)
    ]
    return {
        "id": site_id,
        "rank": row["rank"],
        "property_id": field_text(row["property_id"]),
        "geo": geo_uri(latitude, longitude).split(","),
        "qr": qr_code(geo_uri(latitude, longitude)),
        "decimal": f"{degrees(latitude)}, {degrees(longitude)}",
        "minutes": degrees_minutes(latitude, longitude),
        "usng": row["usng"] or "",
        "usng_short": usng_to_ten_metres(row["usng"]),
        "utm": row["utm"] or "",
        "maps": maps,
        "road": field_text(row["road_name"]),
        "road_distance": distance_words(row["road_distance_m"]),
        "road_when": row["road_when"] or "",
        "is_dry_only": row["road_when"] == DRY_ONLY,
        "park": "" if park is None else f"{degrees(park[0])}, {degrees(park[1])}",
        "on_foot": distance_words(row["access_m"]),
        "door": bearing_words(row["door_bearing_deg"]),
        "is_seen": row["seen_from_road"] or "",
        "flooding": field_text(row["flooding"]).replace("_", " "),
        "cover": field_text(row["cover"]),
        "decision": field_text(row["decision"]),
        "decision_reason": field_text(row["decision_reason"], LONG),
        "caution": field_text(row["cautions"], LONG),
    }


def _days(days: list[tuple[str, str]]) -> dict[str, Any]:
    """Trap set and days of a site; the day of the call also alone, for the list of checks."""
    shown = [(label, field_text(words, LONG)) for label, words in days]
    return {"days": shown, "call_by": dict(shown).get(CALL, "")}


def _kit(equipment: pd.DataFrame) -> list[tuple[str, str]]:
    """How many of what one trap set has."""
    rows = [row for row in records("equipment", equipment) if not pd.isna(row["each_per_trap"])]
    return [(amount(row["each_per_trap"]), _counted(row)) for row in rows if row["each_per_trap"] > 0]


def _counted(row: Row) -> str:
    words, unit = field_text(row["words"], KIT_LETTERS), row["unit"] or ""
    return words if unit in ("", "each") else f"{words} ({unit})"


def qr_code(text: str) -> Markup:
    """A code that a telephone's camera reads.

    Parameters
    ----------
    text : str
        What it says.

    Returns
    -------
    markupsafe.Markup
        SVG with the white rim of four squares that readers need, as wide as its place.

    Notes
    -----
    A quarter of the code may be spoilt by dirt or a fold (error correction level Q of ISO/IEC 18004).
    """
    code = segno.make_qr(text, error="q", boost_error=False)
    return Markup(code.svg_inline(border=4, dark="#000", light="#fff", omitsize=True))


@cache
def _environment() -> Environment:
    return Environment(
        autoescape=True, loader=DictLoader({"site_cards.html": _text("site_cards.html")}), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def _text(name: str) -> str:
    return resources.files("allocator.outputs").joinpath(f"templates/{name}").read_text(encoding="utf-8")
