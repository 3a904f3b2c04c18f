"""A county of 5,000 properties on the map page: its weight, and how soon it is there."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from allocator.outputs.web_map import map_page
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened
from tests.unit.outputs.map_plan import make_county

MOST_BYTES = 15_000_000
FIRST_VIEW_S = 3.0
FIND_MS = 100
TYPED = """typed => { const box = document.getElementById("find-box"), began = performance.now(); box.value = typed;
  box.dispatchEvent(new Event("input")); return performance.now() - began; }"""
DRAWN = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("county") / "map.html"
    made.write_text(map_page(make_county()), encoding="utf-8")
    return made


def test_the_page_of_a_county_stays_small(path: Path) -> None:
    assert 5_000_000 < path.stat().st_size < MOST_BYTES


@pytest.fixture
def blank(tmp_path: Path) -> Iterator[OpenPage]:
    """An empty page, from which the county is opened with more patience than usual: a busy machine is no fault."""
    path = tmp_path / "blank.html"
    path.write_text("<!doctype html><title>blank</title>", encoding="utf-8")
    with opened(path) as seen:
        seen.page.set_default_timeout(90_000)
        yield seen
        assert seen.faults == []


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
def test_the_page_of_a_county_is_there_at_once(path: Path, blank: OpenPage) -> None:
    """First view: the map is drawn and the tables are filled.

    Counted in the time that the page's own thread works, best of three, so that what else the machine does is not
    counted; on an idle machine the clock says much the same.
    """
    session, spent = blank.page.context.new_cdp_session(blank.page), []
    for _ in range(3):
        session.send("Performance.enable", {"timeDomain": "threadTicks"})
        blank.page.goto(path.as_uri(), wait_until="load")
        blank.page.evaluate(DRAWN)
        assert blank.page.locator("html[data-ready=yes]").count() == 1
        measured = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
        spent.append(measured["TaskDuration"])
        session.send("Performance.disable")
    assert 0.2 < min(spent) < FIRST_VIEW_S, spent


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
def test_typing_answers_at_once_in_a_county(path: Path, blank: OpenPage) -> None:
    page = blank.page
    page.goto(path.as_uri(), wait_until="load")
    took = [page.evaluate(TYPED, typed) for typed in ("s", "00", "0493", "s0", "nothing at all")]
    assert sorted(took)[2] < FIND_MS, took
    page.fill("#find-box", "04930")
    assert page.inner_text("#find-count") == "1 found."
    before = page.inner_text("[data-answer=traps]")
    page.fill("[name=acres]", "150")
    page.wait_for_function("before => document.querySelector('[data-answer=traps]').textContent !== before", arg=before)
    assert page.locator("#what-if-rows tr").count() == 200
