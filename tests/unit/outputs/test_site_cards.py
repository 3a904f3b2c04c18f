"""Cards for the field: coordinates that agree with other libraries, a page a site, text of users as text."""

import re
from dataclasses import replace
from pathlib import Path

import cv2
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from lxml import html
from pygeodesy import toMgrs, toUtm8
from pyproj import CRS, Geod, Transformer

from allocator.core.results import Plan
from allocator.core.units import METRES_PER_FOOT
from allocator.outputs.coordinates_words import bearing_words, degrees_minutes, usng_to_ten_metres
from allocator.outputs.date_words import day_words
from allocator.outputs.site_cards import qr_code, site_cards_page
from allocator.outputs.site_map import HEIGHT, WIDTH, Surroundings, site_map
from allocator.outputs.tables import cautions
from allocator.summary.coordinates import crew_coordinates
from tests.journey.browser import NO_BROWSER, find_browser, opened
from tests.unit.outputs import map_plan, plan_builder
from tests.unit.outputs.test_gpx import hostile_plan

HAS_BROWSER = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
LONG = "Long word upon long word, " * 40


def _cards(plan: Plan) -> list[html.HtmlElement]:
    return html.fromstring(site_cards_page(plan)).find_class("card")


def _words(element: html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


def _read(code: html.HtmlElement | str) -> str:
    """What a decoder of another make (OpenCV) reads from the code's own path, drawn here square by square."""
    text = code if isinstance(code, str) else html.tostring(code).decode()
    path = max(re.findall(r' d="([^"]*)"', text), key=len)
    side = int(re.search(r'viewbox="0 0 (\d+) \1"', text.casefold()).group(1))
    picture, x, y = np.full((side, side), 255, np.uint8), 0, 0.0
    for kind, one, other in re.findall(r"([Mmh])(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?", path):
        if kind == "h":
            picture[int(y), x : x + int(one)] = 0
            x += int(one)
        else:
            x, y = (int(one), float(other)) if kind == "M" else (x + int(one), y + float(other))
    found, _, _ = cv2.QRCodeDetector().detectAndDecode(cv2.resize(picture, None, fx=8, fy=8, interpolation=0))
    return str(found)


def _crowded_plan() -> Plan:
    """Every text as long as it may be, and more kit than a trap has."""
    plan = map_plan.make_plan()
    sites = plan.sites.assign(road_name=LONG, cover=LONG, decision_reason=LONG, decision="keep", flooding="frequent",
                              road_when="dry weather only")  # fmt: skip
    kit = pd.concat([plan.equipment.head(1).assign(words=LONG)] * 13, ignore_index=True)
    calendar = plan.calendar.assign(reason=LONG)
    settings = plan.study.settings
    named = settings.model_copy(update={
        "study": settings.study.model_copy(update={"name": LONG}),
        "crews": settings.crews.model_copy(update={"check_rule": LONG}),
    })  # fmt: skip
    return replace(
        plan, sites=sites, properties=plan.properties.assign(name=LONG), equipment=kit, calendar=calendar,
        study=replace(plan.study, settings=named),
    )  # fmt: skip


# ---- coordinates ---------------------------------------------------------------------------------------------------


def test_national_grid_to_1_m_and_10_m_of_1000_random_points_by_pygeodesy():
    """Truncated, never rounded (FGDC-STD-011-2001); 2e-4 m keeps clear of the libraries' own last digits."""
    random = np.random.default_rng(7)
    seen = 0
    for latitude, longitude in zip(random.uniform(24, 49, 1000), random.uniform(-125, -66, 1000), strict=True):
        utm = toUtm8(latitude, longitude)
        if any(not 2e-4 < metres % 1 < 1 - 2e-4 for metres in (utm.easting, utm.northing)):
            continue
        square = toMgrs(utm)
        east, north = int(utm.easting) % 100_000, int(utm.northing) % 100_000
        ours = crew_coordinates(latitude, longitude).usng
        assert ours == f"{square.zone:02d}{square.band} {square.digraph} {east:05d} {north:05d}"
        ten = f"{square.zone:02d}{square.band} {square.digraph} {east // 10:04d} {north // 10:04d}"
        assert usng_to_ten_metres(ours) == ten
        seen += 1
    assert seen > 990


def test_minutes_say_the_point_to_half_a_thousandth_and_never_60():
    random = np.random.default_rng(8)
    points = np.column_stack([random.uniform(-90, 90, 1000), random.uniform(-180, 180, 1000)])
    edges = [(59 + 59.9996 / 60, -(9 + 59.99951 / 60)), (-0.0, 180.0), (-1e-9, 1e-9)]
    for latitude, longitude in [*points.tolist(), *edges]:
        found = re.fullmatch(r"(\d+)°(\d\d\.\d{3})' ([NS]), (\d+)°(\d\d\.\d{3})' ([EW])",
                             degrees_minutes(latitude, longitude))  # fmt: skip
        whole, minutes, half, whole_2, minutes_2, half_2 = found.groups()
        assert float(minutes) < 60 and float(minutes_2) < 60
        for value, there in (
            (latitude, int(whole) + float(minutes) / 60),
            (longitude, int(whole_2) + float(minutes_2) / 60),
        ):
            assert abs(abs(value) - there) <= 0.00050001 / 60
        assert (half == "S") == (latitude < -1e-8) and (half_2 == "W") == (longitude < -1e-8)


def test_points_of_the_compass_are_nearest():
    """Each is the middle of a sixteenth of a turn: 11.25 degrees to both sides."""
    assert bearing_words(11.24) == "11° (north)"
    assert bearing_words(11.26) == "11° (north-north-east)"
    assert bearing_words(135.0) == "135° (south-east)"
    assert bearing_words(348.76) == "349° (north)"
    assert bearing_words(float("nan")) == ""


# ---- what stands on a card -------------------------------------------------------------------------------------------


def test_a_card_a_site_in_build_order_with_its_code():
    plan = map_plan.make_plan()
    cards = _cards(replace(plan, sites=plan.sites.iloc[::-1]))
    assert [card.get("id") for card in cards] == plan.sites["site_id"].tolist()
    for card, latitude, longitude in zip(cards, plan.sites["latitude"], plan.sites["longitude"], strict=True):
        point = f"{latitude:.6f},{longitude:.6f}"
        assert _read(card.find_class("code")[0]) == f"geo:{point}"
        assert f"geo:{point}" in _words(card) and point.replace(",", ", ") in _words(card)


def test_code_holds_any_point_on_earth():
    assert _read(str(qr_code("geo:-89.123456,-179.123456"))) == "geo:-89.123456,-179.123456"


def test_card_says_what_the_tables_say():
    plan = plan_builder.make_plan(2)
    usng = "20R LR 38206 40649"
    card = _words(_cards(replace(plan, sites=plan.sites.assign(usng=usng)))[0])
    # by hand: 22.5 m / 0.3048 = 73.8 ft; 25 m = 82.02 ft
    for words in (
        "Site T001", "Number 1 of 2 in build order", "Property 00123: North bottom", "28°24.606' N, 64°37.794' W",
        usng, "20R LR 3820 4064", "20N 338206 3143640", "-Levee road, dry weather only", "Drive in dry weather only",
        "Road to trap 74 ft (22 m)", "On foot 82 ft (25 m)", "Door faces (true) 272° (west)", "Soil floods: rare.",
        f"Call 811 by {day_words('2027-01-26')}", "Build Feb 1 to Feb 2, 2027", "Armed Feb 25 to Mar 2, 2027",
        "3 Panel, 16 x 5 ft", "at least every 24 hours (not stated; verify the local rule)", "permission in writing",
        "Camera no.", "keep", "reject", "moved to",
    ):  # fmt: skip
        assert words in card
    assert "Bait" not in card.split("Kit of one trap set")[1].split("Soil and floods")[0]
    second = _words(_cards(plan)[1])
    assert "no set is left" in second and "Armed" not in second.split("Kit")[0]


def test_parking_is_where_the_way_in_leaves_the_road():
    plan = map_plan.make_plan()
    start = plan.access_paths.geometry.iloc[0].coords[0]
    to_degrees = Transformer.from_crs(CRS.from_wkt(map_plan.CRS), "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(*start)
    assert f"Park at {latitude:.6f}, {longitude:.6f}" in _words(_cards(plan)[0])


@pytest.mark.parametrize("plan", [map_plan.make_plan(), plan_builder.make_plan(0)])
def test_every_card_carries_the_cautions(plan):
    for card in _cards(plan):
        assert all(words in _words(card) for words in cautions())


def test_a_plan_without_sites_says_so():
    (card,) = _cards(plan_builder.make_plan(0))
    assert "No sites were chosen" in _words(card)


def test_text_of_users_stands_on_the_cards_as_typed():
    plan = map_plan.make_plan()
    names = plan.properties.set_index("property_id")["name"]
    for card, owner in zip(_cards(plan), plan.sites["property_id"], strict=True):
        assert " ".join(names[owner].split()) in _words(card)
    page = site_cards_page(plan)
    assert "<script" not in page and 'onerror="' not in page and '<a href="java' not in page
    hostile = site_cards_page(hostile_plan())
    assert not any(mark in hostile for mark in "\x07\x0b\u202e")
    hostile.encode("utf-8")


def test_page_names_nothing_to_load_and_same_plan_gives_the_same_page():
    page = site_cards_page(map_plan.make_plan())
    addresses = set(re.findall(r"https?://[^\"' <]+", page))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert page == site_cards_page(map_plan.make_plan())


# ---- maps ------------------------------------------------------------------------------------------------------------


def _found(picture: str, pattern: str) -> tuple[float, ...]:
    return tuple(map(float, re.search(pattern, picture).groups()))


def test_maps_have_true_north_up_and_true_lengths_where_the_grid_is_turned():
    """In Conus Albers (96 W) the grid is turned by about 14 degrees at 120 W. Points by geodesics on the ellipsoid."""
    albers = CRS.from_epsg(5070)
    place = Transformer.from_crs("EPSG:4326", albers, always_xy=True)
    longitude, latitude, apart_m, half_m = -120.0, 40.0, 400.0, 500.0
    for bearing in (0.0, 90.0, 215.0):
        there = Geod(ellps="WGS84").fwd(longitude, latitude, bearing, apart_m)[:2]
        points = {
            "S1": shapely.Point(place.transform(longitude, latitude)),
            "S2": shapely.Point(place.transform(*there)),
        }
        around = Surroundings(albers.to_wkt(), (), points, {}, {}, {})
        picture = str(site_map(around, "S1", "", half_height_m=half_m, door_bearing_deg=None))
        across, down = _found(picture, r'class="other" cx="([\d.]+)" cy="([\d.]+)"')
        length = apart_m * HEIGHT / (2 * half_m)
        assert across - WIDTH / 2 == pytest.approx(length * np.sin(np.radians(bearing)), abs=0.15)
        assert HEIGHT / 2 - down == pytest.approx(length * np.cos(np.radians(bearing)), abs=0.15)


@pytest.mark.parametrize("half_m", [60.0, 137.0, 622.0, 5000.0])
def test_scale_bars_are_as_long_as_they_say(half_m):
    around = Surroundings(plan_builder.CRS_WKT, (), {"S1": shapely.Point(0, 0)}, {}, {}, {})
    picture = str(site_map(around, "S1", "", half_height_m=half_m, door_bearing_deg=None))
    bars = re.findall(r"v5h([\d.]+)v-5.*?>([\d,]+) (ft|m)<", picture)
    assert [unit for _, _, unit in bars] == ["ft", "m"]
    for across, length, unit in bars:
        metres = float(length.replace(",", "")) * (METRES_PER_FOOT if unit == "ft" else 1)
        assert float(across) * 2 * half_m / HEIGHT == pytest.approx(metres, rel=0.01)


def test_door_points_the_way_it_faces():
    around = Surroundings(plan_builder.CRS_WKT, (), {"S1": shapely.Point(0, 0)}, {}, {}, {})
    picture = str(site_map(around, "S1", "", half_height_m=100, door_bearing_deg=123.4))
    assert 'class="door" transform="rotate(123)" d="M0 -17' in picture  # turned clockwise from the top


def test_maps_show_the_surroundings():
    maps = site_cards_page(map_plan.make_plan())
    for look in ("habitat", "own", "line", "water", "road-yes", "way", "served"):
        assert f'class="{look}' in maps
    assert "Map around site S005" in maps


def test_odd_shapes_are_drawn_or_left_out():
    """Collections in collections, points, empty and blank shapes."""
    plan = map_plan.make_plan()
    site = plan.sites.geometry.iloc[0]
    nested = shapely.GeometryCollection([shapely.MultiPoint([(site.x + 20, site.y)]), shapely.LineString()])
    odd = np.array([shapely.GeometryCollection([nested]), shapely.Polygon()], dtype=object)
    study = replace(plan.study, buildings=odd, roads=None, water=None, exclusions=None)
    paths = gpd.GeoDataFrame(plan.access_paths.drop(columns="geometry"),
                             geometry=[shapely.LineString()] * len(plan.sites), crs=plan.access_paths.crs)  # fmt: skip
    card = _cards(replace(plan, study=study, access_paths=paths))[0]
    assert 'class="building"' in html.tostring(card).decode()
    assert "no way in was found" in _words(card)


# ---- in a browser ----------------------------------------------------------------------------------------------------


def _page(plan: Plan, folder: Path) -> Path:
    path = folder / "site_cards.html"
    path.write_text(site_cards_page(plan), encoding="utf-8")
    return path


@HAS_BROWSER
def test_nothing_runs_and_nothing_is_fetched(tmp_path):
    plan = map_plan.make_plan(properties=12, sites=12)
    with opened(_page(plan, tmp_path)) as seen:
        assert seen.page.evaluate("window.ran") is None
        assert seen.page.locator("script, img, iframe, object").count() == 0
        shown = " ".join(seen.page.locator("main").inner_text().split())
        assert (seen.requests, seen.faults) == ([], [])
    for payload in map_plan.PAYLOADS:
        assert " ".join(payload.split()) in shown


@HAS_BROWSER
@pytest.mark.parametrize("make", [map_plan.make_plan, _crowded_plan, hostile_plan])
def test_nothing_is_cut_off_on_a_telephone(make, tmp_path):
    with opened(_page(make(), tmp_path), width=390, height=844) as seen:
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= 390
        cut = """[...document.querySelectorAll("main *")].filter((one) => !one.closest("svg")
          && one.getBoundingClientRect().right > 390.5).map((one) => one.outerHTML.slice(0, 80))"""
        assert seen.page.evaluate(cut) == []


@HAS_BROWSER
@pytest.mark.parametrize("make", [map_plan.make_plan, _crowded_plan, hostile_plan, plan_builder.make_plan])
def test_prints_a_letter_page_for_every_site(make, tmp_path):
    plan = make()
    with opened(_page(plan, tmp_path)) as seen:
        pdf = seen.page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == len(plan.sites)
    assert set(re.findall(rb"/MediaBox\s*\[0 0 (\d+) (\d+)\]", pdf)) == {(b"612", b"792")}


@HAS_BROWSER
@pytest.mark.parametrize("letters", [20, 80, 140, 240])
def test_cards_with_any_amount_of_text_stay_on_their_page(letters, tmp_path):
    """A kit of all nine usual things, all dates, a dry-weather road; then longer and longer names and reasons."""
    plan = map_plan.make_plan(sites=4)
    words = LONG[:letters]
    sites = plan.sites.assign(road_name=words, decision_reason=words, decision="keep", road_when="dry weather only")
    kit = pd.concat([plan.equipment.head(1).assign(words="Panel, 16 x 5 ft, mesh 2 x 4 in, gauge 12")] * 9)
    wordy = replace(plan, sites=sites, properties=plan.properties.assign(name=words), equipment=kit)
    with opened(_page(wordy, tmp_path)) as seen:
        pdf = seen.page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 4
