"""The spreadsheet: text as typed, numbers to the last digit, every total, and what a sheet cannot hold is told."""

import csv
import shutil
import sqlite3
import subprocess
import zipfile
from contextlib import closing
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from lxml import etree
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet
from xlsxwriter.worksheet import Worksheet as Writer

from allocator.core.results import Plan, Totals
from allocator.outputs import workbook
from allocator.outputs.columns import columns_of, documented_values, read_columns, table_names
from allocator.outputs.geopackage import write_geopackage
from allocator.outputs.tables import cautions, plan_tables
from allocator.outputs.workbook import NUMBER_FORMATS, TABLE_WORDS, TOTAL_WORDS, write_workbook
from tests.unit.outputs import map_plan
from tests.unit.outputs.plan_builder import make_plan, make_settings

HOSTILE = (
    *map_plan.PAYLOADS, "=1+1", '=HYPERLINK("http://example.invalid")', "=cmd|'/c calc'!A1", "+1+1", "-1+1",
    "@SUM(1,1)", "\t=1+1", "http://example.invalid", "internal:'sites'!A1", "00123", "1E5", "TRUE", "2026-01-01",
    "_x0041_", "  edges  ", "<r><t>markup</t></r>", "<r></wrong></r>", "{=1+1}", "#N/A", "'quoted", "Żółw ñ 🐗",
    "\u202eright to left\u202c",
)  # fmt: skip


def _open(plan: Plan, folder: Path) -> Workbook:
    write_workbook(plan, folder / "tables.xlsx")
    return openpyxl.load_workbook(folder / "tables.xlsx")


def _named(names: Any, **tables: Any) -> Plan:
    """A plan whose three properties have these names."""
    return make_plan(properties=make_plan().properties.assign(name=names), **tables)


def _column(sheet: Worksheet, table: str, column: str) -> list[Any]:
    place = [one.column for one in columns_of(table)].index(column)
    return [row[place].value for row in sheet.iter_rows(min_row=2)]


def _first_words(book: Workbook) -> list[str]:
    return [row[0].value for row in book["Read first"].iter_rows() if row[0].value is not None]


def _first_lines(book: Workbook) -> dict[str, tuple[Any, str, str]]:
    """Value, unit and meaning by label on the first sheet."""
    rows = [[cell.value for cell in row] for row in book["Read first"].iter_rows()]
    return {row[0]: tuple(row[1:4]) for row in rows if row[1] is not None}


def test_a_sheet_for_every_table_between_the_first_and_the_columns(tmp_path: Path) -> None:
    names = _open(make_plan(), tmp_path).sheetnames
    assert names == ["Read first", *table_names(), "Columns"]
    assert max(len(name) for name in names) <= 31  # what the format allows: XlsxWriter refuses longer ones


def test_headings_stay_in_sight_and_can_be_filtered(tmp_path: Path) -> None:
    book = _open(make_plan(), tmp_path)
    for name in table_names():
        sheet = book[name]
        assert [cell.value for cell in sheet[1]] == [column.title for column in columns_of(name)]
        assert sheet.freeze_panes in ("A2", "B2")
        assert sheet.auto_filter.ref.startswith("A1:")
        assert sheet.print_title_rows == "$1:$1"
    assert book["properties"].auto_filter.ref == "A1:T4"


def test_every_column_is_explained_on_a_click_and_on_the_last_sheet(tmp_path: Path) -> None:
    book = _open(make_plan(), tmp_path)
    told = [tuple(cell.value or "" for cell in row) for row in book["Columns"].iter_rows(min_row=2)]
    assert told == [(one.table, one.title, one.column, one.unit, one.meaning) for one in read_columns()]
    for name in table_names():
        shown = book[name].data_validations.dataValidation
        assert sorted(one.prompt for one in shown) == sorted(column.description[:255] for column in columns_of(name))


def test_text_is_text_as_typed_and_nothing_is_a_formula(tmp_path: Path) -> None:
    rows = pd.DataFrame({"severity": "note", "source": list(HOSTILE), "message": list(reversed(HOSTILE))})
    plan = make_plan(problems=rows, settings=make_settings(study={"name": "=1+1"}))
    book = _open(plan, tmp_path)
    assert _column(book["problems"], "problems", "source") == list(HOSTILE)
    assert _column(book["problems"], "problems", "message") == list(reversed(HOSTILE))
    assert book["Read first"]["A1"].value == "=1+1"
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds == {"s", "n"}
    with zipfile.ZipFile(tmp_path / "tables.xlsx") as parts:
        assert not any(b"<f>" in parts.read(name) or b"<f " in parts.read(name) for name in parts.namelist())
        links = [part for part in parts.namelist() if part.startswith("xl/worksheets/_rels/")]
        assert not any(b"External" in parts.read(name) for name in links)


