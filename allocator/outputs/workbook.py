"""The tables of a plan as one spreadsheet: text stays text, numbers keep their digits, the first sheet says the rest.

Headings are row 1 and values begin in row 2. What a column means shows when its heading is clicked, and stands on the
last sheet: a line of meanings under the headings would be sorted and filtered with the values, one above them would
be taken for the headings by a mail merge, and comments are not printed.
"""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd
from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from allocator.core.cautions import HEADLINE
from allocator.core.results import Plan
from allocator.outputs.columns import Column, columns_of, documented_values, read_columns
from allocator.outputs.most_rows import MATTERS, most_important
from allocator.outputs.number_words import count
from allocator.outputs.styles import colour, xml_text
from allocator.outputs.tables import cautions, plan_tables

FIRST_SHEET, LAST_SHEET = "Read first", "Columns"
MOST_PROPERTIES, MOST_DETAILS = 20_000, 10_000
"""Rows of the sheet of properties and of every other: hundreds of thousands take long to write and to open."""
MOST_CHARACTERS = 32_767
"""Characters that a cell can hold, counted as the format does: in units of UTF-16."""
WIDEST = 60
"""Characters that a column of text is wide at most; longer text goes on in the next line."""
FIRST_WIDTHS = (34, 16, 18, 72)
PAGE_WIDTH = 170
"""Characters that a printed page is wide; a wider sheet goes on on further pages."""
TABLE_WORDS = {
    "properties": "every property: land, habitat, traps, sites and what is missing",
    "habitat": "patches of habitat",
    "complexes": "patches close together, taken as one; traps are counted for each",
    "sites": "where traps are to stand, with coordinates and what to verify",
    "candidates": "spots that were considered for a trap",
    "service_areas": "habitat that each site serves",
    "access_paths": "the way on foot from the truck road to each site",
    "shortfalls": "traps that have no site, why, and what would place them",
    "field_decisions": "what became of the decisions of a field visit",
    "rounds": "rounds that crews drive to bait and to check",
    "round_stops": "the stops of every round in order",
    "equipment": "what to buy, with prices where known",
    "calendar": "days of work at every site",
    "labour": "hours of work by task",
    "budget": "costs by line of the budget, with base, totals and match",
    "cover_acres": "land cover of every property",
    "seasons": "habitat and traps in every season",
    "season_acres": "the same for every property",
    "sightings_check": "how well the score agrees with sightings",
    "trap_shares": "habitat that the number of traps is counted and shared by, with all digits",
    "ask_next": "owners who have not signed, ranked by what they would add",
    "frontier": "what every number of traps would serve",
    "tornado": "which assumption moves the number of traps most",
    "yardsticks": "the rule of acres per trap beside other figures",
    "pigs": "numbers of pigs, where a density or a count is given",
    "assumptions": "every setting used and where its value comes from",
    "inputs": "files that the plan was made from",
    "problems": "what was found in the files and what was done about it",
    "cautions": "what to heed before a trap is set",
}
"""What each sheet holds."""
TOTAL_WORDS = {
    "properties": ("Properties", "properties", "in the study"),
    "area_acres": ("Land", "acres", "on all properties, ground where two overlap counted once"),
    "habitat_acres": ("Habitat", "acres", "on the same land"),
    "habitat_units_acres": ("Habitat weighted by score", "acres", "score times area, cell by cell"),
    "enrolled_habitat_acres": ("Habitat on signed-up land", "acres", "on enrolled properties"),
    "traps_exact": ("Traps before rounding", "traps", "habitat on signed-up land over acres per trap"),
    "traps": ("Traps needed", "traps", "after rounding"),
    "traps_low": ("Traps needed, low", "traps", "10th percentile when the assumptions are drawn at random"),
    "traps_high": ("Traps needed, high", "traps", "90th percentile of the same"),
    "traps_given": ("Traps placed", "traps", "those needed, or those on hand where they are fewer"),
    "existing_traps": ("Of them standing already", "traps", "in the ground before this plan"),
    "sites": ("Sites found", "sites", "chosen for the others"),
    "shortfall": ("Traps without a site", "traps", "the sheet shortfalls says why"),
    "trap_sets": ("Trap sets", "sets", "they move from site to site in the season"),
    "trap_sets_bound": ("Trap sets, proven least", "sets", "no fewer can serve these sites"),
    "sites_served": ("Sites that get a trap set", "sites", "in the season"),
    "person_hours": ("Work", "hours", "person-hours of the season, with driving"),
    "miles": ("Driving", "miles", "in the season"),
    "crews": ("Crews", "crews", "on the busiest day"),
    "cost_usd": ("Cost", "US dollars", "as far as prices are known"),
    "unpriced": ("Things without a price", "things", "in no sum"),
}
"""Words, unit and meaning of each of the plan's totals."""
NUMBER_FORMATS = {
    "acres": "#,##0.0", "traps": "#,##0.00", "percent": "0.0", "degrees": "0.0#####", "m": "#,##0.0",
    "m2": "#,##0", "miles": "#,##0.0", "hours": "#,##0.0", "lb": "#,##0.0", "US dollars": '"$"#,##0.00',
    "score 0 to 1": "0.00", "index 0 to 1": "0.00", "0 to 1": "0.00",
}  # fmt: skip
"""How a number with each unit is shown; any other shows the digits that fit. The cell always holds all of them."""
_TEXT, _WHOLE, _PRICE = "@", "#,##0", '"$"#,##0.00##'
_LINE, _HIGHEST = 15, 409  # points
_CREATED = datetime(2026, 1, 1)
_NOT_KNOWN = "not known"
_OPTIONS = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


