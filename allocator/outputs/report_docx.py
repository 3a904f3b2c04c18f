"""The report's words and tables as a word processor's document, by python-docx, which is an extra."""

import base64
import zipfile
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.outputs.map_image import score_overlay
from allocator.outputs.report import assumption_tables, cut_rows, properties_table, references
from allocator.outputs.report_words import figures, main_assumptions, method, raised, summary, worked_example
from allocator.outputs.styles import colour, xml_text
from allocator.outputs.tables import cautions
from allocator.outputs.work_tables import Head, Sheet, costs_table, form_table, kit_table, shares_table

MADE = datetime(2026, 1, 1, tzinfo=UTC)
"""Date in the file's own record, the same for every plan: equal plans give equal bytes."""
LANGUAGE = "en-US"
MARGIN_INCHES, WIDE_INCHES = 0.8, 6.9
"""Margin of the paper, and what is left between the margins."""
PARTS = {"number": 1.0, "text": 1.1, "long": 2.2}
"""How wide columns are, one beside the other."""
FONT, LETTERS, SMALL, SMALLEST = "Arial", 10, 8, 7
"""Font, and height of letters in text, in tables and in tables with more than ``MANY`` columns, points."""
MANY = 8
HEADINGS = {"Title": "ink", "Heading 1": "ink", "Heading 2": "clay-dark", "Caption": "ink"}
"""Colours of the map page: those of the word processor's own headings are too pale."""
MISSING = (
    "The report cannot be written as DOCX. python-docx is not installed. Install it with: pip install "
    "'allocator[docx]', or open report.html in a word processor."
)


