"""The report: the plan's own numbers, words that can be checked by hand, text of users as text, order of the page."""

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import lxml.html
import numpy as np
import pandas as pd
import pytest

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.results import Plan, ScoreMap
from allocator.core.units import SQUARE_METRES_PER_ACRE
from allocator.outputs.columns import columns_of
from allocator.outputs.report import (
    MOST_ROWS,
    NOT_KNOWN,
    REFERENCES,
    cut_rows,
    references,
    report_page,
)
from allocator.outputs.report_words import figures, method, raised, summary, value_words, worked_example
from allocator.outputs.styles import colour
from allocator.outputs.work_tables import Head, Sheet
from tests.journey.browser import NO_BROWSER, find_browser, opened
from tests.unit.outputs import map_plan, plan_builder
from tests.unit.outputs.map_plan import PAYLOADS

ROOT = Path(__file__).parents[3]
HAS_BROWSER = pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
COMPONENTS = ("cover", "water", "lowland", "developed")


def _document(plan: Plan) -> Any:
    return lxml.html.fromstring(report_page(plan))


def _text(element: Any) -> str:
    return " ".join(element.text_content().split())


def _table(document: Any, caption: str) -> list[list[str]]:
    table = next(one for one in document.iter("table") if _text(one.find("caption")) == caption)
    return [[_text(cell) for cell in row] for row in table.iter("tr")]


def _empty_plan() -> Plan:
    """A plan without habitat, season, prices, sites: every table of results is empty."""
    plan = plan_builder.make_plan(sites=0)
    tables = {
        name: getattr(plan, name).iloc[:0]
        for name in ("habitat", "complexes", "sites", "candidates", "service_areas", "access_paths", "shortfalls",
                     "rounds", "equipment", "calendar", "round_stops", "labour", "budget", "seasons", "tornado",
                     "frontier", "yardsticks", "pigs", "assumptions", "inputs", "problems")
    }  # fmt: skip
    blank = ScoreMap(plan.study.grid, np.zeros_like(plan.score.score), np.zeros_like(plan.score.is_habitat))
    totals = replace(plan.totals, habitat_acres=0.0, enrolled_habitat_acres=0.0, traps=0, traps_low=0, traps_high=0,
                     traps_exact=0.0, traps_given=0, shortfall=0, cost_usd=None, unpriced=0)  # fmt: skip
    return replace(plan, totals=totals, scores={"year_round": blank}, warnings=(), justification=(), **tables)


# ---- the plan's own numbers --------------------------------------------------------------------------------------


def test_numbers_of_the_first_page_are_those_of_the_plan() -> None:
    plan = plan_builder.make_plan()
    known = {"habitat_acres": 9197.543, "traps": 22, "traps_low": 18, "traps_high": 28, "sites": 20, "trap_sets": 4,
             "trap_sets_bound": 3, "sites_served": 19, "cost_usd": 170657.44, "unpriced": 0}  # fmt: skip
    plan = replace(plan, totals=replace(plan.totals, **known))
    document = _document(plan)
    shown = {_text(one.find("dt")): _text(one.find("dd")) for one in document.xpath("//dl[@class='figures']/div")}
    assert shown == {
        "Habitat": "9,197.5 acres 1.2 on signed-up land", "Traps needed": "22 18 to 28 in 80 of 100 draws",
        "Sites found": "20 1 trap has none", "Trap sets": "4 for 19 sites; at least 3 needed", "Cost": "$170,657.44",
    }  # fmt: skip
    lead = _text(document.xpath("//p[@class='lead']")[0])
    for number in ("9,197.5 acres", "22 traps", "18 to 28", "a truck: 20", "4 trap sets", "$170,657.44"):
        assert number in lead
    assert "Cost of the plan: $170,657.44." in _text(document)


def test_a_cost_that_leaves_something_out_says_so_everywhere() -> None:
    plan = plan_builder.make_plan()
    assert figures(plan)[4] == ("Cost", "at least $300.00", "1 thing without a price")
    assert "costs at least $300.00 (1 thing without a price)" in summary(plan)
    nothing = replace(plan, totals=replace(plan.totals, cost_usd=None, unpriced=3))
    assert figures(nothing)[4] == ("Cost", "not known", "3 things without a price") and "$" not in summary(nothing)


def test_acres_by_property_signed_up_first_then_most_habitat() -> None:
    plan = plan_builder.make_plan()
    properties = plan.properties.copy()
    properties["enrolled"], properties["habitat_acres"] = ["no", "yes", "yes"], [9.0, 1.25, 4.0]
    rows = _table(_document(replace(plan, properties=properties)), "Acres and traps by property, signed-up land first")
    assert [row[1] for row in rows[1:]] == ["7", "00124", "00123"]
    assert rows[2] == ["=1+1", "00124", "yes", "2.5", "1.2", "0", "0.40", "1", "0 to 1", "0", "1"]


