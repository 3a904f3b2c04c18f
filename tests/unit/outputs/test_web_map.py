"""The map page: what stands in it, and how it behaves in a browser without a network."""

import json
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, box

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.outputs import web_map
from allocator.outputs.columns import columns_of, table_names
from allocator.outputs.map_image import RAMP, palette, png, score_overlay, shrink
from allocator.outputs.map_shapes import areas, display_shapes, middle, mixed, steps
from allocator.outputs.map_words import WORDS, column_words, plain
from allocator.outputs.web_map import map_page, script_safe
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened
from tests.unit.outputs.map_plan import CRS, PAYLOADS, make_plan, make_score

# Different colours of the map's canvas in a row of pixels across its middle.
COLOURS = """new Promise((done) => setTimeout(() => {
  const canvas = document.querySelector("#map canvas");
  const pixels = canvas.getContext("2d").getImageData(0, canvas.height / 2, canvas.width, 1).data;
  const seen = new Set();
  for (let i = 0; i < pixels.length; i += 4) seen.add(pixels.slice(i, i + 3).join());
  done([...seen]);
}, 200))"""
HAS_BROWSER = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)


def _page_data(page: str) -> Any:
    found = re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, re.DOTALL)
    assert found
    return json.loads(found.group(1))


# ---- without a browser -------------------------------------------------------------------------------------------


def test_page_holds_no_user_text_as_markup() -> None:
    page = map_page(make_plan())
    for payload in PAYLOADS[:3] + PAYLOADS[9:11]:
        assert payload not in page
    assert not any("\u2028" in script for script in re.findall(r"<script.*?</script>", page, flags=re.DOTALL))
    assert page.count("</script>") == 3


def test_page_names_nothing_to_load() -> None:
    page = re.sub(r"<script.*?</script>", "", map_page(make_plan()), flags=re.DOTALL)
    assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", page)
    assert not re.search(r"url\((?!data:|#)", page)  # url(#...) is a pattern of the page's own


def test_data_is_what_was_put_in() -> None:
    data = _page_data(map_page(make_plan()))
    columns = [column["key"] for column in data["tables"]["properties"]["columns"]]
    names = [row[columns.index("name")] for row in data["tables"]["properties"]["rows"]]
    assert names == list(PAYLOADS)
    assert [len(data["shapes"][key]) for key in ("properties", "sites", "habitat", "candidates")] == [12, 9, 2, 40]


def test_same_plan_gives_the_same_page() -> None:
    assert map_page(make_plan()) == map_page(make_plan())


def test_page_of_a_plan_without_anything() -> None:
    plan = make_plan()
    frames = {name: getattr(plan, name) for name in table_names() if name != "cautions"}
    empty = {name: frame.iloc[:0] for name, frame in frames.items()}
    study = replace(plan.study, roads=None, water=None, buildings=None, exclusions=None, sightings=None)
    page = map_page(replace(plan, study=study, warnings=(), facts={}, **empty))
    assert "Nothing to draw for: Trap sites" in page


def test_page_of_five_thousand_properties_stays_small() -> None:
    assert len(map_page(make_plan(5000, 50))) < 15_000_000


def test_of_too_many_properties_those_that_matter_most_are_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = make_plan()
    traps = plan.properties["traps"].tolist()
    monkeypatch.setattr(web_map, "MOST", web_map.MOST | {"properties": 3})
    page = map_page(plan)
    data = _page_data(page)
    assert len(data["shapes"]["properties"]) == len(data["tables"]["properties"]["rows"]) == 3
    place = [column["key"] for column in data["tables"]["properties"]["columns"]].index("traps")
    shown = [row[place] for row in data["tables"]["properties"]["rows"]]
    assert sorted(shown) == sorted(traps)[-3:]
    assert data["whatIf"]["properties"] == len(traps)
    assert f"Drawn are those with most traps, then most habitat; {len(traps) - 3} more stand in plan.gpkg." in page
    assert f"are listed; {len(traps) - 3} more stand in tables/properties.csv." in page


def test_every_word_is_a_documented_column() -> None:
    for table, words in WORDS.items():
        assert set(words) <= {column.column for column in columns_of(table)}
        assert len(column_words(table)) == len(words)


def test_blank_numbers_become_null() -> None:
    assert [plain(value) for value in (np.nan, pd.NA, None, np.float64(1.23456789), np.int64(3))] == [
        None, None, None, 1.234568, 3,
    ]  # fmt: skip


def test_script_safe_reads_back() -> None:
    written = str(script_safe(list(PAYLOADS)))
    assert json.loads(written) == list(PAYLOADS)
    assert written.isascii() and not set(written) & set("<>&")


