"""What a plan takes, on the map page: tables, sentences, cards, and how they behave in a browser."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString

from allocator.core.results import Plan
from allocator.outputs.map_shapes import once
from allocator.outputs.number_words import at_least, unit_price
from allocator.outputs.web_map import map_page
from allocator.outputs.work_tables import MOST_ROWS, Sheet, form_table, kit_table, records
from allocator.outputs.work_words import round_cards, site_days, work_figures, work_section
from tests.journey.browser import NO_BROWSER, OpenPage, find_browser, opened
from tests.unit.outputs.map_plan import CRS, PAYLOADS, make_plan

HAS_BROWSER = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
DATES = [f"{stage}_{end}" for stage in ("build", "pre_bait", "capture", "reset") for end in ("first", "last")]


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan()


def with_settings(plan: Plan, **sections: dict[str, Any]) -> Plan:
    """The plan with other settings, and nothing else changed."""
    settings = plan.study.settings
    changed = {name: getattr(settings, name).model_copy(update=values) for name, values in sections.items()}
    return replace(plan, study=replace(plan.study, settings=settings.model_copy(update=changed)))


def without_dates(plan: Plan) -> Plan:
    """The plan whose calendar has sets and no dates."""
    return replace(plan, calendar=plan.calendar.assign(**dict.fromkeys([*DATES, "call_by", "move_test"], "")))


def cells(table: Sheet | None, label: str) -> list[str]:
    """A column by its heading."""
    assert table is not None
    at = [head.label for head in table.heads].index(label)
    return [row[at] for row in table.rows]


# ---- tables ------------------------------------------------------------------------------------------------------


def test_a_missing_price_is_never_zero(plan: Plan) -> None:
    kit = kit_table(plan.equipment)
    assert cells(kit, "Price of one") == ["75.00", "no price", "0.225"]
    assert cells(kit, "Price of all") == ["975.00", "no price", "3,037.61"]
    assert cells(kit, "Price from")[:2] == [f"Jan 15, 2026, {PAYLOADS[1]}", ""]
    assert cells(kit, "Each set has") == ["3", "1", "–"]
    assert cells(kit, "To buy") == ["13", "5", "13,500.50"]


def test_form_lines_say_what_they_leave_out(plan: Plan) -> None:
    """A trigger without a price may be equipment or supplies; another line without a price stands on line h."""
    lines = form_table(plan)
    assert lines is not None
    assert {row[0]: row[2] for row in lines.rows} == {
        "a": "1,152.00", "c": "0.00", "e": "at least 4,012.61", "h": "no price", "j": "0.00", "k": "at least 5,164.61",
    }  # fmt: skip
    priced = replace(plan, budget=plan.budget[plan.budget["amount_usd"].notna()])
    assert cells(form_table(priced), "Amount") == ["1,152.00", "0.00", "4,012.61", "0.00", "0.00", "5,164.61"]


def test_sums_are_at_least_only_where_a_price_is_missing(plan: Plan) -> None:
    priced = replace(plan, totals=replace(plan.totals, unpriced=0))
    assert cells(work_section(plan)["shares"], "Amount") == ["at least 1,291.15", "at least 1,721.54"]
    assert cells(work_section(priced)["shares"], "Amount") == ["1,291.15", "1,721.54"]
    assert at_least(np.nan, False) == at_least(0.0, True) == "no price"


def test_a_price_keeps_its_parts_of_a_cent() -> None:
    assert [unit_price(value) for value in (0.05, 0.725, 1000, 0.0001, np.nan)] == [
        "0.05", "0.725", "1,000.00", "0.0001", "no price",
    ]  # fmt: skip


def test_hours_that_are_not_known_say_so(plan: Plan) -> None:
    hours = work_section(plan)["hours"]
    assert cells(hours, "Work") == ["48.0", "not known"]
    assert cells(hours, "How many") == ["8", "not known"]


def test_dates_by_site_and_why_a_site_has_none(plan: Plan) -> None:
    dates = work_section(plan)["dates"]
    assert [head.label for head in dates.heads][3:] == [
        "Call 811 by", "Build", "Bait, door tied open", "Armed", "Take down", "Move test", "Why no trap set",
    ]  # fmt: skip
    assert dates.rows[0][:8] == (
        "S001", "00000", "1", "May 12, 2027", "May 17 to May 18, 2027", "May 19 to Jun 9, 2027",
        "Jun 10 to Jun 15, 2027", "Jun 16, 2027",
    )  # fmt: skip
    assert dates.rows[-1][2:] == ("–", "–", "–", "–", "–", "–", "–", f"no set is left {PAYLOADS[0]}")


def test_rounds_with_and_without_dates(plan: Plan) -> None:
    assert cells(work_section(plan)["rounds"], "When") == ["May 19 to Jun 9, 2027"] * 3
    undated = plan.rounds.assign(first_day="", last_day="", first_open_day=3, last_open_day=24)
    assert cells(work_section(replace(plan, rounds=undated))["rounds"], "When")[0] == "day 3 to 24"


def test_long_tables_are_cut_and_say_so(plan: Plan) -> None:
    many = pd.concat([plan.labour] * 300)
    page = map_page(replace(plan, labour=many))
    assert f"Hours by task: the first {MOST_ROWS} of 600" in page


# ---- sentences and figures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("sets", "bound", "served", "words"), [
    (4, 4, 20, "4 trap sets; no fewer can serve these 20 sites in this season."),
    (1, 1, 1, "1 trap set; no fewer can serve this site in this season."),
    (5, 4, 20, "5 trap sets for 20 sites; at least 4 are needed."),
])  # fmt: skip
def test_the_proof_in_one_sentence(plan: Plan, sets: int, bound: int, served: int, words: str) -> None:
    totals = replace(plan.totals, trap_sets=sets, trap_sets_bound=bound, sites_served=served, sites=served)
    assert work_section(replace(plan, totals=totals))["season"] == [words]


def test_sites_without_a_set_are_told(plan: Plan) -> None:
    assert work_section(plan)["season"][1:] == ["1 site gets no trap set."]


def test_no_season_no_chart(plan: Plan) -> None:
    bare = with_settings(without_dates(plan), calendar={"first_day": None, "last_day": None, "closed": ()})
    section = work_section(bare)
    assert section["chart"] == ""
    assert section["season"][0] == "No season is given, so no dates are planned."
    assert section["season"][1] == "3 trap sets are counted for 8 sites, and none moves on."
    assert "season-box" not in re.sub("<style>.*?</style>", "", map_page(bare), flags=re.DOTALL)


def test_a_season_without_room_has_no_chart(plan: Plan) -> None:
    section = work_section(without_dates(plan))
    assert section["chart"] == ""
    assert section["season"][0].startswith("No site fits into the season of Feb 1 to Sep 30, 2027")


def test_why_no_rounds_are_planned(plan: Plan) -> None:
    def told(changed: Plan) -> str:
        return " ".join(work_section(changed)["driving"])

    no_base = with_settings(plan, crews={"base_latitude": None, "base_longitude": None})
    assert told(no_base).startswith("No base is given")
    assert told(replace(plan, totals=replace(plan.totals, crews=None))).startswith("No truck road is found")
    assert told(replace(plan, rounds=plan.rounds.iloc[:0])).startswith("No rounds could be planned")
    assert told(replace(plan, totals=replace(plan.totals, sites_served=0))).startswith("No site gets a trap set")
    assert told(plan).startswith("The busiest day takes 2 crews of 2 people. Traps on bait are visited every 3 days")


def test_figures_at_the_head(plan: Plan) -> None:
    known = {label: f"{value} {small}".strip() for label, value, small in work_figures(plan.totals)}
    assert known == {
        "Trap sets": "3 for 8 sites", "Cost": "at least $5,164.61 (2 things without a price)",
        "Work": "552 person-hours", "Driving": "2,163 miles",
    }  # fmt: skip
    blank = replace(plan.totals, person_hours=None, miles=None, cost_usd=0.0, unpriced=1)
    known = {label: f"{value} {small}".strip() for label, value, small in work_figures(blank)}
    assert known == {"Trap sets": "3 for 8 sites", "Cost": "not known (1 thing without a price)"}
    priced = work_figures(replace(plan.totals, unpriced=0))
    assert ("Cost", "$5,164.61", "") in priced


# ---- cards and the map -------------------------------------------------------------------------------------------


def test_a_site_tells_its_days_in_their_order(plan: Plan) -> None:
    days = site_days(plan.calendar)
    assert days["S001"] == [
        ("Trap set", "1"), ("Call 811 by", "May 12, 2027"), ("Build", "May 17 to May 18, 2027"),
        ("Bait, door tied open", "May 19 to Jun 9, 2027"), ("Armed", "Jun 10 to Jun 15, 2027"),
        ("Take down", "Jun 16, 2027"), ("Move test", "May 28, 2027"),
    ]  # fmt: skip
    assert days["S009"] == [("Why no trap set", f"no set is left {PAYLOADS[0]}")]
    assert site_days(without_dates(plan).calendar)["S001"] == [("Trap set", "1")]


def test_a_round_tells_its_stops_in_order(plan: Plan) -> None:
    first = round_cards(plan)[0]
    pairs = dict(first["pairs"])
    assert (first["id"], first["purpose"], pairs["What for"]) == ("R001", "bait", "Bait")
    assert pairs["Stops in order"] == "S002 (2.5 mi), S001 (1.2 mi), back to the base (0.5 mi)"
    assert pairs["Once round"] == "4.2 miles, 1.8 hours"
    assert "Stops in order" not in dict(round_cards(plan)[2]["pairs"])


def test_a_shared_road_is_drawn_once() -> None:
    """Two ways of 200 and 300 m that share 200 m are 300 m together, in east-going steps of a millionth of a degree."""
    ways = np.array([LineString([(0, 0), (200, 0)]), LineString([(0, 0), (200, 0), (300, 0)]), LineString()], object)
    drawn = once(ways, CRS)
    assert len(drawn) == 1
    both = once(ways[:2][::-1], CRS)
    east = [abs(sum(line[2::2])) for line in both]
    alone = [abs(sum(line[2::2])) for line in once(np.array([LineString([(0, 0), (300, 0)])], object), CRS)]
    assert sum(east) == pytest.approx(sum(alone), abs=2)
    assert once(np.array([LineString()], object), CRS) == []


def test_base_near_the_land_is_in_the_first_view(plan: Plan) -> None:
    """The land is 0.07 degrees wide about 64.6 west: a base a quarter of that beyond it is still near."""

    def west_and_east(longitude: float) -> tuple[float, float]:
        found = re.search(r'"bounds":(\[\[.*?\]\])', map_page(with_settings(plan, crews={"base_longitude": longitude})))
        assert found
        (_, west), (_, east) = json.loads(found.group(1))
        return west, east

    land = west_and_east(-64.6)
    assert west_and_east(-64.65) == (-64.65, land[1])
    assert west_and_east(-64.55) == (land[0], -64.55)
    assert west_and_east(-64.8) == west_and_east(-64.4) == land


# ---- the page ----------------------------------------------------------------------------------------------------


def test_everything_stands_on_the_page(plan: Plan) -> None:
    text = unescape(re.sub("<[^>]*>", " ", map_page(plan)))
    for words in ("What it takes", "3 trap sets; no fewer can serve these 8 sites", "no price", "at least 5,164.61",
                  "11 traps are justified.", "2 things have no price yet", "Holiday, crews off (H)"):  # fmt: skip
        assert words in text, words


def test_words_of_users_stay_words(plan: Plan) -> None:
    section = map_page(plan)
    section = section[section.index('<section id="takes"') : section.index("<noscript>")]
    for payload in PAYLOADS[:3]:
        assert payload not in section
        assert payload in unescape(section)
    assert "<script" not in section and "<img" not in section


def test_an_empty_plan_reads_well(plan: Plan) -> None:
    names = ("sites", "calendar", "rounds", "round_stops", "equipment", "labour", "budget")
    empty: dict[str, Any] = {name: getattr(plan, name).iloc[:0] for name in names}
    none = {"sites": 0, "sites_served": 0, "trap_sets": 0, "trap_sets_bound": 0, "cost_usd": 0.0, "unpriced": 0}
    bare = replace(plan, totals=replace(plan.totals, **none), justification=(), **empty)
    page = map_page(bare)
    for words in ("No sites were chosen", "No kit is listed.", "nowhere to drive", "No work is planned."):
        assert words in page
    assert "None" not in page[page.index('<section id="takes"') : page.index("<noscript>")]
    assert "Words for an application" not in page and work_figures(bare.totals) == []


def test_numbers_stand_at_the_right(plan: Plan) -> None:
    """Every cell that holds a number and nothing else is of the kind that stands at the right; ids are text."""
    section = work_section(plan)
    for name in ("kit", "rounds", "hours", "costs", "form", "shares"):
        table = section[name]
        for row in table.rows:
            for head, cell in list(zip(table.heads, row, strict=True))[1:]:
                if re.fullmatch(r"[\d,.]+", cell):
                    assert head.kind == "number", (name, head.label)


def test_records_keep_their_types(plan: Plan) -> None:
    row = records("calendar", plan.calendar)[-1]
    assert pd.isna(row["trap_set"]) and row["build_first"] == ""


# ---- in a browser ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def path(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("work") / "map.html"
    made.write_text(map_page(plan), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def desk(path: Path) -> Iterator[OpenPage]:
    with opened(path) as seen:
        yield seen


@HAS_BROWSER
def test_rounds_are_off_at_first_and_tell_where_they_lead(desk: OpenPage) -> None:
    page = desk.page
    assert not page.is_checked("[name=layer][value=rounds]")
    assert page.locator(".base").inner_text() == "Base"
    page.check("[name=layer][value=rounds]")
    page.locator("[data-round]").first.click()
    card = page.locator(".leaflet-popup").inner_text()
    assert "Round R001" in card and "S002 (2.5 mi), S001 (1.2 mi), back to the base (0.5 mi)" in card
    page.keyboard.press("Escape")
    assert page.locator("[data-round]").first.evaluate("one => one === document.activeElement")
    page.locator("[data-round]").nth(2).click()  # a round without a way: nothing to show, nothing breaks
    assert desk.faults == []


@HAS_BROWSER
def test_a_click_on_a_shared_road_tells_every_round(path: Path) -> None:
    """Sites 1 and 9 stand at 3,000 m west and east of the middle; both rounds pass 750 m east and 50 m north of it."""
    with opened(path) as seen:
        page = seen.page
        middles = [page.locator(".site").nth(place).bounding_box() for place in (0, 8)]
        (left, low), (right, high) = ((one["x"] + one["width"] / 2, one["y"] + one["height"] / 2) for one in middles)
        per_metre = (right - left) / 6000
        at = (left + 3750 * per_metre, (low + high) / 2 - 50 * per_metre)
        page.mouse.click(*at)
        assert not any("Round" in one for one in page.locator(".card-title").all_inner_texts())
        page.locator(".leaflet-popup-close-button").click()
        page.check("[name=layer][value=rounds]")
        page.evaluate("window.scrollTo(0, 0)")
        page.mouse.click(*at)
        assert [one for one in page.locator(".card-title").all_inner_texts() if "Round" in one] == [
            "Round R001", "Round R002",
        ]  # fmt: skip
        assert seen.faults == []


@HAS_BROWSER
def test_a_site_card_holds_its_dates(desk: OpenPage) -> None:
    page = desk.page
    page.locator("#sites-table .go").first.click()
    labels = page.locator(".leaflet-popup dt").all_inner_texts()
    assert labels[2:8] == ["Trap set", "Call 811 by", "Build", "Bait, door tied open", "Armed", "Take down"]
    page.keyboard.press("Escape")


@HAS_BROWSER
def test_nothing_is_cut_off_on_a_phone(path: Path) -> None:
    with opened(path, width=390, height=844) as seen:
        page = seen.page
        for fold in page.locator("#takes summary").all():
            fold.click()
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.evaluate("document.querySelector('.season-box').scrollWidth") > 900
        outside = page.evaluate("""() => [...document.querySelectorAll("#takes *")].filter((one) =>
          !one.closest(".table-scroll, .season-box") && one.getBoundingClientRect().right > 391).length""")
        assert outside == 0
        assert seen.faults == [] and seen.requests == []
