"""Traps, sites, acres and cost read back from every file of a plan: one plan, one set of numbers."""

import json
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pandas as pd
import pyogrio
import pytest
from lxml import etree, html

from allocator import demo_study_file
from tests.journey.studies import run
from tests.unit.outputs.test_report_pdf import NO_WEASYPRINT

GPX = {"g": "http://www.topografix.com/GPX/1/1"}
KML = {"k": "http://www.opengis.net/kml/2.2"}


@dataclass(frozen=True)
class Answer:
    """What every file must say, as text: traps, sites, acres of habitat, acres on signed-up land, dollars."""

    traps: str
    sites: str
    acres: str
    enrolled_acres: str
    cost: str


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("weasyprint", reason=NO_WEASYPRINT, exc_type=(ImportError, OSError))
    out = tmp_path_factory.mktemp("agree") / "plan"
    done = run("plan", demo_study_file(), "--out", out, "--report", "pdf", "--report", "docx")
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture(scope="module")
def answer(folder: Path) -> Answer:
    """From the layers of the GeoPackage, added up here."""
    layer = {name: pyogrio.read_dataframe(folder / "plan.gpkg", layer=name)
             for name in ("properties", "sites", "budget", "complexes", "seasons")}  # fmt: skip
    planned = layer["seasons"][layer["seasons"]["is_planned"] == "yes"].iloc[0]
    lines = layer["budget"]
    cost = lines.loc[(lines["part"] == "form") & (lines["form_line"] == "k"), "amount_usd"].item()
    assert layer["properties"]["traps"].sum() == layer["complexes"]["traps"].sum() == planned["traps"]
    assert layer["properties"]["habitat_acres"].sum() == pytest.approx(planned["habitat_acres"], rel=1e-9)
    return Answer(
        f"{layer['properties']['traps'].sum()}", f"{len(layer['sites'])}", f"{planned['habitat_acres']:,.1f}",
        f"{planned['enrolled_habitat_acres']:,.1f}", f"${cost:,.2f}",
    )  # fmt: skip


def _figures(page: Path) -> dict[str, str]:
    """Heads and words of the first list of figures on a page."""
    found = html.document_fromstring(page.read_text(encoding="utf-8")).find(".//dl[@class='figures']")
    return {one.find("dt").text_content(): one.find("dd").text_content() for one in found.findall("div")}


def _told(text: str) -> Answer:
    """Numbers in the sentences that report and justification share."""
    words = " ".join(text.split())
    patterns = (
        r"(?:takes|by complex) (\d+) traps", r"reach of a truck: (\d+);|(\d+) sites were chosen",
        r"([\d,.]+) acres score as", r"([\d,.]+) (?:acres of it|of them)", r"plan costs (\$[\d,]+\.\d\d)",
    )  # fmt: skip
    found = [re.search(pattern, words) for pattern in patterns]
    return Answer(*("" if one is None else next(filter(None, one.groups())) for one in found))


def test_record_and_csv(folder: Path, answer: Answer) -> None:
    totals = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["totals"]
    assert answer == Answer(
        f"{totals['traps']}", f"{totals['sites']}", f"{totals['habitat_acres']:,.1f}",
        f"{totals['enrolled_habitat_acres']:,.1f}", f"${totals['cost_usd']:,.2f}",
    )  # fmt: skip
    tables = {name: pd.read_csv(folder / "tables" / f"{name}.csv", encoding="utf-8-sig", dtype={"form_line": str})
              for name in ("properties", "sites", "budget", "complexes")}  # fmt: skip
    money = tables["budget"].query("part == 'form' and form_line == 'k'")["amount_usd"].item()
    assert answer == Answer(
        f"{tables['properties']['traps'].sum()}", f"{len(tables['sites'])}",
        f"{tables['properties']['habitat_acres'].sum():,.1f}",
        f"{tables['complexes']['enrolled_habitat_acres'].sum():,.1f}", f"${money:,.2f}",
    )  # fmt: skip


def test_workbook(folder: Path, answer: Answer) -> None:
    book = openpyxl.load_workbook(folder / "tables.xlsx", data_only=False)

    def column(sheet: str, name: str) -> list:
        """Values under the heading of a column, whose name stands in the sheet of columns."""
        rows = list(book[sheet].iter_rows(values_only=True))
        listed = [row for row in book["Columns"].iter_rows(values_only=True) if row[0] == sheet]
        place = [row[2] for row in listed].index(name)
        return [row[place] for row in rows[1:]]

    money = dict(zip(zip(column("budget", "part"), column("budget", "form_line"), strict=True),
                     column("budget", "amount_usd"), strict=True))  # fmt: skip
    assert answer == Answer(
        f"{sum(column('properties', 'traps'))}", f"{len(column('sites', 'site_id'))}",
        f"{sum(column('properties', 'habitat_acres')):,.1f}",
        f"{sum(column('complexes', 'enrolled_habitat_acres')):,.1f}", f"${money['form', 'k']:,.2f}",
    )  # fmt: skip


def test_map_page(folder: Path, answer: Answer) -> None:
    figures = _figures(folder / "map.html")
    assert figures["Habitat"] == f"{answer.acres} acres"
    assert figures["On signed-up land"] == f"{answer.enrolled_acres} acres"
    assert figures["Traps needed"].split()[0] == answer.traps and figures["Sites found"] == answer.sites
    assert figures["Cost"].strip() == answer.cost


def test_report_page(folder: Path, answer: Answer) -> None:
    figures = _figures(folder / "report.html")
    assert figures["Habitat"] == f"{answer.acres} acres {answer.enrolled_acres} on signed-up land"
    assert figures["Traps needed"].split()[0] == answer.traps and figures["Sites found"].split()[0] == answer.sites
    assert figures["Cost"].strip() == answer.cost
    assert (
        _told(html.document_fromstring((folder / "report.html").read_text(encoding="utf-8")).text_content()) == answer
    )


def test_report_as_pdf(folder: Path, answer: Answer) -> None:
    pypdf = pytest.importorskip("pypdf", reason="pypdf reads the words")
    assert _told(pypdf.PdfReader(folder / "report.pdf").pages[0].extract_text()) == answer


def test_report_for_a_word_processor(folder: Path, answer: Answer) -> None:
    docx = pytest.importorskip("docx", reason="python-docx reads the words")
    assert _told("\n".join(one.text for one in docx.Document(str(folder / "report.docx")).paragraphs)) == answer


def test_justification(folder: Path, answer: Answer) -> None:
    assert _told((folder / "justification.txt").read_text(encoding="utf-8")) == answer


def test_field_files_have_every_site(folder: Path, answer: Answer) -> None:
    sites = set(pyogrio.read_dataframe(folder / "plan.gpkg", layer="sites")["site_id"])
    cards = html.document_fromstring((folder / "site_cards.html").read_text(encoding="utf-8"))
    names = {one.get("id") for one in cards.iter("article")}
    waypoints = etree.parse(folder / "sites.gpx").findall("g:wpt/g:name", GPX)
    with zipfile.ZipFile(folder / "sites.kmz") as kmz:
        placemarks = etree.fromstring(kmz.read("doc.kml")).findall(".//k:Placemark/k:name", KML)
    assert f"{len(sites)}" == answer.sites
    assert sites <= names
    for found in (waypoints, placemarks):
        assert sites <= {one.text.split()[0] for one in found if one.text}