def test_steps_add_up_to_the_corners() -> None:
    corners = np.array([[-64.6, 28.4], [-64.599999, 28.4], [-64.5, 28.39]])
    assert (np.cumsum(np.reshape(steps(corners), (-1, 2)), axis=0) == np.rint(corners * 1e6)).all()


def test_display_shapes_keep_parts_and_holes() -> None:
    shapes = np.array([box(0, 0, 100, 100).difference(box(20, 20, 80, 80)), MultiPolygon([box(0, 0, 9, 9)] * 1), None],
                      object)  # fmt: skip
    drawn = display_shapes(shapes, CRS)
    assert [[len(rings) for rings in areas(shape)] for shape in drawn] == [[2], [1], []]
    assert middle(drawn[2]) is None


def test_mixed_sorts_shapes_by_kind() -> None:
    both = shapely.GeometryCollection([Point(0, 0), LineString([(0, 0), (9, 9)]), box(0, 0, 5, 5)])
    assert {kind: len(part) for kind, part in mixed(np.array([both]), CRS).items()} == {
        "areas": 1, "lines": 1, "points": 1,
    }  # fmt: skip


def test_blocks_take_the_mean_of_known_cells() -> None:
    # First block: 0, 10000 and two blanks, mean 0.5, shade 1 + 127. Second: all blank. Edge column alone.
    score = np.array([[0, 10000, 65535, 65535, 10000], [65535, 65535, 65535, 65535, 10000]], np.uint16)
    assert shrink(score, 2).tolist() == [[128, 0, 255]]
    assert shrink(score, 1).tolist()[0] == [1, 255, 0, 0, 255]


def test_png_reads_back() -> None:
    picture = np.array([[0, 7], [255, 1]], np.uint8)
    written = png(picture, palette())
    body = written[written.index(b"IDAT") + 4 :]
    rows = zlib.decompressobj().decompress(body)
    assert struct.unpack(">II", written[16:24]) == (2, 2)
    assert rows == b"\x00\x00\x07\x00\xff\x01"


def test_picture_lies_where_the_cells_lie() -> None:
    # One bright cell in a corner of the grid must come out in the same corner of the picture's bounds.
    overlay = score_overlay(make_score())
    assert overlay is not None
    west, south, east, north = overlay.bounds
    x, y = transform_points(np.array([west, east]), np.array([south, north]), GEOGRAPHIC, CRS)
    assert abs(x - [-4000, 4000]).max() < 25 and abs(y - [-3000, 3000]).max() < 25


def test_ramp_grows_darker_step_by_step() -> None:
    channels = np.array([[int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)] for colour in RAMP])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    assert (np.diff(lightness) < -10).all()


# ---- in a browser ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def map_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(make_plan()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def desk(map_path: Path) -> Iterator[OpenPage]:
    with opened(map_path) as seen:
        yield seen


@HAS_BROWSER
def test_opens_without_a_network(desk: OpenPage) -> None:
    assert desk.page.locator("html[data-ready=yes]").count() == 1
    assert desk.requests == []
    assert desk.faults == []


@HAS_BROWSER
def test_a_marker_for_every_site(desk: OpenPage) -> None:
    assert desk.page.locator(".site-marker").count() == 9
    assert desk.page.locator(".site b").all_inner_texts() == [str(n) for n in range(1, 10)]


@HAS_BROWSER
def test_names_are_shown_as_typed_and_nothing_runs(desk: OpenPage) -> None:
    page = desk.page
    shown = page.eval_on_selector_all("#properties-table .go-name", "all => all.map((one) => one.textContent)")
    assert sorted(shown) == sorted(PAYLOADS)
    for number in range(len(PAYLOADS)):
        page.locator("#properties-table .go").nth(number).click()
        assert page.locator(".card-title").first.evaluate("one => one.textContent") == shown[number]
    page.keyboard.press("Escape")
    assert page.evaluate("window.ran") is None
    assert page.locator("h1").evaluate("one => one.textContent") == "Harlow Bottoms " + PAYLOADS[0]
    assert page.locator("main img").count() == 0
    assert desk.faults == []


@HAS_BROWSER
def test_layers_switch(desk: OpenPage) -> None:
    page = desk.page
    page.uncheck("[name=layer][value=sites]")
    assert page.locator(".site-marker").count() == 0
    page.check("[name=layer][value=sites]")
    assert page.locator(".site-marker").count() == 9
    page.check("[name=shading][value=none]")
    plain_paper = len(page.evaluate(COLOURS))
    page.check("[name=layer][value=candidates]")
    page.check("[name=shading][value=score-0]")
    assert len(page.evaluate(COLOURS)) > plain_paper + 30
    assert not page.is_checked("[name=street]")


