"""Maps for paper: scale against the ellipsoid, score in its place, marks where they belong, keys of what is there."""

import re
from dataclasses import replace
from typing import Any

import lxml.html
import numpy as np
import pytest
import shapely
from pyproj import Geod

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.results import Plan
from allocator.core.study import Water
from allocator.core.units import METRES_PER_FOOT, METRES_PER_MILE
from allocator.outputs.map_image import score_overlay
from allocator.outputs.static_map import WIDTH, PlanMap, plan_maps
from allocator.outputs.styles import colour
from tests.unit.outputs import map_plan, plan_builder
from tests.unit.outputs.map_plan import PAYLOADS

GEOD = Geod(ellps="WGS84")
UNITS = {"miles": METRES_PER_MILE, "mile": METRES_PER_MILE, "ft": METRES_PER_FOOT, "km": 1000.0, "m": 1.0}


def _map(plan: Plan, name: str) -> PlanMap:
    return next(one for one in plan_maps(plan).maps if one.key_name == name)


def _drawing(plan: Plan, name: str) -> Any:
    return lxml.html.fromstring(str(_map(plan, name).drawing))


def _marks(plan: Plan, name: str = "sites") -> dict[str, tuple[float, float]]:
    """Middle of the mark of each site by its number."""
    svg = _drawing(plan, name)
    circles = [one for one in svg.iter("circle") if one.get("fill") == colour("clay")]
    numbers = [one.getnext().text for one in circles]
    return {word: (float(at.get("cx")), float(at.get("cy"))) for word, at in zip(numbers, circles, strict=True)}


def _bars(plan: Plan) -> dict[str, tuple[float, float]]:
    """Length in units of the drawing and in metres of every scale bar, by its unit."""
    found = {}
    drawing = str(_map(plan, "score").drawing)
    for path, words in re.findall(r'd="M13 [\d.]+v7h([\d.]+)v-7"[^>]*/><text[^>]*>([^<]+)<', drawing):
        length, unit = words.split()
        found[unit] = float(path), float(length.replace(",", "")) * UNITS[unit]
    return found


def test_scale_bars_agree_with_the_ellipsoid() -> None:
    """Against the geodesic between two sites (pyproj Geod, WGS 84); Mercator strays by well under 1 percent."""
    plan = map_plan.make_plan()
    marks = _marks(plan)
    first, last = plan.sites.iloc[0], plan.sites.iloc[-1]
    _, _, apart_m = GEOD.inv(first["longitude"], first["latitude"], last["longitude"], last["latitude"])
    units = np.hypot(*np.subtract(marks["1"], marks[str(len(plan.sites))]))
    bars = _bars(plan)
    assert set(bars) == {"ft", "km"}
    for drawn, metres in bars.values():
        assert drawn * apart_m / units == pytest.approx(metres, rel=0.005)
        assert 40 <= drawn <= 150


def test_small_ground_has_bars_in_feet_and_metres() -> None:
    bars = _bars(plan_builder.make_plan())
    assert set(bars) == {"ft", "m"} and bars["m"][1] == 50.0 and bars["ft"][1] == pytest.approx(200 * 0.3048)


def test_north_is_up_and_the_best_site_lies_on_top() -> None:
    plan = map_plan.make_plan()
    marks = _marks(plan)
    north = plan.sites.sort_values("latitude", ascending=False)["rank"].astype(str).tolist()
    east = plan.sites.sort_values("longitude")["rank"].astype(str).tolist()
    assert sorted(marks, key=lambda rank: marks[rank][1]) == north
    assert sorted(marks, key=lambda rank: marks[rank][0]) == east
    assert list(marks)[-1] == "1"


def test_score_lies_under_its_own_ground() -> None:
    """A background at p percent of a box of size s times the map begins at p (1 - s), as CSS defines it."""
    plan = map_plan.make_plan()
    maps, overlay = plan_maps(plan), score_overlay(plan.score)
    assert overlay is not None and maps.score_uri == overlay.uri
    across, down, wide, high = (float(part) / 100 for part in re.findall(r"(-?[\d.]+)%", maps.score_place))
    height = float(re.findall(r'height="(\d+)"', str(maps.maps[0].drawing))[0])
    west, north = across * (1 - wide) * WIDTH, down * (1 - high) * height
    x, y = _marks(plan)["1"]
    longitude = overlay.bounds[0] + (x - west) / (wide * WIDTH) * (overlay.bounds[2] - overlay.bounds[0])
    latitude = overlay.bounds[3] - (y - north) / (high * height) * (overlay.bounds[3] - overlay.bounds[1])
    first = plan.sites.iloc[0]
    _, _, off_m = GEOD.inv(longitude, latitude, first["longitude"], first["latitude"])
    assert off_m < 30  # a unit is some 12 m of ground