def test_ids_dates_and_yes_no_have_the_text_format(tmp_path: Path) -> None:
    book = _open(make_plan(), tmp_path)
    assert _column(book["properties"], "properties", "property_id") == ["00123", "00124", "7"]
    assert _column(book["calendar"], "calendar", "build_first") == ["2027-02-01", None]
    for name in table_names():
        for place, column in enumerate(columns_of(name), start=1):
            is_text = column.type in ("text", "yes/no")
            for row in book[name].iter_rows(min_row=2, min_col=place, max_col=place):
                if row[0].value is not None:
                    assert (row[0].number_format == "@", row[0].data_type == "s") == (is_text, is_text), column


def test_a_blank_text_cell_keeps_the_zeros_that_are_typed_into_it(tmp_path: Path) -> None:
    sheet = _open(make_plan(), tmp_path)["sites"]
    place = [column.column for column in columns_of("sites")].index("decision")
    letter = openpyxl.utils.get_column_letter(place + 1)
    assert sheet[f"{letter}2"].value is None
    assert sheet.column_dimensions[letter].number_format == "@"


@pytest.mark.parametrize("sites", [2, 0])
def test_every_value_is_that_of_the_geopackage_to_the_last_digit(tmp_path: Path, sites: int) -> None:
    plan = make_plan(sites)
    book = _open(plan, tmp_path)
    write_geopackage(plan, tmp_path / "plan.gpkg")
    with closing(sqlite3.connect(tmp_path / "plan.gpkg")) as connection:
        for name in table_names():
            for column in columns_of(name):
                found = connection.execute(f'SELECT "{column.column}" FROM "{name}"').fetchall()
                expected = [None if row[0] == "" else row[0] for row in found]
                assert _column(book[name], name, column.column) == expected, column


def test_numbers_keep_all_digits_and_blank_is_not_zero(tmp_path: Path) -> None:
    acres = [0.1 + 0.2, 1 / 3, 1e-12]
    assert f"{acres[0]:.16G}" == "0.3"  # what the writer does by itself
    frame = make_plan().properties.assign(area_acres=acres, blank_percent=[0.0, np.nan, np.inf])
    book = _open(make_plan(properties=frame), tmp_path)
    assert _column(book["properties"], "properties", "area_acres") == acres
    assert _column(book["properties"], "properties", "blank_percent") == [0, None, "inf"]
    assert _column(book["calendar"], "calendar", "trap_set") == [1, None]


def test_numbers_are_shown_as_their_unit_asks(tmp_path: Path) -> None:
    book = _open(make_plan(), tmp_path)

    def shown(table: str, column: str) -> str:
        place = [one.column for one in columns_of(table)].index(column)
        return str(book[table].cell(2, place + 1).number_format)

    assert shown("properties", "traps") == "#,##0"
    assert shown("properties", "area_acres") == "#,##0.0"
    assert shown("sites", "latitude") == "0.0#####"
    assert shown("equipment", "amount_usd") == '"$"#,##0.00'
    assert shown("equipment", "unit_price_usd") == '"$"#,##0.00##'
    assert shown("equipment", "total") == "General"
    assert set(NUMBER_FORMATS) == {one.unit for one in read_columns() if one.type == "number" and one.unit}


def test_the_first_sheet_has_every_total(tmp_path: Path) -> None:
    plan = map_plan.make_plan()
    plan = replace(plan, totals=replace(plan.totals, unpriced=0))
    lines = _first_lines(_open(plan, tmp_path))
    totals = asdict(plan.totals)
    assert list(TOTAL_WORDS) == [field.name for field in fields(Totals)]
    for name, (words, unit, _) in TOTAL_WORDS.items():
        assert lines[words][:2] == (totals[name], unit)
    assert lines["Choice of sites"][0] == "optimal"
    assert lines["A better choice could add"][:2] == (0, "percent")