def test_long_tables_are_cut_and_say_where_the_rest_is() -> None:
    plan = map_plan.make_plan(properties=MOST_ROWS + 12, sites=3)
    document = _document(plan)
    assert len(_table(document, "Acres and traps by property, signed-up land first")) == MOST_ROWS + 1
    told = " ".join(_text(one) for one in document.xpath("//p[@class='rest']"))
    assert (
        "The first 200 of 212 rows, signed-up land first, then most habitat. All are in tables/properties.csv" in told
    )
    sheet = Sheet("x", (Head("a"),), tuple(("1",) for _ in range(MOST_ROWS)), left_out=5)
    assert cut_rows(sheet) == sheet


def test_every_assumption_is_listed_with_its_source() -> None:
    columns = [column.column for column in columns_of("assumptions")]
    rows = [(f"habitat.cover.{n}", "0.5", "score 0 to 1", f"class {n}", f"legend {n}") for n in range(MOST_ROWS + 50)]
    rows += [("traps.acres_per_trap", "300.0", "acres of habitat", "habitat of a trap", "common practice, no source"),
             ("new.setting", "x", "", "", "")]  # fmt: skip
    plan = replace(plan_builder.make_plan(), assumptions=pd.DataFrame(rows, columns=columns))
    document = _document(plan)
    assert len(_table(document, "Assumptions: Score of each land cover class")) == MOST_ROWS + 51
    assert _table(document, "Assumptions: Traps")[1] == [
        "habitat of a trap", "300 acres of habitat", "traps.acres_per_trap", "common practice, no source",
    ]  # fmt: skip
    assert _table(document, "Assumptions: Other")[1] == ["–", "x", "new.setting", "not stated"]
    assert "Habitat of a trap: 300 acres of habitat; common practice, no source." in _text(document)


# ---- how acres become traps --------------------------------------------------------------------------------------


def _score_formula(**habitat: Any) -> str:
    plan = plan_builder.make_plan(settings=plan_builder.make_settings(habitat=habitat))
    return method(replace(plan, facts=plan.facts | {"score_components": list(COMPONENTS)}))[0].formulas[0]


def test_formula_of_the_score_has_the_weights_of_the_plan() -> None:
    """Weights 2, 1, 1 sum to 4; the limit is no part of the mean (docs/explanation/model.md, section 3)."""
    limit = " · distance from buildings"
    assert _score_formula() == f"score = (land cover^2 · nearness to water · low ground)^(1/4){limit}"
    assert _score_formula(combine="arithmetic") == (
        f"score = (2 · land cover + 1 · nearness to water + 1 · low ground) / 4{limit}"
    )
    assert _score_formula(combine="minimum") == f"score = the least of land cover, nearness to water, low ground{limit}"
    weights = plan_builder.make_settings().habitat.weights.model_dump() | {"water": 0.0, "developed": 0.0, "cover": 3.0}
    assert _score_formula(weights=weights) == "score = (land cover^3 · low ground)^(1/4)"


def test_raised_parts_of_a_formula_lose_their_brackets() -> None:
    assert raised("(a^2 · b)^(1/4) = c") == [
        ("(a", False), ("2", True), (" · b)", False), ("1/4", True), (" = c", False),
    ]  # fmt: skip
    assert "".join(part for part, _ in raised("plain (no) power")) == "plain (no) power"


def test_radius_and_cell_are_put_in_by_hand() -> None:
    """√(300 · 43,560 / 3.1416) = 2,039.5 ft (the calculator's own); a cell of 100 m2 is 100 / 4046.86 = 0.0247 acre."""
    steps = method(plan_builder.make_plan())
    assert steps[5].formulas == (
        "radius that a trap serves = (300 · 43,560 square feet / 3.1416)^(1/2) = 2,040 ft (622 m)",
    )
    assert steps[0].sentences[0] == "A cell is 10 m wide: 100 square metres, 0.0247 acre."
    set_by_user = plan_builder.make_settings(sites={"service_radius_m": 304.8})
    assert method(plan_builder.make_plan(settings=set_by_user))[5].formulas == (
        "radius that a trap serves = 1,000 ft (305 m)",
    )


