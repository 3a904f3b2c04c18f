"""Small maps around one site for its card, north at the top, as SVG without any user text but ids."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup

from allocator.core.arrays import Floats
from allocator.core.crs import GEOGRAPHIC, transform_points, true_axes
from allocator.core.results import Plan
from allocator.core.study import Shapes
from allocator.core.units import METRES_PER_FOOT
from allocator.outputs.svg_paths import steps_of

WIDTH, HEIGHT = 366, 210
"""Size of a map in its own units, which are near the points of a screen."""
NEAREST_M = 60.0
"""Least half height of a close map, metres."""
WIDEST_BAR = 120
"""Longest scale bar in units of the map."""
_ROOM = 1.4
_STRAY = 0.3
_FOOT_LENGTHS = (1, 2, 5)
_ROADS = {"yes": "road-yes", "dry": "road-dry", "no": "road-no"}


@dataclass(frozen=True)
class Layer:
    """Shapes that are drawn alike.

    Parameters
    ----------
    look : str
        Class of the style sheet.
    shapes : array of shapely shapes
        In the study's coordinate system.
    tree : shapely.STRtree
        Finds those near a site.
    """

    look: str
    shapes: Shapes
    tree: shapely.STRtree


@dataclass(frozen=True)
class Surroundings:
    """What small maps are drawn from; made once for all sites of a plan.

    Parameters
    ----------
    crs_wkt : str
        Coordinate system of the shapes.
    layers : tuple of Layer
        The lowest first.
    places : dict of str to shapely point
        Sites by id.
    own, served, ways : dict of str to shapely shape
        Property with a site by its id; ground served and way in by site id.
    """

    crs_wkt: str
    layers: tuple[Layer, ...]
    places: dict[str, Any]
    own: dict[str, Any]
    served: dict[str, Any]
    ways: dict[str, Any]

    @cached_property
    def place_tree(self) -> shapely.STRtree:
        """Finds sites near another, in the order of ``places``."""
        return shapely.STRtree(list(self.places.values()))

    @cached_property
    def axes(self) -> dict[str, Floats]:
        """What a metre along each axis of the coordinate system is at each site, towards true east and north."""
        at = shapely.get_coordinates(list(self.places.values()))
        return dict(zip(self.places, true_axes(at[:, 0], at[:, 1], self.crs_wkt), strict=True))


@dataclass(frozen=True)
class _Frame:
    """Where the map lies: its middle in the study's system, how that lies on the ground there, metres to a unit."""

    middle: Floats
    axes: Floats
    metres: float

    @property
    def reach_m(self) -> float:
        """How far from the middle something may lie and still be on the map, metres."""
        return math.hypot(WIDTH, HEIGHT) / 2 * self.metres * 1.1

    def drawn(self, shapes: Shapes) -> Shapes:
        """Shapes near the map in its units, without what lies far outside or is too small to see."""
        box = (*(self.middle - self.reach_m), *(self.middle + self.reach_m))
        near = shapely.clip_by_rect(shapely.force_2d(np.asarray(shapes, dtype=object)), *box)
        near = near[~(shapely.is_missing(near) | shapely.is_empty(near))]
        corners = shapely.get_coordinates(near)
        if not len(corners):
            return np.asarray(near, dtype=object)
        steps = (corners - self.middle) @ self.axes.T / self.metres
        placed = shapely.set_coordinates(near.copy(), (WIDTH / 2, HEIGHT / 2) + steps * (1, -1))
        return np.asarray(shapely.simplify(placed, _STRAY, preserve_topology=False), dtype=object)


def surroundings(plan: Plan) -> Surroundings:
    """Everything of a plan that small maps show.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    Surroundings
        With search trees.
    """
    study = plan.study
    roads = study.roads
    truck = np.array([] if roads is None else roads.truck, dtype=object)
    kinds = [
        ("habitat", plan.habitat.geometry.to_numpy()),
        ("water", None if study.water is None else study.water.shapes),
        ("exclusion", study.exclusions),
        ("line", plan.properties.geometry.to_numpy()),
        *((look, None if roads is None else roads.shapes[truck == kind]) for kind, look in reversed(_ROADS.items())),
        ("building", study.buildings),
        ("existing", study.existing_traps),
    ]
    layers = [Layer(look, shapes, shapely.STRtree(shapes)) for look, shapes in kinds if shapes is not None]
    with_site = plan.properties[plan.properties["property_id"].isin(plan.sites["property_id"])]
    return Surroundings(
        study.grid.crs_wkt, tuple(layers),
        places=_by_id(plan.sites["site_id"], plan.sites), own=_by_id(with_site["property_id"], with_site),
        served=_by_id(plan.service_areas["site_id"], plan.service_areas),
        ways=_by_id(plan.access_paths["site_id"], plan.access_paths),
    )  # fmt: skip


def _by_id(ids: Iterable[str], frame: Any) -> dict[str, Any]:
    return {
        name: shape for name, shape in zip(ids, frame.geometry, strict=True) if not (shape is None or shape.is_empty)
    }


