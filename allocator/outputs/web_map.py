"""The plan as one page with a map and tables; opens in a browser without any network."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from importlib import resources
from typing import Any

import geopandas as gpd
import numpy as np
from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.crs import GEOGRAPHIC, describe, transform_points
from allocator.core.results import Plan
from allocator.core.study import Roads
from allocator.core.units import METRES_PER_FOOT
from allocator.outputs.charts import frontier_chart, tornado_chart
from allocator.outputs.map_image import RAMP, Overlay, score_overlay
from allocator.outputs.map_shapes import areas, display_shapes, lines, middle, mixed, once, steps
from allocator.outputs.map_words import LAYERS, plain, plain_tables, shown_table
from allocator.outputs.most_rows import MATTERS, most_important
from allocator.outputs.what_if import what_if
from allocator.outputs.work_tables import PURPOSES
from allocator.outputs.work_words import round_cards, site_days, work_figures, work_section

SCRIPTS = (
    "map_data.js", "map_cards.js", "map.js", "map_tables.js", "search.js", "map_locate.js", "what_if.js",
    "map_what_if.js", "map_start.js",
)  # fmt: skip
"""Parts of the page's own code, in the order in which they run."""
STREET_TILES = "https://tile.openstreetmap.org/{z}/{x}/{y}.png"
STREET_CREDIT = "© OpenStreetMap contributors"
MOST = {"properties": 10_000, "habitat": 10_000, "candidates": 20_000}
"""Rows of large tables that are drawn and listed, those that matter most; ``plan.gpkg`` and the tables have all."""
MOST_ASKED = 10
"""Owners to ask next that the page names; the table ``ask_next`` has all."""
MOST_SHORT = 20
"""Properties with traps that have no site that the page names; the table ``shortfalls`` has all."""
ROUNDING_WORDS = {"nearest": "to the nearest whole", "up": "up", "down": "down"}
SHARING_WORDS = {
    "largest_remainder": "largest remainder",
    "webster": "the rule of Webster",
    "huntington_hill": "the rule of Huntington and Hill",
}
TRAP_CLASSES = ((1, 1), (2, 2), (3, 4), (5, 9), (10, None))
"""Least and most traps of each shade; None: no most."""


def map_page(plan: Plan) -> str:
    """The page as HTML text: map, legend, warnings, cautions, sites and properties.

    Parameters
    ----------
    plan : Plan
        The plan; nothing is calculated from it but what drawing needs.

    Returns
    -------
    str
        One self-contained document. Text of the user stands in it as text only.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    drawn = replace(plan, **{name: most_important(name, getattr(plan, name), most) for name, most in MOST.items()})
    overlays = {name: overlay for name, score in plan.scores.items() if (overlay := score_overlay(score)) is not None}
    shapes = _shapes(drawn)
    words = {
        "study": plan.study.settings.study.name,
        "totals": plan.totals,
        "solver": plan.solver,
        "figures": work_figures(plan.totals),
        "work": work_section(plan),
        "facts": _facts(plan),
        "warnings": plan.warnings,
        "rule_words": _rule_words(plan),
        "headline": HEADLINE,
        "cautions": CAUTIONS,
        "threshold": plan.study.settings.habitat.threshold,
        "ramp": RAMP,
        "trap_classes": [_class_words(*ends) for ends in TRAP_CLASSES],
        "scores": [_score_words(name, place == 0, len(overlays)) for place, name in enumerate(overlays)],
        "seasons": plan.seasons.to_dict("records"),
        "sightings": plan.facts.get("sightings"),
        "tornado": tornado_chart(
            list(plan.tornado[["assumption", "low_traps", "high_traps"]].itertuples(index=False, name=None)),
            point=plan.totals.traps_exact,
        ),
        "frontier": frontier_chart(
            plan.frontier["traps"].tolist(), plan.frontier["served_units_acres"].tolist(), placed=plan.totals.sites
        ),
        "yardsticks": plan.yardsticks.to_dict("records"),
        "asked": plan.ask_next.head(MOST_ASKED).to_dict("records"),
        "asked_in_all": len(plan.ask_next),
        "shortfalls": _shortfalls(plan),
        "decisions": plan.field_decisions.to_dict("records"),
        "pigs": plan.pigs.to_dict("records"),
        "left_out": {name: len(getattr(plan, name)) - len(getattr(drawn, name)) for name in MOST},
        "matters": {name: words for name, (_, words) in MATTERS.items()},
    } | _layer_list(shapes)
    data = {
        "shapes": shapes,
        "tables": _tables(drawn),
        "scores": [_image(one) for one in overlays.values()],
        "bounds": _bounds(plan),
        "siteDays": site_days(plan.calendar),
        "rounds": round_cards(plan),
        "whatIf": what_if(plan, drawn.properties["property_id"].tolist()),
    } | {
        "feetPerMetre": 1 / METRES_PER_FOOT,
        "trapClasses": TRAP_CLASSES,
        "streetMap": {"tiles": STREET_TILES, "credit": STREET_CREDIT},
    }
    return _environment().get_template("map.html").render(**words, data=script_safe(data), **_assets())


def _shortfalls(plan: Plan) -> list[dict[str, Any]]:
    """Traps without a site, those of the property with most first, each with the changes that would place it."""
    table = plan.shortfalls.astype(object).fillna("")
    by_pair = table.groupby(["property_id", "complex_id"], sort=False)
    found = [
        rows.iloc[0].to_dict() | {"changes": [row for row in rows.to_dict("records") if row["setting"]]}
        for _, rows in by_pair
    ]
    return sorted(found, key=lambda one: -one["traps"])[:MOST_SHORT]


def script_safe(data: Any) -> Markup:
    """Data as JSON that may stand inside a script element, whatever text it holds.

    Parameters
    ----------
    data : object
        Plain values.

    Returns
    -------
    markupsafe.Markup
        ASCII only; no ``<``, ``>`` or ``&``, so nothing in it can end the element or begin another.

    Examples
    --------
    >>> print(script_safe(["</script>"]))
    ["\\u003c/script\\u003e"]
    """
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _shapes(plan: Plan) -> dict[str, Any]:
    """Every layer's shapes, in the order of the rows of its table."""
    study, crs_wkt = plan.study, plan.study.grid.crs_wkt
    sites = _points(plan.sites, crs_wkt)
    return {
        "properties": _areas(plan.properties, crs_wkt),
        "habitat": _areas(plan.habitat, crs_wkt),
        "complexes": _areas(plan.complexes, crs_wkt),
        "service": _areas(plan.service_areas, crs_wkt),
        "access": mixed(plan.access_paths.geometry.to_numpy(), crs_wkt),
        "existing": mixed(study.existing_traps, crs_wkt),
        "sites": sites,
        "candidates": _points(plan.candidates, crs_wkt),
        "roads": _roads(study.roads, crs_wkt),
        "water": mixed(None if study.water is None else study.water.shapes, crs_wkt),
        "buildings": mixed(study.buildings, crs_wkt),
        "exclusions": mixed(study.exclusions, crs_wkt),
        "sightings": _sightings(plan),
        "rounds": _rounds(plan.rounds, crs_wkt),
        "base": [] if study.settings.crews.base is None else [steps(np.array([study.settings.crews.base]))],
    }