def _three_tracts(*, elsewhere: bool = False) -> Plan:
    """Worked by hand in docs/explanation/model.md, section 6: 410, 250 and 140 acres, 800 in all, 3 traps: 2, 1, 0."""
    plan = plan_builder.make_plan()
    properties = plan.properties.assign(traps=[2, 1, 0], enrolled="yes")
    complexes = plan.complexes.assign(enrolled_habitat_acres=800.0, traps_exact=800 / 300, traps=3)
    acres = {"00123": 410.0, "00124": 250.0, "7": 140.0}
    rows = [(owner, "C1", many * SQUARE_METRES_PER_ACRE, 800 * SQUARE_METRES_PER_ACRE) for owner, many in acres.items()]
    if elsewhere:
        complexes = pd.concat([complexes, complexes.assign(complex_id="C2", traps=1)], ignore_index=True)
        rows.append(("00124", "C2", 1e6, 1e6))
    columns = [column.column for column in columns_of("trap_shares")]
    return replace(plan, properties=properties, complexes=complexes, trap_shares=pd.DataFrame(rows, columns=columns))


def test_one_complex_is_worked_by_hand() -> None:
    told, shares = worked_example(_three_tracts())
    assert told[0] == "Complex C1 has 800.0 acres of habitat on signed-up land. 800.0 / 300 = 2.67."
    assert told[1].endswith("at least one from 75 acres up, this is 3 traps.")
    assert shares is not None and shares.rows == (
        ("00123", "410.0", "3 · 410.0 / 800.0 = 1.54", "2"), ("00124", "250.0", "3 · 250.0 / 800.0 = 0.94", "1"),
        ("7", "140.0", "3 · 140.0 / 800.0 = 0.53", "0"),
    )  # fmt: skip


def test_traps_of_an_owner_with_two_complexes_are_not_told_as_those_of_one() -> None:
    told, shares = worked_example(_three_tracts(elsewhere=True))
    assert told[0].startswith("Complex C1 ") and shares is not None
    assert [row[3] for row in shares.rows] == ["2", "–", "0"]


def test_without_traps_there_is_no_example() -> None:
    assert worked_example(_empty_plan()) == ([], None)


def test_values_read_as_people_write_them() -> None:
    rows = (
        ("[5.0, 60.0]", "m"),
        ("['corn', 'rice']", "names of crops"),
        ("largest_remainder", "a | b"),
        ("7", ""),
        ("0.25", "weight"),
    )
    assert [value_words({"value": value, "unit": unit}) for value, unit in rows] == [
        "[5, 60] (m)", "corn, rice (names of crops)", "largest remainder", "7", "0.25 (weight)",
    ]  # fmt: skip


# ---- sources -----------------------------------------------------------------------------------------------------


def test_references_are_those_that_the_plan_cites() -> None:
    plan = plan_builder.make_plan()
    always = references(plan)
    assert any("Church and ReVelle 1974" in one for one in always) and not any("McRae" in one for one in always)
    rows = pd.DataFrame([("a", "b", 1.0, 1.0, "McRae et al. 2020; acres computed")], columns=plan.yardsticks.columns)
    assert any(
        one.startswith("McRae et al. 2020, Wildl. Soc. Bull. 44") for one in references(replace(plan, yardsticks=rows))
    )


def test_every_reference_stands_in_the_documents_or_the_settings() -> None:
    code = [ROOT / "allocator" / room for room in ("summary", "traps")]
    files = [*(ROOT / "docs").rglob("*.md"), *(ROOT / "allocator").rglob("*.toml")]
    files += [file for room in code for file in room.glob("*.py")]
    told = " ".join(" ".join(file.read_text(encoding="utf-8").split()) for file in files)
    for cite, source in REFERENCES.items():
        assert cite in told, cite
        for part in re.findall(r"doi \S+|\d+:\d+-\d+|[A-Z]+/?[A-Z]*-\w+\S*\d", source):
            assert part in told, (source, part)


def test_figures_of_what_is_not_known_stand_in_the_documents() -> None:
    told = " ".join((ROOT / "docs/explanation/what_it_does_not_know.md").read_text(encoding="utf-8").split())
    for part in ("0.60 to 15.85", "25 South Carolina properties", "authorea 648114", "Sparklin et al. 2009"):
        assert part in told and any(part in one for one in NOT_KNOWN)


# ---- the page ----------------------------------------------------------------------------------------------------


def test_order_language_title_and_headings() -> None:
    document = _document(plan_builder.make_plan())
    assert document.get("lang") == "en" and document.findtext(".//title") == "Trap plan report: Invented bottoms"
    assert len(document.xpath("//main")) == len(document.xpath("//h1")) == 1
    levels = [int(one.tag[1]) for one in document.iter("h1", "h2", "h3", "h4")]
    assert levels[0] == 1 and all(later - earlier <= 1 for earlier, later in pairwise(levels))
    names = [one.get("id") for one in document.xpath("//*[@id]")]
    assert len(names) == len(set(names))
    for link in document.xpath("//nav//a"):
        assert link.get("href").removeprefix("#") in names