def half_heights(around: Surroundings, site_id: str) -> tuple[float, float]:
    """How far the wide and the close map of a site reach to the north and south.

    Parameters
    ----------
    around : Surroundings
        The plan's shapes.
    site_id : str
        The site.

    Returns
    -------
    wide_m, close_m : float
        Metres. The wide one shows most of the ground served, both show the whole way in.
    """
    site, way, served = around.places[site_id], around.ways.get(site_id), around.served.get(site_id)
    way_m = 0.0 if way is None else _ROOM * float(shapely.hausdorff_distance(site, way))
    served_m = 600.0 if served is None else 0.92 * float(shapely.hausdorff_distance(site, served))
    return max(way_m, served_m), max(way_m, NEAREST_M)


def parking(around: Surroundings, site_id: str) -> tuple[float, float] | None:
    """Where the way in leaves the road.

    Parameters
    ----------
    around : Surroundings
        The plan's shapes.
    site_id : str
        The site.

    Returns
    -------
    tuple of float or None
        Latitude and longitude in WGS 84; None where no way was found.
    """
    way = around.ways.get(site_id)
    if way is None:
        return None
    start = shapely.get_coordinates(way)[:1]
    longitude, latitude = transform_points(start[:, 0], start[:, 1], around.crs_wkt, GEOGRAPHIC)
    return float(latitude[0]), float(longitude[0])


def site_map(
    around: Surroundings, site_id: str, property_id: str, *, half_height_m: float, door_bearing_deg: float | None
) -> Markup:
    """A map around a site.

    Parameters
    ----------
    around : Surroundings
        The plan's shapes.
    site_id, property_id : str
        The site and the property that it stands on.
    half_height_m : float
        How far the map reaches to the north and south, metres.
    door_bearing_deg : float or None
        Which way the door faces, from true north; None where not known.

    Returns
    -------
    markupsafe.Markup
        SVG: property lines, habitat, water, roads, way in, ground served, other sites; scale bars in feet and metres.
        True north is up, whatever way the study's coordinate system is turned here.
    """
    frame = _frame(around, site_id, half_height_m)
    site = around.places[site_id]
    near = site.buffer(frame.reach_m)
    parts = [_path(layer.look, frame.drawn(layer.shapes[np.sort(layer.tree.query(near))])) for layer in around.layers]
    own, served, way = around.own.get(property_id), around.served.get(site_id), around.ways.get(site_id)
    lower = (("own", own), ("served-edge", served), ("served", served))
    upper = (("way-edge", way), ("way", way))
    parts += [_one(look, shape, frame) for look, shape in lower]
    parts += [*_other_sites(around, frame, site_id), _north(), *_bars(frame.metres)]
    parts += [_one(look, shape, frame) for look, shape in upper]
    parts += [_park(around, frame, site_id), _marker(door_bearing_deg)]
    across_m = WIDTH * frame.metres
    label = f"Map around site {site_id}, {across_m / METRES_PER_FOOT:,.0f} ft ({across_m:,.0f} m) across, north up"
    return Markup('<svg class="map" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        WIDTH, HEIGHT, label, Markup("").join(parts)
    )


def _frame(around: Surroundings, site_id: str, half_height_m: float) -> _Frame:
    middle = shapely.get_coordinates(around.places[site_id])[0]
    return _Frame(middle, around.axes[site_id], 2 * half_height_m / HEIGHT)


def _one(look: str, shape: Any, frame: _Frame) -> Markup:
    return Markup("") if shape is None else _path(look, frame.drawn(np.array([shape], dtype=object)))


def _path(look: str, shapes: Shapes) -> Markup:
    """One path for areas and points, and one that is not filled for lines."""
    parts = [part for shape in shapes for part in _single(shape)]
    found = Markup("")
    for more, chosen in (("", [part for part in parts if not _is_line(part)]), (" open", filter(_is_line, parts))):
        steps = "".join(map(steps_of, chosen))
        if steps:
            found += Markup('<path class="{}{}" d="{}"/>').format(look, more, steps)
    return found


def _is_line(part: Any) -> bool:
    return part.geom_type in ("LineString", "LinearRing")


def _single(shape: Any) -> Iterator[Any]:
    """Points, lines and polygons of a shape, also out of collections of collections."""
    if shape.geom_type in ("Point", "LineString", "LinearRing", "Polygon"):
        if not shape.is_empty:
            yield shape
        return
    for part in shape.geoms:
        yield from _single(part)


