"""CSV tables: all digits, no formulas, the same values as the plan."""

import csv
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lxml import etree

from allocator.core.cautions import HEADLINE
from allocator.outputs.columns import columns_of, table_names
from allocator.outputs.tables import cautions, write_tables
from tests.unit.outputs.plan_builder import make_plan


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_one_file_per_table_with_plain_headers(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path / "tables")
    assert {path.stem for path in (tmp_path / "tables").iterdir()} == set(table_names())
    for name in table_names():
        header = (tmp_path / "tables" / f"{name}.csv").read_bytes().split(b"\r\n")[0]
        assert header == b"\xef\xbb\xbf" + ",".join(column.column for column in columns_of(name)).encode()


def test_lines_end_as_rfc_4180_says(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    data = (tmp_path / "properties.csv").read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") == 4


def test_no_sites_leave_the_header_alone(tmp_path: Path) -> None:
    write_tables(make_plan(0), tmp_path)
    assert _rows(tmp_path / "sites.csv") == []
    assert len((tmp_path / "sites.csv").read_bytes().split(b"\r\n")) == 2


def test_ids_keep_their_leading_zeros(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    assert [row["property_id"] for row in _rows(tmp_path / "properties.csv")] == ["00123", "00124", "7"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-Levee road", "@SUM(1,1)", "\t=1", "\r=1+1", '=HYPERLINK("x")'])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(tmp_path: Path, text: str) -> None:
    plan = make_plan()
    write_tables(make_plan(properties=plan.properties.assign(name=["a", text, "b"])), tmp_path)
    assert _rows(tmp_path / "properties.csv")[1]["name"] == "'" + text


def test_numbers_never_get_an_apostrophe(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    assert _rows(tmp_path / "sites.csv")[0]["longitude"] == repr(-64.63 + 1 / 1e4)


def test_quotes_commas_and_line_breaks_come_back_as_they_were(tmp_path: Path) -> None:
    names = ['a "quoted", name', "two\nlines", "two\r\nlines\u2028more"]
    write_tables(make_plan(properties=make_plan().properties.assign(name=names)), tmp_path)
    assert [row["name"] for row in _rows(tmp_path / "properties.csv")] == names


def test_numbers_come_back_to_the_last_digit(tmp_path: Path) -> None:
    acres = [0.1 + 0.2, 1 / 3, 1e-12]
    write_tables(make_plan(properties=make_plan().properties.assign(area_acres=acres)), tmp_path)
    assert [float(row["area_acres"]) for row in _rows(tmp_path / "properties.csv")] == acres


def test_blank_is_an_empty_cell_and_zero_is_zero(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    rows = _rows(tmp_path / "properties.csv")
    assert [row["blank_percent"] for row in rows] == ["0.0", "100.0", ""]
    assert [row["traps"] for row in rows] == ["2", "1", "0"]
    assert _rows(tmp_path / "complexes.csv")[0]["gap_percent"] == "0.0"


def test_cautions_begin_with_local_law(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    assert [row["caution"] for row in _rows(tmp_path / "cautions.csv")] == list(cautions())
    assert cautions()[0] == HEADLINE


def test_an_undocumented_column_is_refused_at_the_door(tmp_path: Path) -> None:
    frame = pd.DataFrame({"owner": [np.nan]})
    with pytest.raises(ValueError, match="undocumented: owner"):
        write_tables(make_plan(problems=frame), tmp_path)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed: no soffice on the PATH")
def test_a_spreadsheet_keeps_ids_and_runs_nothing(tmp_path: Path) -> None:
    write_tables(make_plan(), tmp_path)
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    # Tokens of the CSV filter: comma, quote, UTF-8, from line 1, no column formats, language, quoted fields as text
    # (LibreOffice help, "CSV Filter Parameters").
    command = ["soffice", profile, "--headless", "--infilter=CSV:44,34,76,1,,0,true", "--convert-to", "fods"]
    subprocess.run(
        [*command, "--outdir", str(tmp_path), str(tmp_path / "properties.csv")], check=True, capture_output=True,
        timeout=180,
    )  # fmt: skip
    book = etree.parse(tmp_path / "properties.fods").getroot()
    office, table = (f"{{{book.nsmap[name]}}}" for name in ("office", "table"))
    rows = [list(row.iter(f"{table}table-cell")) for row in book.iter(f"{table}table-row")]
    assert ["".join(row[0].itertext()).strip() for row in rows[1:4]] == ["00123", "00124", "7"]
    assert {row[0].get(f"{office}value-type") for row in rows[1:4]} == {"string"}
    assert "'=1+1" in {"".join(row[1].itertext()).strip() for row in rows}
    assert not [cell for row in rows for cell in row if cell.get(f"{table}formula")]
    assert "float" in {cell.get(f"{office}value-type") for cell in rows[1]}