@dataclass(frozen=True, slots=True)
class _Heading:
    """One column of a sheet: its heading, how its values are shown, the words that appear on a click."""

    title: str
    number_format: str = _TEXT
    meaning: str = ""


class _AllDigits(float):
    """A number that the writer puts down with all its digits; left to itself it keeps 16, which is one too few."""

    def __format__(self, _: str) -> str:
        return float.__repr__(self)


def write_workbook(plan: Plan, path: Path) -> None:
    """Write every table into one XLSX file, a sheet each, after a sheet to read first.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : pathlib.Path
        The file; one that is there is replaced.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it.
    OSError
        The file cannot be written.

    Notes
    -----
    All text is in cells of the text format, so that ``00123`` stays and nothing runs as a formula. Blank values are
    empty cells. Rows and characters that a sheet cannot hold are left out, and the first sheet says so.
    """
    held = BytesIO()
    book = Workbook(held, _OPTIONS)
    study = xml_text(plan.study.settings.study.name)
    book.set_properties({"title": study, "comments": HEADLINE, "created": _CREATED})
    first = book.add_worksheet(FIRST_SHEET)
    rows, notes = {}, []
    for name, frame in plan_tables(plan).items():
        kept = most_important(name, frame, MOST_PROPERTIES if name == "properties" else MOST_DETAILS)
        values = documented_values(name, kept)
        headings = [_Heading(one.title, number_format(one), one.description) for one in columns_of(name)]
        cut = _fill_sheet(book, name, headings, [values[column].tolist() for column in values.columns])
        rows[name] = len(kept)
        notes += _notes(name, len(kept), len(frame), cut)
    _fill_dictionary(book)
    _FirstSheet(book, first).fill(plan, study, rows, notes)
    book.close()
    path.write_bytes(held.getvalue())


def number_format(column: Column) -> str:
    """How a spreadsheet shows the values of a column.

    Parameters
    ----------
    column : Column
        A documented column.

    Returns
    -------
    str
        A number format; ``@`` for text.

    Examples
    --------
    >>> [number_format(column) for column in columns_of("service_areas")]
    ['@', '#,##0.0']
    """
    if column.type in ("text", "yes/no"):
        return _TEXT
    if column.type == "whole number":
        return _WHOLE
    if column.unit == "US dollars" and column.column.startswith("unit_"):
        return _PRICE
    return NUMBER_FORMATS.get(column.unit, "General")


def _notes(name: str, kept: int, in_all: int, cut: int) -> list[str]:
    """What a sheet leaves out, in words."""
    told = []
    if kept < in_all:
        which = MATTERS[name][1] if name in MATTERS else "the first"
        told.append(f"{name}: {kept:,} of {in_all:,} rows, {which}. All are in tables/{name}.csv and plan.gpkg.")
    if cut:
        texts = "text is cut" if cut == 1 else "texts are cut"
        told.append(f"{name}: {cut:,} {texts} at {MOST_CHARACTERS:,} characters. tables/{name}.csv has all of it.")
    return told