def test_what_is_not_known_is_never_zero(tmp_path: Path) -> None:
    plan = make_plan(0)
    book = _open(replace(plan, totals=replace(plan.totals, cost_usd=0.0, unpriced=2)), tmp_path)
    lines = _first_lines(book)
    assert lines["Cost"] == ("not known", "US dollars", "at least: 2 things without a price left out")
    assert [lines[words][0] for words in ("Work", "Driving", "Crews", "A better choice could add")] == ["not known"] * 4
    (tmp_path / "partly").mkdir()
    lines = _first_lines(_open(plan, tmp_path / "partly"))
    assert lines["Cost"] == (300, "US dollars", "at least: 1 thing without a price left out")


def test_the_first_sheet_has_name_warnings_cautions_and_sheets(tmp_path: Path) -> None:
    plan = map_plan.make_plan()
    book = _open(plan, tmp_path)
    words, lines = _first_words(book), _first_lines(book)
    assert words[:2] == [plan.study.settings.study.name, cautions()[0]]
    assert set(plan.warnings) | set(cautions()) <= set(words)
    assert "Left out of this workbook" not in words
    assert list(TABLE_WORDS) == list(table_names())
    for name, frame in plan_tables(plan).items():
        assert lines[name] == (len(frame), "row" if len(frame) == 1 else "rows", TABLE_WORDS[name])
    links = {cell.value: cell.hyperlink for cell in book["Read first"]["A"] if cell.hyperlink}
    assert list(links) == [*table_names(), "Columns"]
    assert [link.location for link in links.values()] == [f"'{name}'!A1" for name in links]


def test_no_warnings_leave_no_empty_part(tmp_path: Path) -> None:
    assert "What to check first" not in _first_words(_open(replace(make_plan(), warnings=()), tmp_path))


def test_the_limits_are_those_of_the_format() -> None:
    writer = Writer()  # XlsxWriter's own limits
    assert writer.xls_strmax == workbook.MOST_CHARACTERS
    assert writer.xls_rowmax > workbook.MOST_PROPERTIES


def test_rows_that_a_sheet_cannot_hold_are_left_out_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_PROPERTIES", 2)
    plan = make_plan()
    ranked = plan.properties.assign(traps=[1, 0, 1], habitat_acres=[5.0, 90.0, 7.0])
    book = _open(replace(plan, properties=ranked), tmp_path)
    assert _column(book["properties"], "properties", "property_id") == ["00123", "7"]
    told = "properties: 2 of 3 rows, those with most traps, then most habitat. All are in tables/properties.csv "
    assert f"{told}and plan.gpkg." in _first_words(book)
    assert _first_lines(book)["properties"][0] == 2
    assert not any(words.startswith("sites: ") for words in _first_words(book))


def test_of_too_many_candidates_the_most_suitable_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_DETAILS", 2)
    plan = make_plan(4)
    frame = plan.candidates.assign(quality=[0.2, 0.9, 0.1, 0.9])
    frame.index = [7, 7, 7, 7]
    book = _open(replace(plan, candidates=frame), tmp_path)
    assert _column(book["candidates"], "candidates", "candidate_id") == ["K1", "K3"]
    told = "candidates: 2 of 4 rows, the most suitable. All are in tables/candidates.csv and plan.gpkg."
    assert told in _first_words(book)


