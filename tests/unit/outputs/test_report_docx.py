"""The report for a word processor: words, tables and the record of the file, read back by python-docx."""

import sys
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.outputs.report import MOST_ROWS
from allocator.outputs.report_docx import write_report_docx
from tests.unit.outputs import map_plan, plan_builder
from tests.unit.outputs.map_plan import PAYLOADS

WORD = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"


def _read(plan: Plan, folder: Path) -> Any:
    docx = pytest.importorskip("docx", reason="the extra [docx] is not installed")
    path = folder / "report.docx"
    write_report_docx(plan, path)
    return docx.Document(str(path))


def _cells(document: Any, caption: str) -> list[list[str]]:
    """Rows of the table under a caption."""
    from docx.table import Table

    body = list(document.element.body)
    for at, element in enumerate(body):
        if getattr(element, "text", "") == caption and body[at + 1].tag == f"{WORD}tbl":
            return [[cell.text for cell in row.cells] for row in Table(body[at + 1], document).rows]
    raise AssertionError(f"no table {caption}")


def test_title_language_and_headings(tmp_path: Path) -> None:
    document = _read(plan_builder.make_plan(), tmp_path)
    assert document.core_properties.title == "Trap plan report: Invented bottoms"
    assert document.core_properties.language == "en-US"
    assert {one.get(f"{WORD}val") for one in document.styles.element.iter(f"{WORD}lang")} == {"en-US"}
    headings = [
        (one.style.name, one.text) for one in document.paragraphs if one.style.name.startswith(("Title", "Heading"))
    ]
    assert headings[0] == ("Title", "Trap plan report: Invented bottoms")
    tops = [words for style, words in headings if style == "Heading 1"]
    assert tops == [
        "Summary", "Habitat score", "How acres become traps", "Acres and traps by property", "Kit", "Budget",
        "Words for an application", "Assumptions", "Before a trap is set", "References",
    ]  # fmt: skip


def test_numbers_are_those_of_the_plan(tmp_path: Path) -> None:
    plan = plan_builder.make_plan()
    known = {"habitat_acres": 9197.543, "traps": 22, "traps_low": 18, "traps_high": 28, "sites": 20, "trap_sets": 4,
             "sites_served": 20, "trap_sets_bound": 4, "cost_usd": 170657.44, "unpriced": 0}  # fmt: skip
    document = _read(replace(plan, totals=replace(plan.totals, **known)), tmp_path)
    rows = _cells(document, "The plan in five figures")[1:]
    assert [row[1] for row in rows] == ["9,197.5 acres", "22", "20", "4", "$170,657.44"]
    assert rows[1][2].startswith("18 to 28 ")
    assert _cells(document, "Kit to buy")[1][:2] == ["Panel, 16 x 5 ft", "3"]
    assert _cells(document, "Costs one by one")[2][-1] == "no price"
    assert _cells(document, "Assumptions: Traps")[1][1:] == [
        "300 acres of habitat", "traps.acres_per_trap", "common practice, no source",
    ]  # fmt: skip
    text = "\n".join(one.text for one in document.paragraphs)
    assert " ".join(plan.justification) in text
    for caution in (HEADLINE, *CAUTIONS):
        assert text.count(caution) == 2


def test_text_of_users_stays_text(tmp_path: Path) -> None:
    plan = map_plan.make_plan(name="\x00\x07bell " + PAYLOADS[1])
    document = _read(replace(plan, warnings=(*PAYLOADS, "\x0b=1+1\ud800")), tmp_path)
    assert document.core_properties.title == f"Trap plan report: bell {PAYLOADS[1]}"
    names = {row[0] for row in _cells(document, "Acres and traps by property, signed-up land first")}
    listed = [one.text for one in document.paragraphs]
    for payload in PAYLOADS:
        assert " ".join(payload.split()) in names and " ".join(payload.split()) in listed
    assert "=1+1" in listed
    with zipfile.ZipFile(tmp_path / "report.docx") as parts:
        assert b"<script" not in parts.read("word/document.xml") and not any("vba" in name for name in parts.namelist())


def test_the_picture_has_words(tmp_path: Path) -> None:
    document = _read(plan_builder.make_plan(), tmp_path)
    (shape,) = document.inline_shapes
    words = shape._inline.docPr.get("descr")
    assert "north up" in words and "Ground from 0.5 up" in words
    assert shape.width <= 6.9 * 914400 + 1  # EMU to an inch


def test_heads_of_tables_come_again_on_each_page(tmp_path: Path) -> None:
    document = _read(plan_builder.make_plan(), tmp_path)
    assert document.tables
    for table in document.tables:
        heads = [row._tr.find(f"{WORD}trPr/{WORD}tblHeader") is not None for row in table.rows]
        assert heads[0] and not any(heads[1:])


def test_long_tables_are_cut_and_say_where_the_rest_is(tmp_path: Path) -> None:
    document = _read(map_plan.make_plan(properties=MOST_ROWS + 3, sites=3), tmp_path)
    assert len(_cells(document, "Acres and traps by property, signed-up land first")) == MOST_ROWS + 1
    assert "3 more rows are in tables/properties.csv." in [one.text for one in document.paragraphs]


def test_formulas_are_raised(tmp_path: Path) -> None:
    plan = plan_builder.make_plan()
    document = _read(replace(plan, facts=plan.facts | {"score_components": ["cover", "water"]}), tmp_path)
    formula = next(one for one in document.paragraphs if one.text.startswith("score ="))
    assert formula.text == "score = (land cover2 · nearness to water)1/3"
    assert [run.text for run in formula.runs if run.font.superscript] == ["2", "1/3"]


def test_empty_parts_read_well(tmp_path: Path) -> None:
    plan = plan_builder.make_plan(sites=0)
    tables = {name: getattr(plan, name).iloc[:0] for name in ("equipment", "budget", "complexes", "assumptions")}
    text = "\n".join(one.text for one in _read(replace(plan, **tables), tmp_path).paragraphs)
    for words in ("No kit is listed.", "No costs are listed.", "No complex has a trap"):
        assert words in text


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    pytest.importorskip("docx", reason="the extra [docx] is not installed")
    for name in ("one", "two"):
        write_report_docx(plan_builder.make_plan(), tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    with zipfile.ZipFile(tmp_path / "one") as parts:
        assert {part.date_time for part in parts.infolist()} == {(2026, 1, 1, 0, 0, 0)}
        assert b"2026-01-01T00:00:00Z" in parts.read("docProps/core.xml")


def test_without_python_docx_there_is_one_clear_message(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "docx", None)
    with pytest.raises(
        OutputError, match=r"python-docx is not installed. Install it with: pip install 'allocator\[docx\]'"
    ):
        write_report_docx(plan_builder.make_plan(), tmp_path / "report.docx")
    assert list(tmp_path.iterdir()) == []
