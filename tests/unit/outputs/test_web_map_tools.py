"""The tools of the map page: the box that finds things, where the reader stands, printing."""

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pyproj import Geod

from allocator.outputs.web_map import map_page
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened
from tests.unit.outputs.map_plan import PAYLOADS, make_plan

pytestmark = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
MM = 96 / 25.4
LISTED = """() => [...document.querySelectorAll("#find-list:not([hidden]) [role=option]")]
  .map((one) => [...one.querySelectorAll("span, bdi")].map((part) => part.textContent))"""


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("tools") / "map.html"
    made.write_text(map_page(make_plan()), encoding="utf-8")
    return made


@pytest.fixture
def seen(path: Path) -> Iterator[OpenPage]:
    with opened(path) as page:
        yield page
        assert page.faults == [] and page.requests == []


def _title(page: Any) -> str:
    return str(page.locator(".card-title").first.evaluate("one => one.textContent"))


# ---- finding -----------------------------------------------------------------------------------------------------


def test_the_box_finds_and_goes_there_by_keyboard_alone(seen: OpenPage) -> None:
    page = seen.page
    page.focus("#find-box")
    page.keyboard.type("s00")
    assert [row[1] for row in page.evaluate(LISTED)] == [f"S{n:03d}" for n in range(1, 10)]
    assert page.inner_text("#find-count") == "9 found."
    assert page.get_attribute("#find-box", "aria-expanded") == "true"
    for _ in range(3):
        page.keyboard.press("ArrowDown")
    active = page.get_attribute("#find-box", "aria-activedescendant")
    assert page.get_attribute(f"#{active}", "aria-selected") == "true" and "S003" in page.inner_text(f"#{active}")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    assert _title(page) == "Site S002"
    assert page.evaluate("document.activeElement.className") == "cards"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "find-box"


def test_enter_goes_to_the_best_match_and_escape_clears(seen: OpenPage) -> None:
    page = seen.page
    page.fill("#find-box", "00007")  # a property no.; other ids only hold it
    page.focus("#find-box")
    page.keyboard.press("Enter")
    assert page.locator(".card-kind").first.inner_text() == "Property"
    page.keyboard.press("Escape")
    page.fill("#find-box", "r002")
    page.keyboard.press("Enter")
    assert _title(page) == "Round R002" and page.is_checked("[name=layer][value=rounds]")
    page.keyboard.press("Escape")
    page.fill("#find-box", "r00")
    page.keyboard.press("Escape")
    assert page.evaluate(LISTED) == [] and page.input_value("#find-box") == "r00"
    page.keyboard.press("Escape")
    assert page.input_value("#find-box") == "" and page.inner_text("#find-count") == ""
    page.fill("#find-box", "no such thing")
    assert page.inner_text("#find-count") == "Nothing found." and page.evaluate(LISTED) == []
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")


def test_a_round_without_a_way_is_not_offered(seen: OpenPage) -> None:
    seen.page.fill("#find-box", "r00")
    assert [row[1] for row in seen.page.evaluate(LISTED)] == ["R001", "R002"]


def test_the_mouse_picks_too_and_accents_do_not_matter(seen: OpenPage) -> None:
    page = seen.page
    page.fill("#find-box", "ZOŁW N")
    page.locator("[role=option]").first.click()
    assert _title(page) == PAYLOADS[-1]


@pytest.mark.parametrize("number", range(len(PAYLOADS)))
def test_hostile_names_are_listed_as_typed(seen: OpenPage, number: int) -> None:
    page = seen.page
    page.fill("#find-box", f"{number:05d}")
    assert page.evaluate(LISTED)[0] == ["Property", PAYLOADS[number], f"{number:05d}"]
    page.keyboard.press("Enter")
    assert _title(page) == PAYLOADS[number]
    assert page.evaluate("window.ran") is None


def test_names_in_the_panel_are_shown_as_typed(seen: OpenPage) -> None:
    page = seen.page
    page.fill("[name=acres]", "10")
    names = page.eval_on_selector_all("#what-if-rows .go-name", "all => all.map((one) => one.textContent)")
    assert names and set(names) <= set(PAYLOADS)
    page.locator("#what-if-rows .go").first.click()
    assert _title(page) == names[0] and page.evaluate("window.ran") is None
    for typed, fault in (("x", "above 0"), ("0", "above 0"), ("1e999", "above 0"), ("1e-300", "can be counted")):
        page.fill("[name=acres]", typed)
        assert fault in page.inner_text("#what-if-fault") and not page.is_visible("#what-if-answer")
    page.fill("[name=acres]", "0.1")
    assert page.is_visible("#what-if-many") and not page.is_visible(".what-if-table")
    page.fill("[name=hand]", "2.5")
    assert "whole number" in page.inner_text("#what-if-fault")
    assert page.get_attribute("[name=hand]", "aria-invalid") == "true"
    page.click("#what-if-form [type=reset]")
    page.wait_for_function("document.querySelector('[data-answer=same]').textContent !== ''")


# ---- where the reader stands -------------------------------------------------------------------------------------