def test_tables_have_captions_and_headings_with_a_scope() -> None:
    for table in _document(plan_builder.make_plan()).iter("table"):
        assert _text(table.find("caption"))
        assert {head.get("scope") for head in table.iter("th")} == {"col", "row"}
        assert len({len(row) for row in table.iter("tr")}) == 1


def test_cautions_stand_on_the_first_page_and_at_the_end() -> None:
    text = _text(_document(plan_builder.make_plan()))
    for caution in (HEADLINE, *CAUTIONS):
        assert text.count(caution) == 2 and text.index(caution) < text.index("In this report")


def test_drawings_have_words_or_are_decoration() -> None:
    for drawing in _document(map_plan.make_plan()).iter("svg"):
        words = drawing.get("aria-label") or drawing.get("aria-labelledby")
        assert (drawing.get("role") == "img" and words) or drawing.get("aria-hidden") == "true"


def test_empty_parts_read_well() -> None:
    text = _text(_document(_empty_plan()))
    for words in (
        "With these settings no trap is justified.", "No sites were chosen in this plan.", "No kit is listed.",
        "No work is planned.", "No costs are listed.", "No complex has a trap", "One season was scored: year round.",
        "There is no habitat for assumptions to move.", "No rounds are planned", "No assumptions are recorded.",
        "No season: no dates are planned.", "No prices.", "Cost of the plan: not known.",
    ):  # fmt: skip
        assert words in text, words
    assert not re.search(r"\b(nan|None|NaN|<NA>|inf)\b", text)


def test_user_text_is_text_only_and_clean() -> None:
    page = report_page(map_plan.make_plan(name="\x00bell\x07 " + PAYLOADS[1]))
    for payload in PAYLOADS[:3] + PAYLOADS[9:11]:
        assert payload not in page
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]", page) and "<script" not in page
    assert "bell &lt;/script&gt;" in page


def test_nothing_is_loaded_from_elsewhere() -> None:
    page = report_page(map_plan.make_plan())
    asked = lxml.html.fromstring(page).xpath("//@src | //@href | //@*[name() = 'xlink:href']")
    assert asked and all(address.startswith("#") for address in asked)
    assert {address[:5] for address in re.findall(r"url\([\"']?([^)\"']*)", page)} <= {"data:", "#stag", "#seas"}
    assert "default-src 'none'" in page


def test_same_plan_same_page() -> None:
    assert report_page(map_plan.make_plan()) == report_page(map_plan.make_plan())


def _luminance(shade: str) -> float:
    """Relative luminance as WCAG 2.0 defines it."""
    parts = [int(shade[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("ink", ["ink", "soft", "clay-dark"])
@pytest.mark.parametrize("ground", ["paper", "leaf"])
def test_contrast_of_text(ink: str, ground: str) -> None:
    """At least 4.5 to 1, as WCAG 2.0 AA asks."""
    light, dark = sorted((_luminance(colour(ink)), _luminance(colour(ground))), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@HAS_BROWSER
@pytest.mark.parametrize("width", [1200, 390])
def test_in_a_browser_nothing_runs_and_nothing_is_cut_off(tmp_path: Path, width: int) -> None:
    path = tmp_path / "report.html"
    long_name = "W" * 400
    path.write_text(report_page(map_plan.make_plan(name=f"{PAYLOADS[0]} {long_name}")), encoding="utf-8")
    with opened(path, width=width) as seen:
        assert seen.requests == [] and seen.faults == [] and seen.page.evaluate("window.ran === undefined")
        assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        outside = seen.page.evaluate(
            """[...document.querySelectorAll("body *")].filter((one) => !one.closest("svg, .sheet, .season-box")
               && one.getBoundingClientRect().right > innerWidth + 1).length"""
        )
        assert outside == 0
        shown = seen.page.inner_text("body")
        for payload in PAYLOADS:
            assert " ".join(payload.split()) in " ".join(shown.split())


@HAS_BROWSER
def test_on_paper_heads_of_tables_come_again_and_no_heading_stands_alone(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(report_page(map_plan.make_plan(properties=120)), encoding="utf-8")
    with opened(path) as seen:
        seen.page.emulate_media(media="print")
        style = "(name, key) => getComputedStyle(document.querySelector(name))[key]"
        assert seen.page.evaluate(f"({style})('thead', 'display')") == "table-header-group"
        assert seen.page.evaluate(f"({style})('h2', 'breakAfter')") == "avoid"
        assert seen.page.evaluate(f"({style})('h3', 'breakAfter')") == "avoid"
        assert seen.page.evaluate(f"({style})('.sheet', 'overflowX')") == "visible"