def test_shades_and_numbers_of_properties_are_their_traps() -> None:
    plan = plan_builder.make_plan()
    properties = plan.properties.assign(traps=[7, 2, 4], enrolled=["yes", "yes", "no"])
    chosen = _map(replace(plan, properties=properties), "traps")
    assert [words for _, words in chosen.key] == [
        "2 traps", "5 to 9 traps", "property, signed up", "property, not signed up",
    ]  # fmt: skip
    svg = lxml.html.fromstring(str(chosen.drawing))
    fills = [one.get("fill") for one in svg.iter("path")]
    assert fills.count(colour("traps-3")) == fills.count(colour("traps-1")) == 1 and colour("traps-2") not in fills
    assert [one.text for one in svg.iter("text")][:2] == ["7", "2"]


def test_properties_without_traps_have_no_shade() -> None:
    plan = plan_builder.make_plan()
    chosen = _map(replace(plan, properties=plan.properties.assign(traps=[0, 0, 0])), "traps")
    assert not any("traps" in words for _, words in chosen.key) and "0 traps" not in chosen.drawing


def test_key_names_only_what_is_there() -> None:
    plan = map_plan.make_plan()
    words = [words for _, words in _map(plan, "sites").key]
    assert "road: trucks in dry weather only" in words and "trap standing already" not in words
    assert "base of the crews" in [words for _, words in _map(plan, "rounds").key]
    bare = replace(plan, study=replace(plan.study, roads=None, water=None, exclusions=None))
    assert [words for _, words in _map(bare, "sites").key] == [
        "trap site, with its number in build order", "edge of the ground that a site serves",
        "way in on foot from the truck road", "habitat", "property, signed up", "property, not signed up",
    ]  # fmt: skip
    standing = replace(plan, study=replace(plan.study, existing_traps=np.array([shapely.Point(0, 0)], dtype=object)))
    assert "trap standing already" in [words for _, words in _map(standing, "sites").key]


def test_maps_without_anything_to_show_are_left_out() -> None:
    plan = plan_builder.make_plan(sites=0)
    bare = replace(plan, rounds=plan.rounds.iloc[:0])
    assert [one.key_name for one in plan_maps(bare).maps] == ["score", "traps"]
    assert [one.key_name for one in plan_maps(map_plan.make_plan()).maps] == ["score", "traps", "sites", "rounds"]


def test_many_sites_are_dots_without_numbers() -> None:
    svg = _drawing(map_plan.make_plan(sites=320), "sites")
    assert [one.text for one in svg.iter("text")] == ["N", "2,000 ft", "1 km"]
    assert len([one for one in svg.iter("circle") if one.get("r") == "3"]) == 320


def test_alternative_words_have_size_and_numbers() -> None:
    chosen = _map(plan_builder.make_plan(), "score")
    assert re.search(r"0\.2 miles \(0\.3 km\) across, north up\. 1\.2 acres of habitat", chosen.alt)
    assert f'aria-label="{chosen.alt}"' in chosen.drawing
    assert "2 sites, each serving habitat within 2,040 ft (622 m)" in _map(plan_builder.make_plan(), "sites").alt


def test_no_text_of_users_in_any_drawing() -> None:
    for one in plan_maps(map_plan.make_plan()).maps:
        assert not any(payload in one.drawing for payload in PAYLOADS) and "Levee" not in one.drawing
        lxml.etree.fromstring(str(one.drawing))


def test_lines_are_never_filled_and_lakes_are() -> None:
    plan = plan_builder.make_plan()
    shapes = np.array([shapely.LineString([(0, 0), (50, 90), (90, 10)]), shapely.box(10, 10, 40, 40)], dtype=object)
    wet = replace(plan.study, water=Water(shapes, np.array(["permanent"] * 2, dtype=object)))
    paths = [
        one for one in _drawing(replace(plan, study=wet), "score").iter("path") if one.get("fill") == colour("water")
    ]
    assert [one.get("d").count("Z") for one in paths] == [1, 0]
    assert [one.get("style") for one in paths] == [None, "fill:none"]


def test_shapes_far_outside_are_not_drawn() -> None:
    plan = plan_builder.make_plan()
    far = np.array([shapely.box(9e4, 9e4, 9.1e4, 9.1e4), shapely.Point()], dtype=object)
    study = replace(plan.study, exclusions=far)
    assert "5 2 1 2" not in _map(replace(plan, study=study), "sites").drawing


def test_a_base_near_the_land_is_on_the_map_and_one_far_away_is_not() -> None:
    plan = map_plan.make_plan()
    svg = _drawing(plan, "rounds")
    base = next(one for one in svg.iter("path") if one.get("fill") == colour("ink") and "l10 8v11" in one.get("d"))
    across, down = map(float, re.findall(r"M([\d.]+) ([\d.]+)l10", base.get("d"))[0])
    assert 0 < across < WIDTH and 0 < down < float(svg.get("height"))
    x, y = transform_points(np.array([map_plan.BASE[0]]), np.array([map_plan.BASE[1]]), GEOGRAPHIC, map_plan.CRS)
    assert x[0] < plan.properties.total_bounds[0] + 1000 and np.isfinite(y[0])


def test_same_plan_same_maps() -> None:
    assert plan_maps(map_plan.make_plan()) == plan_maps(map_plan.make_plan())