@HAS_BROWSER
def test_tables_sort_by_keyboard(desk: OpenPage) -> None:
    page = desk.page
    heading = page.locator("#properties-table th[data-key=habitat_acres]")
    heading.locator("button").focus()
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "ascending"
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "descending"
    assert "1,234.6" in page.locator("#properties-table tbody tr").first.inner_text()


@HAS_BROWSER
def test_search_finds_in_both_tables(desk: OpenPage) -> None:
    page = desk.page
    page.fill("#search-box", "levee")
    page.locator("#search-count", has_text="Found 4 sites and 0 properties.").wait_for()
    assert page.locator("#sites-table tbody tr").count() == 4
    page.fill("#search-box", "")
    page.wait_for_function("document.querySelectorAll('#sites-table tbody tr').length === 9")


@HAS_BROWSER
def test_a_row_opens_the_card_of_its_site_and_gives_the_focus_back(desk: OpenPage) -> None:
    page = desk.page
    button = page.locator("#sites-table .go").nth(3)
    button.focus()
    page.keyboard.press("Enter")
    text = page.locator(".leaflet-popup").inner_text()
    assert "Site S004" in text and "20R ME 12345 67890" in text and "37 m (121 ft)" in text
    page.keyboard.press("Escape")
    page.locator(".leaflet-popup").wait_for(state="detached")
    assert button.evaluate("one => one === document.activeElement")


@HAS_BROWSER
def test_a_click_on_the_map_tells_what_is_there(desk: OpenPage) -> None:
    page = desk.page
    page.locator("#properties-table .go", has_text="two").click()
    page.locator(".leaflet-popup-close-button").click()
    size = page.locator("#map").bounding_box()
    assert size is not None
    page.mouse.click(size["x"] + size["width"] / 2 + 40, size["y"] + size["height"] / 2 + 60)
    assert "Property" in page.locator(".leaflet-popup .card-kind").all_inner_texts()
    page.locator(".leaflet-popup-close-button").click()


@HAS_BROWSER
def test_fits_a_phone(map_path: Path) -> None:
    with opened(map_path, width=390, height=800) as seen:
        page = seen.page
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        small = page.eval_on_selector_all(
            "button, input[type=search], label.entry, .leaflet-bar a",
            "all => all.filter((one) => one.offsetParent && one.getBoundingClientRect().height < 44).length",
        )
        assert small == 0
        tops = page.evaluate("['.map-frame', '.key', '.tables'].map((name) => document.querySelector(name).offsetTop)")
        assert tops == sorted(tops)
        cut = page.eval_on_selector_all(
            "#tables .table-scroll", "all => all.filter((one) => one.scrollWidth > one.clientWidth).length"
        )
        assert cut == 0
        assert seen.faults == [] and seen.requests == []


@HAS_BROWSER
def test_many_properties_come_a_part_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "many.html"
    path.write_text(map_page(make_plan(4000, 1600, "Many")), encoding="utf-8")
    with opened(path) as seen:
        page = seen.page
        assert page.locator("#properties-table tbody tr").count() == 200
        page.locator("#properties-table .more").click()
        assert page.locator("#properties-table tbody tr").count() == 400
        assert seen.faults == []


@HAS_BROWSER
def test_the_street_map_is_asked_for_only_when_ticked(map_path: Path) -> None:
    with opened(map_path) as seen:
        assert seen.requests == []
        seen.page.check("[name=street]")
        seen.page.wait_for_timeout(300)
        assert seen.requests and all(url.startswith("https://tile.openstreetmap.org/") for url in seen.requests)
        assert seen.page.locator(".map-credit").inner_text() == "© OpenStreetMap contributors"


@HAS_BROWSER
def test_numbers_that_would_hide_each_other_come_with_zooming_in(tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    path.write_text(map_page(make_plan(sites=120)), encoding="utf-8")
    with opened(path) as seen:
        number, closer = seen.page.locator(".site-marker b").first, seen.page.locator(".leaflet-control-zoom-in")
        farther = seen.page.locator(".leaflet-control-zoom-out")
        assert seen.page.locator(".site-marker").count() == 120 and number.is_visible()
        for button, shows in ((farther, False), (closer, True)):
            for _ in range(4):
                button.click()
                seen.page.wait_for_timeout(400)
            assert number.is_visible() is shows
        assert seen.faults == []