def _fill_sheet(book: Workbook, name: str, headings: Sequence[_Heading], columns: Sequence[list[Any]]) -> int:
    """Add a sheet of headings and values; returns how many texts were too long for their cells."""
    sheet = book.add_worksheet(name)
    head = book.add_format({
        "bold": True, "text_wrap": True, "valign": "top", "bg_color": colour("traps-0"), "bottom": 1,
        "num_format": _TEXT,
    })  # fmt: skip
    cut = 0
    widths: list[int] = []
    heights: dict[int, int] = {}
    for place, (heading, values) in enumerate(zip(headings, columns, strict=True)):
        width, is_long = _width(heading, values)
        widths.append(width)
        cell = book.add_format({"num_format": heading.number_format, "valign": "top", "text_wrap": is_long})
        sheet.set_column(place, place, width, cell)
        sheet.write_string(0, place, heading.title, head)
        heights[0] = max(heights.get(0, 1), _lines(heading.title, width - 3))
        if heading.meaning:
            words = {"validate": "any", "input_title": heading.title[:32], "input_message": heading.meaning[:255]}
            sheet.data_validation(0, place, 0, place, words)
        for row, value in enumerate(values, start=1):
            cut += _put(sheet, row, place, value, cell)
            if is_long and value:
                heights[row] = max(heights.get(row, 1), _lines(value, width))
    for row, lines in heights.items():
        if lines > 1:  # not every spreadsheet fits the height of rows when it opens a file
            sheet.set_row(row, min(_HIGHEST, lines * _LINE))
    depth = len(columns[0])
    sheet.autofilter(0, 0, depth, len(headings) - 1)
    has_id = headings[0].title.endswith(" id")
    sheet.freeze_panes(1, int(has_id))
    sheet.ignore_errors({"number_stored_as_text": f"A1:XFD{depth + 1}"})
    sheet.repeat_rows(0)
    if has_id:
        sheet.repeat_columns(0)
    _set_page(sheet, math.ceil(sum(widths) / PAGE_WIDTH))
    return cut


def _put(sheet: Worksheet, row: int, column: int, value: Any, look: Format) -> bool:
    """Write one value; returns whether it is a text that was too long."""
    if value is None or value is pd.NA or value == "" or value != value:
        return False
    if isinstance(value, str) or math.isinf(value):
        return _put_text(sheet, row, column, str(value), look)
    sheet.write_number(row, column, _AllDigits(value) if isinstance(value, float) else value, look)
    return False


def _put_text(sheet: Worksheet, row: int, column: int, text: str, look: Format) -> bool:
    whole = xml_text(text)
    fitting = _fitting(whole)
    if fitting.startswith("<r>"):  # the writer takes <r>...</r> for markup of its own and does not escape it
        sheet.write_rich_string(row, column, fitting[0], fitting[1], fitting[2:], look)
    else:
        sheet.write_string(row, column, fitting, look)
    return fitting != whole


def _fitting(text: str) -> str:
    if 2 * len(text) <= MOST_CHARACTERS:
        return text
    units = text.encode("utf-16-le")
    if len(units) <= 2 * MOST_CHARACTERS:
        return text
    return units[: 2 * (MOST_CHARACTERS - 1)].decode("utf-16-le", "ignore") + "…"


def _width(heading: _Heading, values: list[Any]) -> tuple[int, bool]:
    """Width of a column in characters, and whether its text needs more than one line."""
    # the longest word of the heading, with room for the arrow of the filter
    least = max(len(word) for word in heading.title.split()) + 4
    if heading.number_format != _TEXT:
        numbers = [abs(value) for value in values if value is not pd.NA and math.isfinite(value)]
        return max(least, len(f"{max(numbers, default=0):,.2f}") + 2), False
    texts = [value for value in values if value]
    longest = max((len(line) for text in texts for line in text.splitlines()), default=0)
    is_long = longest > WIDEST or any("\n" in text for text in texts)
    return max(least, min(longest + 2, WIDEST)), is_long


def _fill_dictionary(book: Workbook) -> None:
    headings = [_Heading(title) for title in ("Sheet", "Heading", "Name in the other files", "Unit", "What it says")]
    rows = [(one.table, one.title, one.column, one.unit, one.meaning) for one in read_columns()]
    _fill_sheet(book, LAST_SHEET, headings, [list(column) for column in zip(*rows, strict=True)])


def _lines(text: str, width: int) -> int:
    """Lines that a text takes at most in a column so many characters wide."""
    lines = text.split("\n")
    if len(text) > 20 * width:  # the highest row shows fewer; and wrapping is slow
        return len(lines) + len(text) // width
    return sum(max(1, len(textwrap.wrap(line, width))) for line in lines)


