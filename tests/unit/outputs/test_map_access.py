"""The map page for those who do not see it, use no mouse, or want nothing to move."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from allocator.outputs.web_map import map_page
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened, serious_findings
from tests.unit.outputs.map_plan import make_plan

pytestmark = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
KINDS = {"habitat": 2, "complexes": 1, "candidates": 40, "sightings": 2, "roads": 3}


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("access") / "map.html"
    made.write_text(map_page(make_plan()), encoding="utf-8")
    return made


@pytest.fixture
def seen(path: Path) -> Iterator[OpenPage]:
    with opened(path) as page:
        yield page
        assert page.faults == [] and page.requests == []


@pytest.mark.parametrize("width", [1400, 390])
def test_axe_finds_nothing_serious(path: Path, width: int) -> None:
    with opened(path, width=width, height=900) as seen:
        page = seen.page
        assert serious_findings(page) == []
        page.fill("#find-box", "s00")
        page.keyboard.press("ArrowDown")
        assert serious_findings(page) == []
        page.keyboard.press("Enter")
        assert page.locator(".card-title").count() == 1
        for summary in page.locator("summary").all():
            summary.click()
        page.fill("[name=price]", "much")
        assert serious_findings(page) == []
        page.evaluate("document.querySelector('h1').remove(); document.documentElement.removeAttribute('lang')")
        assert [one[0] for one in serious_findings(page)] == ["html-has-lang"]  # the finder finds


def test_the_first_stop_skips_the_map(seen: OpenPage) -> None:
    page = seen.page
    page.keyboard.press("Tab")
    skip = page.locator(".skip")
    assert skip.evaluate("one => one === document.activeElement")
    box = skip.bounding_box()
    assert box and box["x"] >= 0 and box["height"] > 20
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "search-box"


def test_all_that_has_a_card_opens_from_a_table_by_keyboard(seen: OpenPage) -> None:
    page = seen.page
    kinds = {"habitat": "Habitat patch", "complexes": "Habitat complex", "candidates": "A spot that would do",
             "sightings": "Pigs or their sign", "roads": "Road"}  # fmt: skip
    for kind, words in kinds.items():
        fold = page.locator(f".other[data-kind={kind}] summary")
        assert fold.inner_text().endswith(f": {KINDS[kind]}")
        fold.focus()
        page.keyboard.press("Enter")
        rows = page.locator(f"#{kind}-table .go")
        rows.last.wait_for()
        assert rows.count() == KINDS[kind]
        rows.last.focus()
        page.keyboard.press("Enter")
        assert page.locator(".card-kind").first.inner_text() == words
        if page.locator(f"[name=layer][value={kind}]").count():
            assert page.is_checked(f"[name=layer][value={kind}]")  # what a row leads to is drawn
        page.keyboard.press("Escape")
        assert rows.last.evaluate("one => one === document.activeElement")


def test_every_stop_of_the_keyboard_is_seen(seen: OpenPage) -> None:
    page = seen.page
    unseen = []
    for _ in range(45):
        page.keyboard.press("Tab")
        found = page.evaluate("""() => { const one = document.activeElement, look = getComputedStyle(one);
          return [one.id || one.className || one.tagName, look.outlineStyle, parseFloat(look.outlineWidth)]; }""")
        if found[1] == "none" or found[2] < 2:
            unseen.append(found[0])
    assert unseen == []


def test_changes_are_spoken(seen: OpenPage) -> None:
    page = seen.page
    assert page.get_attribute("#said", "role") == page.get_attribute("#find-count", "role") == "status"
    page.locator("#properties-table th[data-key=traps] button").click()
    assert page.inner_text("#said") == "Properties sorted by Traps needed, rising."
    page.locator("#properties-table th[data-key=traps] button").click()
    assert page.inner_text("#said") == "Properties sorted by Traps needed, falling."
    page.fill("[name=acres]", "100")
    page.wait_for_function("document.getElementById('said').textContent.includes('traps before rounding')")
    page.fill("[name=acres]", "none")
    page.wait_for_function("document.getElementById('said').textContent.includes('above 0')")


def test_nothing_moves_where_that_is_not_wanted(path: Path) -> None:
    with opened(path) as seen:
        page = seen.page
        page.emulate_media(reduced_motion="reduce")
        page.reload(wait_until="load")
        page.focus("#map")
        before = page.locator(".site-marker").first.bounding_box()
        page.keyboard.press("ArrowRight")
        at_once = page.locator(".site-marker").first.bounding_box()
        page.wait_for_timeout(400)
        after = page.locator(".site-marker").first.bounding_box()
        assert before != at_once and at_once == after
        classes = page.get_attribute("#map", "class") or ""
        page.keyboard.press("+")
        assert "leaflet-zoom-anim" not in classes and page.locator(".leaflet-zoom-anim").count() == 0