def write_report_docx(plan: Plan, path: Path) -> None:
    """Write the report for a word processor: summary, map, method, tables, justification, cautions.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : pathlib.Path
        The file.

    Raises
    ------
    OutputError
        python-docx is missing.
    OSError
        The file cannot be written.
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    document = docx_maker()()
    _set_up(document, f"Trap plan report: {_line(plan.study.settings.study.name)}".removesuffix(": "))
    _first_page(document, plan)
    _picture(document, plan)
    _method(document, plan)
    _tables(document, plan)
    document.add_heading("Words for an application", 1)
    document.add_paragraph(_line(" ".join(plan.justification)))
    document.add_heading("Assumptions", 1)
    _list(document, main_assumptions(plan))
    for title, sheet in assumption_tables(plan):
        document.add_heading(title, 2)
        _table(document, sheet, "assumptions")
    _cautions(document, 1)
    document.add_heading("References", 1)
    _list(document, references(plan) or ["None is cited."])
    path.write_bytes(_same_bytes(document))


def docx_maker() -> Any:
    """What makes documents for a word processor.

    Returns
    -------
    callable
        ``docx.Document``.

    Raises
    ------
    OutputError
        python-docx is missing.
    """
    try:
        from docx import Document
    except ImportError as error:
        raise OutputError(MISSING) from error
    return Document


def _line(text: str) -> str:
    """Text as it may stand in the file: without characters that XML forbids, in one line."""
    return " ".join(xml_text(text).split())


def _set_up(document: Any, title: str) -> None:
    """Title, language and fixed dates; letter paper; a row of headings that is repeated on each page."""
    from docx.oxml.ns import qn
    from docx.shared import Inches, Pt, RGBColor

    record = document.core_properties
    record.title, record.language, record.author, record.comments = title, LANGUAGE, "", ""
    record.created = record.modified = record.last_printed = MADE
    record.last_modified_by, record.revision = "", 1
    for language in document.styles.element.iter(qn("w:lang")):
        language.set(qn("w:val"), LANGUAGE)
    section = document.sections[0]
    section.page_width, section.page_height = Inches(8.5), Inches(11)
    section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = Inches(MARGIN_INCHES)
    document.styles["Normal"].font.size, document.styles["Normal"].font.name = Pt(LETTERS), FONT
    for name, shade in HEADINGS.items():
        document.styles[name].font.color.rgb = RGBColor.from_string(colour(shade).lstrip("#"))
    document.add_heading(title, 0)


def _first_page(document: Any, plan: Plan) -> None:
    document.add_heading("Summary", 1)
    document.add_paragraph(_line(summary(plan)))
    heads = (Head("What"), Head("How many", "", "number"), Head("Range, or what is left out", kind="long"))
    _table(document, Sheet("The plan in five figures", heads, tuple(figures(plan))), "")
    if plan.warnings:
        document.add_heading("Know this before you rely on the plan", 2)
        _list(document, plan.warnings)
    _cautions(document, 2)


def _cautions(document: Any, level: int) -> None:
    document.add_heading("Before a trap is set", level)
    _list(document, cautions())


def _picture(document: Any, plan: Plan) -> None:
    """The picture of the score, with words for readers who do not see it."""
    overlay = score_overlay(plan.score)
    if overlay is None:
        return
    from docx.shared import Inches

    document.add_heading("Habitat score", 1)
    picture = base64.b64decode(overlay.uri.partition(",")[2])
    shape = document.add_picture(BytesIO(picture))
    least = Inches(WIDE_INCHES) / max(shape.width, shape.height)
    shape.width, shape.height = round(shape.width * least), round(shape.height * least)
    words = (
        "Picture of the habitat score, north up: dark ground scores high, pale ground low, no colour: no score. Ground "
        f"from {plan.study.settings.habitat.threshold:g} up, in patches large enough, counts as habitat."
    )
    shape._inline.docPr.set("descr", words)
    shape._inline.docPr.set("title", "Habitat score")
    document.add_paragraph(f"{words} Properties, sites and rounds are on the maps of report.html.")


def _method(document: Any, plan: Plan) -> None:
    document.add_heading("How acres become traps", 1)
    for place, step in enumerate(method(plan), start=1):
        document.add_heading(f"{place}. {step.title}", 2)
        for formula in step.formulas:
            paragraph = document.add_paragraph()
            for part, is_raised in raised(formula):
                paragraph.add_run(part).font.superscript = is_raised or None
        document.add_paragraph(_line(" ".join(step.sentences)))
    told, shares = worked_example(plan)
    document.add_heading("One complex by hand", 2)
    document.add_paragraph(_line(" ".join(told) or "No complex has a trap, so there is nothing to work out."))
    _table(document, shares, "trap_shares")


def _tables(document: Any, plan: Plan) -> None:
    parts = (
        ("Acres and traps by property", "properties", "This plan has no properties.", (properties_table(plan),)),
        ("Kit", "equipment", "No kit is listed.", (kit_table(plan.equipment),)),
        ("Budget", "budget", "No costs are listed.", (form_table(plan), shares_table(plan), costs_table(plan.budget))),
    )
    for title, file, empty, sheets in parts:
        document.add_heading(title, 1)
        if not any(sheets):
            document.add_paragraph(empty)
        for sheet in sheets:
            _table(document, None if sheet is None else cut_rows(sheet), file)


def _list(document: Any, words: Any) -> None:
    for one in words:
        document.add_paragraph(_line(one), style="List Bullet")


def _table(document: Any, sheet: Sheet | None, file: str) -> None:
    """A table under its caption; its headings are told as such and come again on each page."""
    if sheet is None:
        return
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.oxml import OxmlElement
    from docx.shared import Inches, Pt

    caption = document.add_paragraph(_line(sheet.caption), style="Caption")
    caption.paragraph_format.keep_with_next = True
    table = document.add_table(rows=1 + len(sheet.rows), cols=len(sheet.heads), style="Table Grid")
    titles = tuple(f"{head.label} ({head.unit})" if head.unit else head.label for head in sheet.heads)
    inch = Inches(WIDE_INCHES) / sum(PARTS[head.kind] for head in sheet.heads)
    widths = [round(inch * PARTS[head.kind]) for head in sheet.heads]
    table.autofit = False
    for column, width in zip(table.columns, widths, strict=True):
        column.width = width
    for row, words in zip(table.rows, (titles, *sheet.rows), strict=True):
        row._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))
        for cell, text, head, width in zip(row.cells, words, sheet.heads, widths, strict=True):
            cell.width = width
            paragraph = cell.paragraphs[0]
            run = paragraph.add_run(_line(text))
            run.font.size, run.font.bold = Pt(SMALL if len(widths) <= MANY else SMALLEST), words is titles or None
            if head.kind == "number":
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    table.rows[0]._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
    if sheet.left_out:
        document.add_paragraph(f"{sheet.left_out:,} more rows are in tables/{file}.csv.")


def _same_bytes(document: Any) -> bytes:
    """The file with all its parts dated alike."""
    written, out = BytesIO(), BytesIO()
    document.save(written)
    with zipfile.ZipFile(written) as parts, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as same:
        for name in parts.namelist():
            same.writestr(zipfile.ZipInfo(name, MADE.timetuple()[:6]), parts.read(name), zipfile.ZIP_DEFLATED)
    return out.getvalue()