def _set_page(sheet: Worksheet, pages: int = 1) -> None:
    """Letter paper across, so many pages wide, and the most important caution on every page."""
    sheet.set_landscape()
    sheet.set_paper(1)
    sheet.fit_to_pages(pages, 0)
    sheet.set_header(f"&L&7{HEADLINE.replace('&', '&&')}")
    sheet.set_footer("&L&8&A&R&8Page &P of &N")


class _FirstSheet:
    """Writes the first sheet from the top down."""

    def __init__(self, book: Workbook, sheet: Worksheet) -> None:
        self.book, self.sheet, self.row = book, sheet, 0
        for place, width in enumerate(FIRST_WIDTHS):
            sheet.set_column(place, place, width)
        sheet.hide_gridlines(2)
        _set_page(sheet)

    def fill(self, plan: Plan, study: str, rows: dict[str, int], notes: list[str]) -> None:
        headline, *others = cautions()
        self.words(study, size=18, bold=True)
        self.words(headline, bold=True, font_color=colour("clay-dark"))
        self.section("What to check first", plan.warnings)
        self.section("Left out of this workbook", notes)
        self.heading("Totals")
        for line in _total_lines(plan):
            self.line(*line)
        self.section("Cautions", others)
        self.heading("Sheets")
        for name, depth in rows.items():
            self.line(name, depth, "row" if depth == 1 else "rows", TABLE_WORDS[name], is_link=True)
        self.line(LAST_SHEET, len(read_columns()), "rows", "what every column means, with its unit", is_link=True)
        self.words("Shapes are in plan.gpkg. What a column means also shows when its heading is clicked.")

    def section(self, title: str, texts: Sequence[str]) -> None:
        if texts:
            self.heading(title)
        for text in texts:
            self.words(text)

    def heading(self, title: str) -> None:
        self.row += 1
        self.words(title, size=13, bold=True, bottom=1)

    def words(self, text: str, size: int = 11, **look: Any) -> None:
        """A text across all columns, in a row high enough for it: a spreadsheet does not fit rows to merged cells."""
        lines = _lines(text, sum(FIRST_WIDTHS) * 11 // size)
        cell = self.format(font_size=size, **look)
        self.sheet.merge_range(self.row, 0, self.row, len(FIRST_WIDTHS) - 1, "", cell)
        _put_text(self.sheet, self.row, 0, text, cell)
        self.sheet.set_row(self.row, min(_HIGHEST, lines * size * _LINE / 11 + 4))
        self.row += 1

    def line(self, label: str, value: Any, unit: str, meaning: str, is_link: bool = False) -> None:
        line = {"bottom": 4, "bottom_color": colour("rule")}
        name = self.format(**line)
        if is_link:
            link = self.format(**line, font_color=colour("clay-dark"), underline=1)
            self.sheet.write_url(self.row, 0, f"internal:'{label}'!A1", link, label)
        else:
            self.sheet.write_string(self.row, 0, label, name)
        shown = _WHOLE if isinstance(value, int) else NUMBER_FORMATS.get(unit, _TEXT)
        _put(self.sheet, self.row, 1, value, self.format(**line, bold=True, align="right", num_format=shown))
        self.sheet.write_string(self.row, 2, unit, self.format(**line, align="left", indent=1))
        self.sheet.write_string(self.row, 3, meaning, name)
        self.row += 1

    def format(self, **look: Any) -> Format:
        return self.book.add_format({"valign": "top", "text_wrap": True, "num_format": _TEXT} | look)


def _total_lines(plan: Plan) -> list[tuple[str, Any, str, str]]:
    """Words, value, unit and meaning of every total, and how well the sites were chosen; blank is never 0."""
    totals = asdict(plan.totals)
    lines = [(words, totals[name], unit, meaning) for name, (words, unit, meaning) in TOTAL_WORDS.items()]
    if plan.totals.unpriced:
        words, unit, _ = TOTAL_WORDS["cost_usd"]
        without = f"at least: {count(plan.totals.unpriced, 'thing')} without a price left out"
        place = list(TOTAL_WORDS).index("cost_usd")
        lines[place] = (words, plan.totals.cost_usd or None, unit, without)
    lines += [
        (
            "Choice of sites",
            plan.solver.status,
            "",
            "optimal: none is better; feasible: one may be; none: no site",
        ),
        ("A better choice could add", plan.solver.gap_percent, "percent", "at most, of the bound"),
    ]
    return [(words, _NOT_KNOWN if pd.isna(value) else value, unit, meaning) for words, value, unit, meaning in lines]