def _other_sites(around: Surroundings, frame: _Frame, site_id: str) -> list[Markup]:
    found = []
    names, places = list(around.places), list(around.places.values())
    for number in np.sort(around.place_tree.query(around.places[site_id].buffer(frame.reach_m))):
        name, place = names[number], places[number]
        if name == site_id:
            continue
        for at in frame.drawn(np.array([place], dtype=object)):
            circle = Markup('<circle class="other" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(at.x, at.y)
            words = Markup('<text class="small" x="{:.1f}" y="{:.1f}">{}</text>').format(at.x + 7, at.y + 4, name)
            found.append(circle + words)
    return found


def _park(around: Surroundings, frame: _Frame, site_id: str) -> Markup:
    """A square with P where the way in starts; none where the mark of the site would lie on it."""
    way = around.ways.get(site_id)
    if way is None:
        return Markup("")
    start = frame.drawn(np.array([shapely.Point(way.coords[0])], dtype=object))[0]
    if math.hypot(start.x - WIDTH / 2, start.y - HEIGHT / 2) < 18:
        return Markup("")
    return Markup(
        '<g transform="translate({:.1f} {:.1f})"><rect class="park" x="-7" y="-7" width="14" height="14"/>'
        '<text class="park-word" y="4">P</text></g>'
    ).format(start.x, start.y)


def _marker(door_bearing_deg: float | None) -> Markup:
    door = Markup("")
    if door_bearing_deg is not None:
        door = Markup('<path class="door" transform="rotate({:.0f})" d="M0 -17L6 -8H-6Z"/>').format(door_bearing_deg)
    return Markup('<g transform="translate({} {})"><circle class="site" r="7"/>{}</g>').format(
        WIDTH / 2, HEIGHT / 2, door
    )


def _north() -> Markup:
    return Markup(
        '<g transform="translate({} 8)"><rect class="plate" x="-11" y="-4" width="22" height="34"/>'
        '<path class="door" d="M0 0L6 14L0 11L-6 14Z"/><text class="middle" y="26">N</text></g>'
    ).format(WIDTH - 18)


def _bars(metres: float) -> list[Markup]:
    """Two scale bars, the longest round lengths in feet and in metres that fit, on a plate as wide as they need."""
    found, widest = [], 0.0
    for place, (unit, unit_m) in enumerate((("ft", METRES_PER_FOOT), ("m", 1.0))):
        length = round_length(WIDEST_BAR * metres / unit_m)
        across, down = length * unit_m / metres, HEIGHT - 30 + 17 * place
        bar = Markup('<path class="bar" d="M10 {}v5h{:.1f}v-5"/>').format(down - 4, across)
        words = Markup('<text class="small" x="{:.1f}" y="{}">{:,} {}</text>')
        found.append(bar + words.format(15 + across, down + 3, length, unit))
        widest = max(widest, 15 + across + 7 * len(f"{length:,} {unit}"))
    plate = Markup('<rect class="plate" x="5" y="{}" width="{:.0f}" height="39"/>').format(HEIGHT - 44, widest)
    return [plate, *found]


def round_length(most: float) -> int:
    """The longest of 1, 2, 5, 10, 20, 50 and so on that is not longer.

    Parameters
    ----------
    most : float
        At least 1.

    Returns
    -------
    int
        The length.

    Examples
    --------
    >>> round_length(499), round_length(500)
    (200, 500)
    """
    power = int(10 ** math.floor(math.log10(most)))
    return max(step * power for step in _FOOT_LENGTHS if step * power <= most)


def map_key(plan: Plan) -> list[tuple[Markup, str]]:
    """What the lines and marks of the maps mean.

    Parameters
    ----------
    plan : Plan
        The plan; what it has nothing of is left out.

    Returns
    -------
    list of (markupsafe.Markup, str)
        Picture and words.
    """
    study, line, area = plan.study, '<path class="{0}" d="M1 6H25"/>', '<path class="{0}" d="M1 1H25V11H1Z"/>'
    has_roads, square = study.roads is not None, '<path class="{0}" d="M9 2h8v8h-8z"/>'
    entries = [
        (True, '<circle class="site" cx="13" cy="6" r="5"/>', "this site"),
        (True, '<path class="door" d="M13 1L19 11H7Z"/>', "way the door faces"),
        (True, '<circle class="other" cx="13" cy="6" r="4.5"/>', "other site"),
        (study.existing_traps is not None, square.format("existing"), "trap standing already"),
        (True, '<rect class="park" x="7" y="0.7" width="11" height="11"/>', "P: park, the way in starts"),
        (True, line.format("way"), "way in on foot"),
        (True, line.format("own"), "line of this property"),
        (True, line.format("line"), "other property line"),
        (True, area.format("habitat"), "habitat"),
        (study.water is not None, area.format("water"), "water"),
        (has_roads, line.format("road-yes"), "truck road"),
        (has_roads, line.format("road-dry"), "dry weather only"),
        (has_roads, line.format("road-no"), "not for trucks"),
        (study.buildings is not None, square.format("building"), "building"),
        (study.exclusions is not None, area.format("exclusion"), "no traps here"),
        (True, line.format("served"), "edge of ground served"),
    ]
    frame = Markup('<svg class="key-mark" viewBox="0 0 26 12" aria-hidden="true">{}</svg>')
    return [(frame.format(Markup(mark)), words) for is_there, mark, words in entries if is_there]