def test_where_am_i_tells_the_way_to_the_nearest_site(seen: OpenPage) -> None:
    page = seen.page
    latitude, longitude = 28.405, -64.612
    page.context.grant_permissions(["geolocation"])
    page.context.set_geolocation({"latitude": latitude, "longitude": longitude, "accuracy": 30})
    page.click("#locate")
    page.locator("#whereabouts", has_text="Nearest site").wait_for()
    sites = make_plan().sites
    earth = Geod(ellps="WGS84")  # PROJ: geodesics on the ellipsoid, independent of the page's sphere
    ways = [earth.inv(longitude, latitude, row.longitude, row.latitude) for row in sites.itertuples()]
    place = min(range(len(ways)), key=lambda one: ways[one][2])
    told = page.inner_text("#whereabouts")
    found = re.search(r"Nearest site: (\w+), ([\d.,]+) (ft|miles) .*bearing (\d+)°", told)
    assert found and found[1] == sites["site_id"].iloc[place]
    length_m = float(found[2].replace(",", "")) * {"ft": 0.3048, "miles": 1609.344}[found[3]]
    assert math.isclose(length_m, ways[place][2], rel_tol=0.02)
    assert abs((float(found[4]) - ways[place][0] + 180) % 360 - 180) < 1.5
    assert told.endswith("You are placed to within 98 ft (30 m).")
    assert page.get_attribute("#locate", "aria-pressed") == "true"
    assert page.inner_text("#said") == told
    page.context.set_geolocation({"latitude": 28.42, "longitude": -64.59, "accuracy": 30})  # it follows
    page.wait_for_function(
        """before => { const text = document.getElementById('whereabouts').textContent;
        return text !== before && text.startsWith('Nearest site'); }""", arg=told,
    )  # fmt: skip
    page.click("#locate")
    assert page.get_attribute("#locate", "aria-pressed") == "false" and page.inner_text("#whereabouts") == ""


def test_a_refusal_is_told_in_a_plain_sentence(seen: OpenPage) -> None:
    page = seen.page
    page.click("#locate")
    page.locator("#whereabouts", has_text="Allow the location for this page").wait_for()
    assert page.get_attribute("#locate", "aria-pressed") == "false"
    page.evaluate("Object.defineProperty(navigator, 'geolocation', { value: undefined })")
    page.click("#locate")
    assert "cannot tell" in page.inner_text("#whereabouts")


# ---- printing ----------------------------------------------------------------------------------------------------


def _on_paper(page: Any) -> None:
    page.set_viewport_size({"width": round(259 * MM), "height": 1000})
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")


def _rectangle(page: Any, selector: str) -> dict[str, float]:
    found: dict[str, float] = page.locator(selector).first.evaluate("one => one.getBoundingClientRect().toJSON()")
    return found


@pytest.mark.parametrize("name", ["Harlow Bottoms", "A very long name of a study " * 9 + "W" * 80])
def test_the_first_page_holds_the_whole_sheet(tmp_path: Path, name: str) -> None:
    path = tmp_path / "map.html"
    path.write_text(map_page(make_plan(name=name)), encoding="utf-8")
    with opened(path) as seen:
        page = seen.page
        for box in page.locator("[name=layer]").all():
            box.check()
        _on_paper(page)
        sheet = _rectangle(page, ".map-sheet")
        assert sheet["width"] == pytest.approx(259 * MM, abs=1.5)
        # the least that paper leaves between margins of 10 mm: A4 is 190 mm, letter 196 mm
        assert sheet["height"] <= 190 * MM
        parts = ("h1", ".figures", ".headline", "#map", ".key", ".north", ".leaflet-control-scale", ".paper-cautions")
        for part in parts:
            inside = _rectangle(page, part)
            assert inside["width"] > 20 and inside["height"] > 5, part
            assert inside["right"] <= sheet["right"] + 1 and inside["bottom"] <= sheet["bottom"] + 1, part
        assert _rectangle(page, "#map")["height"] > 70 * MM
        cut = page.evaluate("""() => [...document.querySelectorAll(".map-sheet *")].filter((one) =>
          !one.closest("#map, .unseen, .quiet, svg") && one.scrollWidth > one.clientWidth + 1 && one.clientWidth
          && getComputedStyle(one).display !== "inline").map((one) => one.className || one.tagName)""")
        assert cut == []
        scale = page.locator(".leaflet-control-scale-line").all_inner_texts()
        assert any(re.search(r"\b(m|km)$", one) for one in scale) and any(
            re.search(r"\b(ft|mi)$", one) for one in scale
        )
        marker, frame = _rectangle(page, ".site-marker"), _rectangle(page, "#map")
        assert frame["left"] < marker["left"] and marker["right"] < frame["right"]
        assert not page.is_visible(".tools") and not page.is_visible(".leaflet-control-zoom")


def test_nothing_runs_off_the_paper(path: Path) -> None:
    with opened(path) as seen:
        _on_paper(seen.page)
        wide = seen.page.evaluate(f"""() => [...document.querySelectorAll("main *, footer *")].filter((one) =>
          !one.closest("#map, .unseen, .quiet, .season-box, svg")
          && one.getBoundingClientRect().right > {260 * MM}).map((one) => one.className || one.tagName)""")
        assert wide == []
        assert seen.page.evaluate("[...document.querySelectorAll('.takes details')].every((one) => one.open)")
        seen.page.emulate_media(media="screen")
        seen.page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        assert not seen.page.evaluate("[...document.querySelectorAll('.takes details')].some((one) => one.open)")
        assert seen.page.is_visible(".tools")


def test_printing_gives_landscape_pages_and_keeps_what_is_shown(path: Path) -> None:
    with opened(path) as seen:
        page = seen.page
        page.uncheck("[name=layer][value=roads]")
        page.evaluate("window.print = () => { window.printed = true; }")
        page.click("#print")
        assert page.evaluate("window.printed") is True
        pdf = page.pdf(prefer_css_page_size=True)
        boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
        assert len(boxes) > 1 and all(float(width) > float(height) for width, height in boxes)
        _on_paper(page)
        shown = page.locator(".key .layer").evaluate_all("all => all.filter((one) => one.offsetHeight).length")
        assert shown == page.locator("[name=layer]:checked").count()
        assert not page.is_visible(".key [data-entry=roads]")
        assert seen.faults == [] and seen.requests == []
