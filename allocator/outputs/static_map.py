"""Maps of a whole plan for paper, as SVG that needs no style sheet, over the same picture of the score as the page."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from markupsafe import Markup

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.results import Plan
from allocator.core.study import Shapes
from allocator.core.units import METRES_PER_FOOT, METRES_PER_MILE
from allocator.outputs.coordinates_words import distance_words
from allocator.outputs.map_image import MERCATOR, RAMP, score_overlay
from allocator.outputs.number_words import count, number
from allocator.outputs.site_map import round_length
from allocator.outputs.styles import colour
from allocator.outputs.svg_paths import path_of, text_at
from allocator.outputs.web_map import TRAP_CLASSES
from allocator.outputs.work_tables import PURPOSES, records

WIDTH, BAR = 720, 150
"""Units across a map, about as many as a sheet of letter paper holds points; longest scale bar."""
FLATTEST, TALLEST = 0.45, 1.05
"""Least and most height of a map, as a part of its width."""
STRAY = 0.6
"""How far a drawn line may stray from the true one, units."""
MOST_OUTLINED = 2000
"""Properties whose lines a map can show; of more, only some that need traps are drawn."""
MARKS = ((60, (9, 10)), (300, (7, 8)), (math.inf, (3, 0)))
"""Most sites on a map, and for as many the radius of a mark and the height of its number; 0: no number."""
LEAST_ROOM, LAST_PALE = 14, 2
"""Units that a property is wide and high to bear its number; the last shade on which that is dark."""
SHOP_UNITS, METRIC_UNITS = (("miles", METRES_PER_MILE), ("ft", METRES_PER_FOOT)), (("km", 1000.0), ("m", 1.0))
KEY_WORDS = {
    "site": "trap site, with its number in build order", "circle": "edge of the ground that a site serves",
    "way": "way in on foot from the truck road", "existing": "trap standing already", "base": "base of the crews",
    "patch": "habitat", "patch-line": "edge of a habitat patch", "water": "water", "yes": "road: trucks all year",
    "dry": "road: trucks in dry weather only", "no": "road: no trucks", "exclusion": "no traps allowed here",
    "own": "property, signed up", "unsigned": "property, not signed up",
    **{name: f"round: {words[:1].lower()}{words[1:]}" for name, words in PURPOSES.items()},
}  # fmt: skip
LINE, BOX = '<path d="M1 7H25" {}/>', '<path d="M2 1H24V13H2Z" {}/>'
KEY_SHAPES = {"site": '<circle cx="13" cy="7" r="6" {}/>', "base": '<path d="M13 1l8 5v8h-16v-8z" {}/>', "patch": BOX,
              "existing": BOX}  # fmt: skip
GROUND, LAND = ("patch", "water", "yes", "dry", "no", "exclusion"), ("own", "unsigned")
"""What lies under sites and rounds, and whose land it is, as named in ``KEY_WORDS``."""
Key = list[tuple[Markup, str]]


@dataclass(frozen=True)
class PlanMap:
    """One map with its key.

    Parameters
    ----------
    key_name : str
        Plain letters, such as ``sites``.
    title, alt : str
        Its heading, and what it shows in words.
    drawing : markupsafe.Markup
        SVG without any user text; clear where the score is to show from under it.
    key : list of (markupsafe.Markup, str)
        Mark and words.
    shows_score : bool
        Whether the picture of the score lies under it.
    left_out : str
        What is not drawn; empty where all is.
    """

    key_name: str
    title: str
    alt: str
    drawing: Markup
    key: Key
    shows_score: bool
    left_out: str = ""


@dataclass(frozen=True)
class PlanMaps:
    """Every map of a plan, all of the same ground.

    Parameters
    ----------
    maps : tuple of PlanMap
        Those that have something to show.
    score_uri : str
        Picture of the score as a data URI; empty without one.
    score_place : str
        Where it lies under a map: position and size as CSS writes them for a background.
    """

    maps: tuple[PlanMap, ...]
    score_uri: str
    score_place: str


@dataclass(frozen=True)
class _Frame:
    """The ground of the maps: north-west corner and size of a unit in Mercator metres, and a unit's length on it."""

    crs_wkt: str
    west: float
    north: float
    unit: float
    height: int
    ground_m: float

    def drawn(self, shapes: Shapes | None) -> list[Any]:
        """The shapes that the map holds, in its units, in their order; None where nothing is to be seen of one."""
        if shapes is None or len(shapes) == 0:
            return []
        across, down = np.meshgrid(np.linspace(0, WIDTH, 17), np.linspace(0, self.height, 17))
        east, north = self.west + across.ravel() * self.unit, self.north - down.ravel() * self.unit
        x, y = transform_points(east, north, MERCATOR, self.crs_wkt)
        edge = 0.05 * max(np.ptp(x), np.ptp(y))
        box = (x.min() - edge, y.min() - edge, x.max() + edge, y.max() + edge)
        near: Any = shapely.clip_by_rect(shapely.force_2d(np.asarray(shapes, dtype=object)), *box)
        near = shapely.simplify(near, STRAY * self.ground_m, preserve_topology=False)
        at = shapely.get_coordinates(near)
        if len(at):
            x, y = transform_points(at[:, 0], at[:, 1], self.crs_wkt, MERCATOR)
            placed = np.column_stack([(x - self.west) / self.unit, (self.north - y) / self.unit])
            near = shapely.set_coordinates(near.copy(), placed)
        return [None if shape is None or shape.is_empty else shape for shape in near]