def _areas(frame: gpd.GeoDataFrame, crs_wkt: str) -> list[dict[str, Any]]:
    if len(frame) == 0:
        return []
    drawn = display_shapes(frame.geometry.to_numpy(), crs_wkt)
    return [{"areas": areas(shape), "at": middle(shape)} for shape in drawn]


def _points(frame: gpd.GeoDataFrame, crs_wkt: str) -> list[list[int] | None]:
    if len(frame) == 0:
        return []
    x, y = transform_points(frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy(), crs_wkt, GEOGRAPHIC)
    return [steps(np.array([pair])) for pair in zip(x, y, strict=True)]


def _roads(roads: Roads | None, crs_wkt: str) -> dict[str, Any]:
    if roads is None or len(roads.shapes) == 0:
        return {"names": [], "roads": []}
    names = {name: number for number, name in enumerate(dict.fromkeys(roads.names))}
    drawn = display_shapes(roads.shapes, crs_wkt)
    return {
        "names": list(names),
        "roads": [
            {"lines": lines(shape), "truck": truck, "name": names[name]}
            for shape, truck, name in zip(drawn, roads.truck, roads.names, strict=True)
        ],
    }


def _rounds(rounds: gpd.GeoDataFrame, crs_wkt: str) -> dict[str, Any]:
    """Lines of each purpose, and of each round in the order of the table."""
    if len(rounds) == 0:
        return {}
    shapes, purposes = rounds.geometry.to_numpy(), rounds["purpose"].to_numpy()
    return {purpose: once(shapes[purposes == purpose], crs_wkt) for purpose in PURPOSES} | {
        "each": [lines(shape) for shape in display_shapes(shapes, crs_wkt)]
    }


def _sightings(plan: Plan) -> list[dict[str, Any]]:
    seen = plan.study.sightings
    if seen is None or len(seen) == 0:
        return []
    x, y = transform_points(
        seen["x_m"].to_numpy(float), seen["y_m"].to_numpy(float), plan.study.grid.crs_wkt, GEOGRAPHIC
    )
    return [
        {"at": steps(np.array([[east, north]]))} | {name: plain(row.get(name)) for name in ("date", "count", "kind")}
        for east, north, row in zip(x, y, seen.to_dict("records"), strict=True)
    ]


