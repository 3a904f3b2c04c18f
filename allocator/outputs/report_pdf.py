"""The report as a tagged PDF that screen readers can follow (PDF/UA), by WeasyPrint, which is an extra."""

import base64
import logging
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.outputs.report import report_page
from allocator.outputs.styles import colour

SEASON = ("season", "season-axis", "season-names")
"""Drawings of the chart of the season, which are made smaller to fit on paper."""
MISSING = (
    "The report cannot be written as PDF. {} Install it with: pip install 'allocator[pdf]' (it also needs the system's "
    "Pango library), or print report.html from a browser."
)


def write_report_pdf(plan: Plan, path: Path) -> None:
    """Write the report as PDF: letter paper, tags, language, title, bookmarks, fonts inside.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : pathlib.Path
        The file.

    Raises
    ------
    OutputError
        WeasyPrint or a library of the system that it needs is missing.
    OSError
        The file cannot be written.
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    page = pdf_maker()(string=_prepared(report_page(plan)))
    page.write_pdf(path, pdf_variant="pdf/ua-1", pdf_identifier=b"allocator report")


def pdf_maker() -> Any:
    """What makes PDF of HTML.

    Returns
    -------
    type
        ``weasyprint.HTML``.

    Raises
    ------
    OutputError
        WeasyPrint or a library of the system that it needs is missing.
    """
    try:
        from weasyprint import HTML
    except ImportError as error:
        raise OutputError(MISSING.format("WeasyPrint is not installed.")) from error
    except OSError as error:  # a library of the system is not there
        raise OutputError(MISSING.format("WeasyPrint does not find Pango.")) from error
    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it warns of style rules that it passes over
    return HTML


def _prepared(page: str) -> str:
    """The page with drawings as WeasyPrint needs them: with words and a style of their own, or as background."""
    found = re.search(r'style="--on-paper:([\d.]+)"', page)
    scale, rules = float(found[1]) if found else 1.0, _drawing_rules()
    patterns = re.search(r"<defs>.*?</defs>", page, re.DOTALL)

    def prepared(drawing: re.Match[str]) -> str:
        """Patterns stand in one drawing of the page; here each has to have those that it uses."""
        text = drawing[0]
        if patterns and "url(#" in text and "<defs>" not in text:
            text = text.replace("</svg>", f"{patterns[0]}</svg>")
        return _drawing(text, scale, rules)

    return re.sub(r"<svg\b.*?</svg>", prepared, page, flags=re.DOTALL)


def _drawing(text: str, scale: float, rules: str) -> str:
    drawing = ElementTree.fromstring(text)  # noqa: S314 (a drawing that this tool made, with text escaped)
    if drawing.get("class") in SEASON:
        for side in ("width", "height"):
            drawing.set(side, f"{float(drawing.attrib[side]) * scale:.2f}")
    drawing.set("xmlns", "http://www.w3.org/2000/svg")
    style = ElementTree.Element("style")
    style.text = rules
    drawing.insert(0, style)
    if drawing.get("aria-hidden") == "true":
        return _background(drawing)
    title = ElementTree.Element("title")
    title.text = " ".join(_words(drawing))
    for old in drawing.findall("title"):
        drawing.remove(old)
    drawing.insert(0, title)
    return ElementTree.tostring(drawing, encoding="unicode")


def _words(drawing: Element) -> Iterator[str]:
    """What the drawing shows, for readers who do not see it."""
    for text in (drawing.get("aria-label"), drawing.findtext("title"), drawing.findtext("desc")):
        if text:
            yield text if text.endswith(".") else f"{text}."


def _background(drawing: Element) -> str:
    """An empty box of the drawing's size that shows it: no reader is to be told of it."""
    picture = base64.b64encode(ElementTree.tostring(drawing)).decode("ascii")
    size = f"display:inline-block;width:{drawing.attrib['width']}px;height:{drawing.attrib['height']}px"
    shown = f"url('data:image/svg+xml;base64,{picture}') 0 0 / 100% 100% no-repeat"
    return f'<span style="{size};background:{shown};margin-right:4px;vertical-align:-2px"></span>'


def _drawing_rules() -> str:
    """The rules of the page's style that are for drawings, with the colours themselves in place of their names."""
    style = (resources.files("allocator.outputs") / "templates/report.css").read_text(encoding="utf-8")
    rules = style.split("/* drawings", 1)[1].split("*/", 1)[1].split("/* end of drawings */", 1)[0]
    return re.sub(r"var\(--([a-z-]+)\)", lambda name: colour(name[1]), rules).strip()