def plan_maps(plan: Plan) -> PlanMaps:
    """The maps of a plan: score, traps by property, sites, rounds.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    PlanMaps
        North is up. A map that would show nothing is left out.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    frame = _frame(plan)
    overlay = score_overlay(plan.score)
    maps = [_score_map(plan, frame, overlay is not None), _traps_map(plan, frame)]
    has_sites = len(plan.sites) or plan.study.existing_traps is not None
    maps += [_sites_map(plan, frame, overlay is not None)] if has_sites else []
    maps += [_rounds_map(plan, frame)] if any(frame.drawn(plan.rounds.geometry.to_numpy())) else []
    shown = len(_outlined(plan))
    if shown < len(plan.properties):
        left_out = f"Lines of {shown:,} of {len(plan.properties):,} properties are drawn, those that need most traps."
        maps = [replace(one, left_out=left_out) for one in maps]
    if overlay is None:
        return PlanMaps(tuple(maps), "", "")
    west, south, east, north = overlay.bounds
    x, y = transform_points(np.array([west, east]), np.array([south, north]), GEOGRAPHIC, MERCATOR)
    wide, high = frame.unit * WIDTH, frame.unit * frame.height
    left, across = float(x[0] - frame.west) / wide, float(x[1] - x[0]) / wide
    top, down = float(frame.north - y[1]) / high, float(y[1] - y[0]) / high
    place = f"{_share(left, across)} {_share(top, down)} / {100 * across:.4f}% {100 * down:.4f}%"
    return PlanMaps(tuple(maps), overlay.uri, place)


def _share(start: float, size: float) -> str:
    """Where a background begins, in the way of CSS: as a part of the room that it leaves."""
    room = 1 - size
    return f"{100 * start / room:.4f}%" if abs(room) > 1e-9 else "0%"


def _base(plan: Plan) -> tuple[float, float] | None:
    """Where crews start, in Mercator metres."""
    base = plan.study.settings.crews.base
    if base is None:
        return None
    x, y = transform_points(np.array([base[0]]), np.array([base[1]]), GEOGRAPHIC, MERCATOR)
    return float(x[0]), float(y[0])


def _frame(plan: Plan) -> _Frame:
    """All properties, else all cells, with a margin; and the base where it lies near them."""
    crs_wkt, base = plan.study.grid.crs_wkt, _base(plan)
    bounds = tuple(plan.properties.total_bounds) if len(plan.properties) else ()
    west, south, east, north = bounds if bounds and np.isfinite(bounds).all() else plan.study.grid.bounds_m
    x, y = transform_points(np.array([west, west, east, east]), np.array([south, north] * 2), crs_wkt, MERCATOR)
    sides = [(float(one.min()), float(one.max())) for one in (x, y)]
    if base is not None and all(
        low - (high - low) / 4 <= at <= high + (high - low) / 4 for (low, high), at in zip(sides, base, strict=True)
    ):
        sides = [(min(low, at), max(high, at)) for (low, high), at in zip(sides, base, strict=True)]
    across, down = (1.06 * max(high - low, 1.0) for low, high in sides)
    across, down = max(across, down / TALLEST), max(down, across * FLATTEST)
    middle_x, middle_y = ((low + high) / 2 for low, high in sides)
    ends = middle_x + np.array([-0.5, 0.5]) * across, np.full(2, middle_y)
    ground = [float(np.ptp(one)) for one in transform_points(*ends, MERCATOR, crs_wkt)]
    corner, height = (middle_x - across / 2, middle_y + down / 2), round(down / across * WIDTH)
    return _Frame(crs_wkt, *corner, across / WIDTH, height, ground_m=math.hypot(*ground) / WIDTH)


def _score_map(plan: Plan, frame: _Frame, has_score: bool) -> PlanMap:
    parts = _shapes(frame, getattr(plan.study.water, "shapes", None), "water")
    parts += _shapes(frame, plan.habitat.geometry.to_numpy(), "patch-line")
    parts += _property_lines(plan, frame, with_edge=True)
    ramp: Key = [(_swatch(shade), f"score {at / 4:.2f}") for at, shade in enumerate(RAMP if has_score else ())]
    many = "1 patch" if len(plan.habitat) == 1 else f"{len(plan.habitat):,} patches"
    told = f"{number(plan.totals.habitat_acres, 1)} acres of habitat on these properties; {many} outlined."
    key = ramp + _key(plan, ("patch-line", "water", *LAND))
    return _map(frame, "score", "Habitat score, patches and property lines", told, parts, key, has_score)


def _traps_map(plan: Plan, frame: _Frame) -> PlanMap:
    properties = _outlined(plan)
    drawn = zip(records("properties", properties), frame.drawn(properties.geometry.to_numpy()), strict=True)
    areas, words, used = [], [], set()
    for row, shape in drawn:
        if shape is None or row["enrolled"] != "yes":
            continue
        shade, bounds = _shade(int(row["traps"])), shape.bounds
        areas.append(path_of([shape], 'fill="#fff"' if shade < 0 else f'fill="{colour(f"traps-{shade}")}"'))
        if shade >= 0:
            used.add(shade)
            if min(bounds[2] - bounds[0], bounds[3] - bounds[1]) >= LEAST_ROOM:
                at, fill = shapely.point_on_surface(shape), "#fff" if shade > LAST_PALE else colour("ink")
                words.append(text_at(at.x, at.y + 4, f"{row['traps']:,}", fill, "middle"))
    key: Key = [(_swatch(colour(f"traps-{shade}")), _shade_words(shade)) for shade in sorted(used)]
    told = f"{count(plan.totals.traps, 'trap')} needed; the table of properties has the numbers."
    parts = [*areas, *_property_lines(plan, frame), *words]
    return _map(frame, "traps", "Traps needed by property", told, parts, key + _key(plan, LAND), False)


def _sites_map(plan: Plan, frame: _Frame, has_score: bool) -> PlanMap:
    veil = f'<rect width="{WIDTH}" height="{frame.height}" fill="#fff" fill-opacity="0.6"/>' if has_score else ""
    parts = [
        veil, *_ground(plan, frame), *_property_lines(plan, frame),
        *_shapes(frame, plan.service_areas.geometry.to_numpy(), "circle"),
        *_shapes(frame, plan.access_paths.geometry.to_numpy(), "way"),
        *_shapes(frame, plan.study.existing_traps, "existing"), *_site_marks(plan, frame),
    ]  # fmt: skip
    told = f"{count(plan.totals.sites, 'site')}, each serving habitat within "
    told += f"{distance_words(plan.study.settings.service_radius_m)}."
    told += " Darker ground scores higher." if has_score else ""
    key = _key(plan, ("site", "circle", "way", "existing", *GROUND, *LAND))
    return _map(frame, "sites", "Trap sites, ways in and ground served", told, parts, key, has_score)


def _rounds_map(plan: Plan, frame: _Frame) -> PlanMap:
    rounds, purpose, base = plan.rounds.geometry.to_numpy(), plan.rounds["purpose"].to_numpy(), _base(plan)
    parts = [*_ground(plan, frame), *_property_lines(plan, frame)]
    for name in PURPOSES:
        parts += _shapes(frame, np.array([shapely.union_all(rounds[purpose == name])], dtype=object), name)
    parts += _site_marks(plan, frame)
    if base is not None:
        x, y = (base[0] - frame.west) / frame.unit, (frame.north - base[1]) / frame.unit
        parts.append(f'<path d="M{x:.1f} {y - 11:.1f}l10 8v11h-20v-11z" {_looks()["base"]}/>')
    told = f"{count(len(plan.rounds), 'round')} from the base to the sites; the table of rounds has days and miles."
    key = _key(plan, (*PURPOSES, "site", "base", *GROUND, *LAND))
    return _map(frame, "rounds", "Rounds that crews drive", told, parts, key, False)


def _map(
    frame: _Frame, name: str, title: str, told: str, parts: Iterable[str], key: Key, shows_score: bool
) -> PlanMap:  # fmt: skip
    across_m = WIDTH * frame.ground_m
    size = f"{across_m / METRES_PER_MILE:,.1f} miles ({across_m / 1000:,.1f} km) across, north up"
    alt = f"Map: {title[:1].lower()}{title[1:]}, {size}. {told}"
    ground = "" if shows_score else f'<rect width="{WIDTH}" height="{frame.height}" fill="{colour("leaf")}"/>'
    drawing = '<svg class="map" viewBox="0 0 {0} {1}" width="{0}" height="{1}" role="img" aria-label="{2}">{3}</svg>'
    inside = Markup(ground + "".join(parts) + _north_arrow() + _bars(frame))
    return PlanMap(name, title, alt, Markup(drawing).format(WIDTH, frame.height, alt, inside), key, shows_score)


@cache
def _looks() -> dict[str, str]:
    """How each thing is drawn, as attributes: told apart by dash, width and shape as well as by colour."""
    ink, clay, spruce, road, plum, water = map(colour, ("ink", "clay", "spruce", "road", "plum", "water"))

    def line(shade: str, width: float, dashes: str = "none") -> str:
        return f'fill="none" stroke="{shade}" stroke-width="{width}" stroke-dasharray="{dashes}"'

    return {
        "own": line(ink, 1.6), "unsigned": line(ink, 1.1, "6 4"), "edge": line("#fff", 3.4),
        "circle": line(clay, 1.5, "2 3"), "patch-line": line(spruce, 1),
        "patch": f'fill="{spruce}" fill-opacity="0.16" fill-rule="evenodd"',
        "water": f'fill="{water}" fill-opacity="0.6" fill-rule="evenodd" stroke="{water}" stroke-width="1.5"',
        "yes": line(road, 1.8), "dry": line(road, 1.8, "5 3"), "no": line(colour("road-no"), 0.9, "1 3"),
        "exclusion": line(plum, 1.6, "5 2 1 2"), "way": line(ink, 2, "3 2"),
        "check": line(spruce, 7) + ' stroke-opacity="0.4"', "bait": line(plum, 3, "0.1 6") + ' stroke-linecap="round"',
        "base": f'fill="{ink}" stroke="#fff"',
        "site": f'fill="{clay}" stroke="#fff" stroke-width="1.5"', "existing": f'fill="{spruce}" stroke="#fff"',
    }  # fmt: skip


def _key(plan: Plan, names: Iterable[str]) -> Key:
    """Marks and words of what there is on the map."""
    study, roads = plan.study, plan.study.roads
    signed = set(_outlined(plan)["enrolled"].map({True: "own", "yes": "own", False: "unsigned", "no": "unsigned"}))
    given = {"water": study.water, "exclusion": study.exclusions, "existing": study.existing_traps, "base": _base(plan)}
    frames = {"site": plan.sites, "circle": plan.service_areas, "way": plan.access_paths, "patch": plan.habitat,
              "patch-line": plan.habitat}  # fmt: skip
    used = signed | set(() if roads is None else roads.truck) | set(plan.rounds["purpose"])
    used |= {name for name, part in given.items() if part is not None}
    used |= {name for name, part in frames.items() if len(part)}
    return [
        (_mark(KEY_SHAPES.get(name, LINE).format(_looks()[name])), KEY_WORDS[name]) for name in names if name in used
    ]


def _mark(inside: str) -> Markup:
    return Markup(f'<svg class="key-mark" viewBox="0 0 26 14" width="26" height="14" aria-hidden="true">{inside}</svg>')


def _swatch(fill: str) -> Markup:
    return _mark(BOX.format(f'fill="{fill}" stroke="{colour("ink")}"'))


def _shapes(frame: _Frame, shapes: Shapes | None, look: str) -> list[str]:
    drawn = [shape for shape in frame.drawn(shapes) if shape is not None]
    return [path_of(drawn, _looks()[look])] if drawn else []


def _outlined(plan: Plan) -> gpd.GeoDataFrame:
    """Properties whose lines are drawn: all, or of very many those with most traps, as many as can be told apart."""
    if len(plan.properties) <= MOST_OUTLINED:
        return plan.properties
    traps = plan.properties["traps"].to_numpy(float)
    most = np.argsort(-traps, kind="stable")[:MOST_OUTLINED]
    return plan.properties.iloc[np.sort(most[traps[most] > 0])]


def _property_lines(plan: Plan, frame: _Frame, with_edge: bool = False) -> list[str]:
    properties = _outlined(plan)
    is_signed = properties["enrolled"].isin((True, "yes")).to_numpy()
    shapes = properties.geometry.to_numpy()
    edge = _shapes(frame, shapes, "edge") if with_edge else []
    return edge + _shapes(frame, shapes[~is_signed], "unsigned") + _shapes(frame, shapes[is_signed], "own")


def _ground(plan: Plan, frame: _Frame) -> list[str]:
    """Habitat, water, roads, and places where no trap may stand."""
    found, roads = _shapes(frame, plan.habitat.geometry.to_numpy(), "patch"), plan.study.roads
    found += _shapes(frame, getattr(plan.study.water, "shapes", None), "water")
    if roads is not None:
        truck = np.array(roads.truck, dtype=object)
        found += [path for kind in ("no", "dry", "yes") for path in _shapes(frame, roads.shapes[truck == kind], kind)]
    return found + _shapes(frame, plan.study.exclusions, "exclusion")


def _site_marks(plan: Plan, frame: _Frame) -> list[str]:
    """Sites, the best of them on top, with their numbers as long as these can be read."""
    ranks, drawn = plan.sites["rank"].tolist(), frame.drawn(plan.sites.geometry.to_numpy())
    radius, size = next(look for most, look in MARKS if len(ranks) <= most)
    found = []
    for rank, at in sorted(zip(ranks, drawn, strict=True), key=lambda pair: -int(pair[0])):
        if at is not None:
            mark = f'<circle cx="{at.x:.1f}" cy="{at.y:.1f}" r="{radius}" {_looks()["site"]}/>'
            words = text_at(at.x, at.y + size / 3, f"{int(rank)}", "#fff", "middle", size) if size else ""
            found.append(mark + words)
    return found


def _shade(traps: int) -> int:
    """Place of a number of traps among the shades; -1 for no traps."""
    return max((at for at, (least, _) in enumerate(TRAP_CLASSES) if traps >= least), default=-1)


def _shade_words(shade: int) -> str:
    least, most = TRAP_CLASSES[shade]
    span = f"{least} or more" if most is None else f"{least} to {most}"
    return count(least, "trap") if least == most else f"{span} traps"


def _north_arrow() -> str:
    arrow = f'<path d="M{WIDTH - 20} 10l7 18l-7 -4l-7 4z" fill="{colour("ink")}"/>'
    plate = f'<rect x="{WIDTH - 34}" y="5" width="28" height="42" fill="#fff" fill-opacity="0.9"/>'
    return plate + arrow + text_at(WIDTH - 20, 42, "N", colour("ink"), "middle", 13)


def _bars(frame: _Frame) -> str:
    """Two scale bars, the longest round lengths that fit: in miles or feet, and in kilometres or metres."""
    top, most_m = frame.height - 50, BAR * frame.ground_m
    parts = [f'<rect x="6" y="{top}" width="{BAR + 70}" height="44" fill="#fff" fill-opacity="0.9"/>']
    for down, units in ((top + 10, SHOP_UNITS), (top + 29, METRIC_UNITS)):
        unit, unit_m = next((one for one in units if most_m >= one[1]), units[-1])
        length = round_length(max(1.0, most_m / unit_m))
        across = length * unit_m / frame.ground_m
        line = f'<path d="M13 {down}v7h{across:.1f}v-7" fill="none" stroke="{colour("ink")}" stroke-width="1.6"/>'
        words = f"{length:,} {'mile' if unit == 'miles' and length == 1 else unit}"
        parts.append(line + text_at(19 + across, down + 8, words, colour("ink")))
    return "".join(parts)
