"""Text that tries to run, in every place where a user's text goes in, and out through every file of a plan.

The twelve texts are those that ran in a browser through a common mapping library: markup that loads or opens, ends of
scripts, templates, quotes, back-ticks, backslashes, line ends that end a script's string.
"""

import re
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from lxml import etree
from shapely.geometry import LineString

from tests.journey.browser import NO_BROWSER, find_browser, opened
from tests.journey.studies import ALBERS, MILE_M, SOUTH_M, WEST_M, run, square, write_cover, write_shapes
from tests.unit.outputs.map_plan import PAYLOADS

FILE_NAME = "<img src=x onerror=\"window.ran='file'\">.geojson"
LAYER = "<svg onload=\"window.ran='layer'\">${window.ran='layer'}`"
FORMULA = "=HYPERLINK(\"http://invented.example\",'x')"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
SIDE = 1
"""Miles of a tract's side."""


def _toml(text: str) -> str:
    """A basic string of TOML."""
    return '"' + "".join(f"\\u{ord(one):04X}" if not one.isalnum() else one for one in text) + '"'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve tracts of wet woods with a road through all; ids, names, classes, files, layer and study try to run."""
    land = tmp_path_factory.mktemp("hostile")
    miles = len(PAYLOADS)
    names = [*PAYLOADS[:-1], FORMULA]
    shapes = [square(SIDE * MILE_M, n * MILE_M) for n in range(miles)]
    tracts = write_shapes(
        land / "tracts.gpkg", shapes, {"no": list(PAYLOADS), "owner": names, "signed": ["yes"] * miles}, ALBERS
    )
    pyogrio.write_dataframe(pyogrio.read_dataframe(tracts).to_crs(4326), land / FILE_NAME, layer=LAYER)
    codes = np.repeat(np.arange(1, miles + 1), 54)[None, :].repeat(54, axis=0)
    write_cover(land / "cover.tif", codes, 30.0)
    y = SOUTH_M + 800
    road = LineString([(WEST_M, y), (WEST_M + miles * MILE_M, y)])
    write_shapes(land / "roads.gpkg", [road], {"name": [PAYLOADS[0]]}, ALBERS)
    write_shapes(land / "water.gpkg", [LineString([(x, yy + 150) for x, yy in road.coords])], {"name": ["a"]}, ALBERS)
    rows = pd.DataFrame({"code": range(1, miles + 1), "name": names, "score": 0.9, "source": list(PAYLOADS)})
    rows.assign(is_water="no", shade="open").to_csv(land / "classes.csv", index=False)
    (land / "study.toml").write_text(
        f"""
[study]
name = {_toml(PAYLOADS[1] + PAYLOADS[3])}
[inputs.properties]
path = {_toml(FILE_NAME)}
layer = {_toml(LAYER)}
id = "no"
name = "owner"
enrolled = "signed"
[inputs.land_cover]
path = "cover.tif"
scheme = "classes.csv"
[inputs.water]
path = "water.gpkg"
[inputs.roads]
path = "roads.gpkg"
name_field = "name"
[grant]
award_date = "2026-10-01"
""",
        encoding="utf-8",
    )
    done = run("plan", land / "study.toml", "--out", land / "plan")
    assert done.returncode == 0, done.stderr
    done = run("share", land / "plan", "--audience", "partner", "--title", PAYLOADS[0], "--out", land / "copy")
    assert done.returncode == 0, done.stderr
    return land


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
@pytest.mark.parametrize("page", ["plan/map.html", "plan/report.html", "plan/site_cards.html", "copy/shared.html"])
def test_nothing_runs_and_the_text_shows_as_typed(folder: Path, page: str) -> None:
    with opened(folder / page) as seen:
        seen.page.wait_for_timeout(500)
        seen.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        for button in seen.page.locator("button.go").all()[:30]:
            button.click()
        for show in seen.page.locator("button:has-text('Show all')").all():
            show.click()
        text = " ".join(seen.page.evaluate("document.body.textContent").split())
        assert seen.page.evaluate("window.ran") is None
        assert not seen.requests and not seen.faults
    shown = [PAYLOADS[0]] if page.startswith("copy") else list(PAYLOADS)
    for payload in shown:
        assert " ".join(payload.split()) in text, payload


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
def test_names_of_file_layer_and_study_show_as_typed(folder: Path) -> None:
    with opened(folder / "plan/report.html") as seen:
        text = " ".join(seen.page.evaluate("document.body.textContent").split())
    assert f"{FILE_NAME}:{LAYER}" in text and PAYLOADS[1] + PAYLOADS[3] in text


def test_tables_hold_the_text_and_no_formula(folder: Path) -> None:
    frame = pyogrio.read_dataframe(folder / "plan/plan.gpkg", layer="properties")
    assert sorted(frame["property_id"]) == sorted(PAYLOADS) and FORMULA in set(frame["name"])
    table = pd.read_csv(folder / "plan/tables/properties.csv", encoding="utf-8-sig")
    assert sorted(table["property_id"]) == sorted(PAYLOADS) and f"'{FORMULA}" in set(table["name"])
    for path in (folder / "plan/tables").iterdir():
        frame = pd.read_csv(path, encoding="utf-8-sig", dtype=str, keep_default_na=False)
        texts = [one for name in frame for one in frame[name] if one.startswith(FORMULA_STARTS)]
        assert all(re.fullmatch(r"-\d+(\.\d+)?(e-?\d+)?", one) for one in texts), path.name
    book = openpyxl.load_workbook(folder / "plan/tables.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert FORMULA in {cell.value for cell in cells} and not [cell for cell in cells if cell.data_type == "f"]
    assert not [cell for cell in cells if cell.hyperlink and not cell.hyperlink.location]


def test_field_files_hold_it_as_text(folder: Path) -> None:
    tree = etree.parse(folder / "plan/sites.gpx")
    with zipfile.ZipFile(folder / "plan/sites.kmz") as kmz:
        names, places = kmz.namelist(), etree.fromstring(kmz.read("doc.kml"))
    assert names == ["doc.kml"]
    gpx_text, kml_text = ("".join(one.itertext()) for one in (tree.getroot(), places))
    assert PAYLOADS[0] in gpx_text and PAYLOADS[0] in kml_text
    known = {"gpx", "kml", "Placemark", "wpt", "trk", "name", "desc"}
    tags = {etree.QName(one).localname for root in (tree.getroot(), places) for one in root.iter(etree.Element)}
    assert not tags & {"img", "script", "svg", "a", "NetworkLink"} and tags & known