def _tables(plan: Plan) -> dict[str, Any]:
    names = ("properties", "habitat", "complexes", "sites", "candidates")
    return {name: shown_table(name, getattr(plan, name)) for name in names} | plain_tables()


def _score_words(season: str, is_planned: bool, seasons: int) -> str:
    """Label of a season's score in the list of what the map shows."""
    if season == "year_round" and seasons == 1:
        return "Habitat score of the ground"
    words = season.replace("_", " ")
    name = f"Habitat score, {words}" if season == "year_round" else f"Habitat score, {words} season"
    return f"{name} (planned)" if is_planned and seasons > 1 else name


def _image(overlay: Overlay) -> dict[str, Any]:
    west, south, east, north = overlay.bounds
    return {"uri": overlay.uri, "corners": [[south, west], [north, east]]}


def _bounds(plan: Plan) -> list[list[float]]:
    """South-west and north-east corner, latitude first, of what the map shows first.

    The properties, else all cells; with the base where it lies near them.
    """
    bounds = plan.study.grid.bounds_m
    if len(plan.properties) and np.isfinite(plan.properties.total_bounds).all():
        bounds = tuple(plan.properties.total_bounds)
    west, south, east, north = bounds
    x, y = transform_points(
        np.array([west, west, east, east]), np.array([south, north, south, north]), plan.study.grid.crs_wkt, GEOGRAPHIC
    )
    base = plan.study.settings.crews.base
    if base is not None and all(
        one.min() - np.ptp(one) / 4 <= at <= one.max() + np.ptp(one) / 4 for one, at in zip((x, y), base, strict=True)
    ):
        x, y = np.append(x, base[0]), np.append(y, base[1])
    return [[float(y.min()), float(x.min())], [float(y.max()), float(x.max())]]


def _layer_list(shapes: Mapping[str, Any]) -> dict[str, Any]:
    """Layers that have something to draw, in groups, and the names of those that have nothing."""
    has = {
        key: any(len(part) for part in shape.values()) if isinstance(shape, dict) else bool(shape)
        for key, shape in shapes.items()
    }
    groups = [(title, [layer for layer in layers if has[layer.key]]) for title, layers in LAYERS]
    missing = [layer.label for _, layers in LAYERS for layer in layers if not has[layer.key]]
    return {"groups": [(title, layers) for title, layers in groups if layers], "missing": missing}


def _facts(plan: Plan) -> dict[str, Any]:
    """Coordinate system in short and its errors in percent where the plan knows them."""
    facts = {"crs": describe(plan.study.grid.crs_wkt), "cell_m": plan.study.grid.cell_m}
    for name in ("area_error_percent", "length_error_percent"):
        value = plan.facts.get(name)
        if value is not None and math.isfinite(value):
            facts[name] = _error_words(value)
    return facts


def _rule_words(plan: Plan) -> str:
    """How the plan makes whole traps and shares them, for the panel 'what if'."""
    traps = plan.study.settings.traps
    return (
        f"traps are rounded {ROUNDING_WORDS[traps.rounding]} in each complex by itself, a complex of "
        f"{traps.smallest_habitat_acres:g} acres or more gets at least one, and its properties share them by "
        f"{SHARING_WORDS[traps.share_by]}"
    )


def _error_words(error_percent: float) -> str:
    return "less than 0.001 %" if error_percent < 0.001 else f"{error_percent:.2g} %"


def _class_words(least: int, most: int | None) -> str:
    if most is None:
        return f"{least} or more"
    return str(least) if least == most else f"{least} to {most}"


def _number(value: float | None, digits: int = 0) -> str:
    return "not known" if value is None else f"{value:,.{digits}f}"


@cache
def _environment() -> Environment:
    template = _text("templates/map.html")
    environment = Environment(
        autoescape=True, loader=DictLoader({"map.html": template}), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["number"] = _number
    environment.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    return environment


@cache
def _assets() -> dict[str, Markup]:
    """Scripts and styles that go into the page as they are."""
    leaflet = resources.files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    script = re.sub(r"(?m)^//# sourceMappingURL=.*$", "", (leaflet / "leaflet.js").read_text(encoding="utf-8"))
    # The pictures of the library's own buttons and pins are not used; without them nothing is left to load.
    style = re.sub(r"url\([^)]*\)", "none", (leaflet / "leaflet.css").read_text(encoding="utf-8"))
    own = "\n".join(_text(f"templates/{name}") for name in SCRIPTS)
    return {
        "leaflet_script": Markup(script.replace("</script", "<\\/script")),
        "leaflet_style": Markup(style),
        "script": Markup(own),
        "style": Markup(_text("templates/map.css")),
    }


def _text(name: str) -> str:
    return resources.files("allocator.outputs").joinpath(name).read_text(encoding="utf-8")