@pytest.mark.parametrize("letter", ["a", "🐗", "\n"])  # a boar takes two units of UTF-16
def test_texts_that_a_cell_cannot_hold_are_cut_and_told(tmp_path: Path, letter: str) -> None:
    fits = letter * (32_767 // (len(letter.encode("utf-16-le")) // 2))
    book = _open(_named([fits, "x" + fits, fits + "xx"]), tmp_path)
    names = _column(book["properties"], "properties", "name")
    whole = len(fits.encode("utf-16-le")) // 2
    assert names[0] == fits
    assert [name.endswith("…") for name in names] == [False, whole == 32_767, True]
    assert all(len(name.encode("utf-16-le")) // 2 <= 32_767 for name in names)
    assert all(set(name) <= {letter, "x", "…"} for name in names)
    told = [words for words in _first_words(book) if words.startswith("properties: ")]
    many = "2 texts are" if whole == 32_767 else "1 text is"
    assert told == [f"properties: {many} cut at 32,767 characters. tables/properties.csv has all of it."]


def test_characters_that_xml_forbids_are_dropped(tmp_path: Path) -> None:
    names = pd.Series(
        ["bell\x07 and \x00 nothing", "half \ud83d of two \ufffe\uffff", "old\rand\r\nnew\x1f"], dtype=object
    )
    plan = _named(names, settings=make_settings(study={"name": "tail\x0b\x08 of \x1b a name"}))
    book = _open(plan, tmp_path)
    assert _column(book["properties"], "properties", "name") == ["bell and  nothing", "half  of two ", "old\nand\nnew"]
    assert book["Read first"]["A1"].value == book.properties.title == "tail of  a name"


def test_every_part_is_well_formed_whatever_the_text(tmp_path: Path) -> None:
    rows = pd.DataFrame({"severity": "note", "source": [*HOSTILE, "\x00\x0b"], "message": ""})
    write_workbook(make_plan(problems=rows, settings=make_settings(study={"name": "".join(HOSTILE)})), tmp_path / "a")
    with zipfile.ZipFile(tmp_path / "a") as parts:
        roots = {name: etree.fromstring(parts.read(name)).tag for name in parts.namelist()}  # raises where ill-formed
    assert sum(tag.endswith("worksheet") for tag in roots.values()) > 20


def test_the_same_plan_gives_the_same_bytes_with_no_date_of_today(tmp_path: Path) -> None:
    for name in ("one.xlsx", "two.xlsx"):
        write_workbook(map_plan.make_plan(), tmp_path / name)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.xlsx") as parts:
        assert {part.date_time for part in parts.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert parts.read("docProps/core.xml").count(b"2026-01-01T00:00:00Z") == 2


def test_widths_have_a_limit_and_long_text_gets_lines_and_room(tmp_path: Path) -> None:
    sheet = _open(_named(["word " * 30, "b", "c"]), tmp_path)["properties"]
    assert sheet.column_dimensions["B"].width == pytest.approx(workbook.WIDEST, abs=1)
    assert sheet["B2"].alignment.wrap_text
    assert sheet.row_dimensions[2].height == 3 * 15  # 150 characters in lines of 60
    assert sheet.row_dimensions[3].height is None
    assert not sheet["A2"].alignment.wrap_text


def test_a_file_that_cannot_be_written_is_an_error_of_the_system(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        write_workbook(make_plan(), tmp_path / "nowhere" / "tables.xlsx")


def test_an_undocumented_column_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="undocumented: owner"):
        write_workbook(make_plan(problems=pd.DataFrame({"owner": [1]})), tmp_path / "tables.xlsx")


def _office_values(book: Path, folder: Path) -> dict[str, list[list[str]]]:
    """Every sheet's cells as LibreOffice holds them: values, not what is shown."""
    # Tokens of the CSV filter: comma, quote, UTF-8, from line 1, no column formats, language, all text quoted,
    # not as shown, not as shown, no formulas, no blanks removed, every sheet
    # (LibreOffice help, "CSV Filter Parameters").
    how = "csv:Text - txt - csv (StarCalc):44,34,76,1,,1033,true,false,false,false,false,-1"
    office = str(shutil.which("soffice"))
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    command = [office, profile, "--headless", "--convert-to", how, "--outdir", str(folder), str(book)]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    found = {}
    for path in folder.glob(f"{book.stem}-*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            found[path.stem.removeprefix(f"{book.stem}-")] = list(csv.reader(file))
    return found


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed: no soffice on the PATH")
def test_libreoffice_opens_it_with_the_same_text_and_numbers(tmp_path: Path) -> None:
    safe = [text for text in HOSTILE if "\n" not in text]
    rows = pd.DataFrame({"severity": "note", "source": safe, "message": ""})
    plan = make_plan(problems=rows)
    write_workbook(plan, tmp_path / "tables.xlsx")
    found = _office_values(tmp_path / "tables.xlsx", tmp_path / "csv")
    assert set(found) == {"Read first", *table_names(), "Columns"}
    assert [row[1] for row in found["problems"][1:]] == safe
    assert [row[0] for row in found["properties"][1:]] == ["00123", "00124", "7"]
    for name, frame in plan_tables(plan).items():
        if name == "problems":
            continue
        expected = documented_values(name, frame)
        for place, column in enumerate(columns_of(name)):
            values = [row[place] for row in found[name][1:]]
            for text, value in zip(values, expected[column.column].tolist(), strict=True):
                if pd.isna(value):
                    assert text == ""
                elif column.type in ("number", "whole number"):
                    assert float(text) == pytest.approx(value, rel=1e-13), column
                else:
                    assert text == value, column
