"""The report as PDF: tags, words, fonts and letters, read back by other programs."""

import sys
from collections import Counter
from dataclasses import replace
from importlib.abc import MetaPathFinder
from pathlib import Path
from typing import Any

import pytest

from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.outputs.report_pdf import write_report_pdf
from tests.unit.outputs import map_plan, plan_builder

NO_WEASYPRINT = "the extra [pdf] or Pango is not installed"
NAME = "Łukasz Żółw, Été"


@pytest.fixture(scope="module")
def plan() -> Plan:
    built = plan_builder.make_plan()
    names = [NAME, "=1+1", map_plan.PAYLOADS[1]]
    return replace(built, properties=built.properties.assign(name=names), warnings=(map_plan.PAYLOADS[0],))


@pytest.fixture(scope="module")
def written(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("weasyprint", reason=NO_WEASYPRINT, exc_type=(ImportError, OSError))
    path = tmp_path_factory.mktemp("pdf") / "report.pdf"
    write_report_pdf(plan, path)
    return path


@pytest.fixture(scope="module")
def opened(written: Path) -> Any:
    return pytest.importorskip("pikepdf", reason="pikepdf reads the tags").open(written)


def _elements(element: Any) -> list[Any]:
    """Structure elements, parents first."""
    if not hasattr(element, "get") or element.get("/K") is None:
        return [element] if hasattr(element, "get") else []
    kids = element["/K"]
    parts = list(kids) if type(kids).__name__ == "Array" or kids._type_name == "array" else [kids]
    return [element] + [found for part in parts for found in _elements(part)]


def _tags(opened: Any) -> list[Any]:
    return [one for one in _elements(opened.Root.StructTreeRoot) if "/S" in one]


def test_it_is_tagged_with_language_and_title(opened: Any) -> None:
    assert opened.Root.MarkInfo.Marked and str(opened.Root.Lang) == "en"
    assert str(opened.docinfo["/Title"]) == "Trap plan report: Invented bottoms"
    assert opened.Root.ViewerPreferences.DisplayDocTitle
    with opened.open_metadata() as record:
        assert record["pdfuaid:part"] == "1"
    assert float(opened.pages[0].MediaBox[2]) == 612 and float(opened.pages[0].MediaBox[3]) == 792  # letter, points


def test_headings_tables_and_drawings_are_told_as_such(opened: Any) -> None:
    tags = _tags(opened)
    many = Counter(str(one["/S"]) for one in tags)
    assert many["/H1"] == 1 and many["/H2"] == 16 and many["/Table"] >= 12
    assert many["/TH"] and many["/TD"] and many["/Caption"] >= 12
    words = [str(one.get("/Alt", "")) for one in tags if str(one["/S"]) == "/Figure"]
    assert len(words) >= 5 and all(words)
    assert any(one.startswith("Map: habitat score") for one in words)
    assert any("acres per trap moves the count most: 2.0 to 4.0 traps around 2.5." in one for one in words)


def test_every_font_is_inside(opened: Any) -> None:
    fonts = {}
    for page in opened.pages:
        for font in page.Resources.get("/Font", {}).values():
            described = font.DescendantFonts[0].FontDescriptor
            fonts[str(font.BaseFont)] = any(key in described for key in ("/FontFile", "/FontFile2", "/FontFile3"))
    assert fonts and all(fonts.values())


def test_letters_beyond_latin_survive_and_no_letter_is_a_box(opened: Any, written: Path) -> None:
    """A letter that a font lacks is glyph 0 of it, the box: none is shown."""
    pypdf, pikepdf = pytest.importorskip("pypdf", reason="pypdf reads the text"), pytest.importorskip("pikepdf")
    text = " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(written).pages)
    assert "Łukasz" in text and "Żółw" in text and "■" not in text and "□" not in text
    shown = 0
    for page in opened.pages:
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) in ("Tj", "TJ"):
                parts = operands[0] if str(operator) == "TJ" else [operands[0]]
                glyphs = b"".join(bytes(part) for part in parts if isinstance(part, pikepdf.String))
                numbers = [int.from_bytes(glyphs[at : at + 2]) for at in range(0, len(glyphs), 2)]
                assert 0 not in numbers
                shown += len(numbers)
    assert shown > 3000


def test_it_holds_the_numbers_of_the_plan_and_text_as_typed(plan: Plan, written: Path) -> None:
    pypdf = pytest.importorskip("pypdf", reason="pypdf reads the text")
    text = " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(written).pages)
    totals = plan.totals
    for words in (
        f"{totals.habitat_acres:,.1f} acres",
        f"{totals.traps_low} to {totals.traps_high}",
        "at least $300.00",
    ):
        assert words in text
    assert "onerror=" in text and "<script>" in text.replace(" ", "")


def test_a_page_shows_maps_and_words(written: Path) -> None:
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 draws pages")
    pages = [page.render(scale=0.5).to_numpy() for page in pdfium.PdfDocument(written)]
    assert all(0.5 < page.mean() / 255 < 0.995 for page in pages)
    assert any((page.max(axis=2).astype(int) - page.min(axis=2) > 40).mean() > 0.1 for page in pages)  # a map in colour


def test_same_plan_same_bytes(plan: Plan, written: Path, tmp_path: Path) -> None:
    write_report_pdf(plan, tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == written.read_bytes()


def test_nothing_is_printed_in_the_margins(tmp_path: Path) -> None:
    """Not even a long season and names without a space; 0.6 of the 0.7 inches at both sides stay white."""
    pytest.importorskip("weasyprint", reason=NO_WEASYPRINT, exc_type=(ImportError, OSError))
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 draws pages")
    path, long_name = tmp_path / "report.pdf", map_plan.make_plan(properties=4, name="W" * 300)
    write_report_pdf(long_name, path)
    for page in pdfium.PdfDocument(path):
        drawn = page.render(scale=1).to_numpy()
        assert drawn.shape[1] == 612 and drawn[:, :43].min() > 250 and drawn[:, -43:].min() > 250


def test_without_weasyprint_there_is_one_clear_message(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(
        OutputError, match=r"WeasyPrint is not installed. Install it with: pip install 'allocator\[pdf\]'"
    ):
        write_report_pdf(plan_builder.make_plan(), tmp_path / "report.pdf")
    assert list(tmp_path.iterdir()) == []


def test_without_pango_there_is_one_clear_message(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Finder(MetaPathFinder):
        def find_spec(self, name: str, path: Any, target: Any = None) -> None:
            if name == "weasyprint":
                raise OSError("cannot load library 'libpango-1.0-0'")

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Finder(), *sys.meta_path])
    with pytest.raises(OutputError, match=r"does not find Pango.*report\.html"):
        write_report_pdf(plan_builder.make_plan(), tmp_path / "report.pdf")
