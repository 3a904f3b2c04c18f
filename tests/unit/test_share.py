"""What partners and the public may see of a plan: not a byte more."""

import csv
import json
import re
import sqlite3
import struct
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.errors import InputError, OutputError, SettingsError
from allocator.outputs import shared_copy
from allocator.outputs.columns import read_columns
from allocator.outputs.shared_copy import check_new_folder, shared_page, write_shared_copy
from allocator.share import AUDIENCES, DEFAULT_TITLE, decisions, share_plan
from tests.journey.browser import NO_BROWSER, find_browser, opened
from tests.unit.outputs.map_plan import PAYLOADS
from tests.unit.share_plans import (
    TO_DEGREES,
    TO_PLAN,
    areas_file,
    cells_of,
    found_in,
    pieces,
    shared,
    squares,
    totals_of,
    write_folder,
)


def prefix(value: float) -> str:
    """The first five digits of a number that count, with its point."""
    text = f"{abs(value):.12f}"
    digits = re.match(r"(?:0\.0*)?(?:\d\.?){5}", text)
    return digits.group(0).rstrip(".") if digits else text


def places_of(plan: Path) -> np.ndarray:
    """Every coordinate of properties and sites: in the plan's system and in degrees."""
    shapes = [pyogrio.read_dataframe(plan / "plan.gpkg", layer=name).geometry for name in ("properties", "sites")]
    points = np.concatenate([shapely.get_coordinates(one.to_numpy()) for one in shapes])
    return np.unique(np.concatenate([points.ravel(), *TO_DEGREES.transform(*points.T)]))


def doubles_in(folder: Path, values: Iterable[float]) -> set[float]:
    heap = b"\n".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())
    return {one for one in values if struct.pack("<d", one) in heap or struct.pack(">d", one) in heap}


SECRET_IDS = ["kenning-000", "Zq", "x1y", "Ångström-9"]


@pytest.fixture(scope="module")
def secret_plan(tmp_path_factory):
    shapes = pieces((0, 0, 7), (1, 0, 3), (4, 4, 6), (8, 8, 1))
    ids = [*SECRET_IDS, *(f"kenning-{n:03}" for n in range(4, 17))]
    names = [f"Quillfeather Holding {n}" for n in range(15)] + ["Żółw & Sons <b>", 'O\'Hallorhan "Ridge"']
    return write_folder(tmp_path_factory.mktemp("secret") / "plan", shapes, property_id=ids, name=names)


def secrets_of(plan: Path) -> list[str]:
    properties = pyogrio.read_dataframe(plan / "plan.gpkg", layer="properties")
    sites = pyogrio.read_dataframe(plan / "plan.gpkg", layer="sites")
    record = json.loads((plan / "plan.json").read_text())
    files = [row["path_name"] for row in record["inputs"]]
    texts = [properties["property_id"], properties["name"], sites["site_id"], sites["road_name"], sites["usng"],
             sites["utm"], sites["complex_id"]]  # fmt: skip
    return [*(text for one in texts for text in one), record["study"], *record["warnings"], *files]


def test_not_a_byte_of_the_public_copy_tells_of_a_property(secret_plan, tmp_path):
    secrets = secrets_of(secret_plan)
    assert found_in(secret_plan, secrets) >= set(secrets) - {"C1"}  # the search finds them where they are
    places = places_of(secret_plan)
    assert len(doubles_in(secret_plan, places)) > 100
    assert {prefix(one) for one in (28.4123456, -64.6, 0.00123456, 12345.678)} == {
        "28.412", "64.600", "0.0012345", "12345"
    }  # fmt: skip
    given = areas_file(tmp_path / "a.gpkg", [squares((0, 0), (1, 0)), squares((4, 4), (8, 8))])
    for number, more in enumerate(({}, {"least": 3, "side_miles": 3}, {"areas": given})):
        copy = write_shared_copy(share_plan(secret_plan, "public", **more), tmp_path / f"copy{number}")
        assert found_in(copy, secrets) == set() and doubles_in(copy, places) == set()
        assert found_in(copy, {prefix(one) for one in places}) == set()
        fixed = np.concatenate(TO_PLAN.transform(*shapely.get_coordinates(
            pyogrio.read_dataframe(secret_plan / "plan.gpkg", layer="properties").geometry.to_numpy()
        ).T, direction="INVERSE"))  # fmt: skip
        assert doubles_in(copy, fixed) == set() and found_in(copy, {prefix(one) for one in fixed}) == set()


def test_the_search_finds_what_is_hidden_in_other_encodings(tmp_path):
    for name, code in (("a", "utf-8"), ("b", "utf-16-le"), ("c", "utf-16-be")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file.bin").write_bytes(b"\x01" + "at ÅNGSTRÖM-9, zQ 28.4129".encode(code))
        assert found_in(tmp_path / name, ["Ångström-9", "Zq", "28.412", "8.4129"]) == {"Ångström-9", "Zq", "28.412"}


def test_layers_tell_no_smaller_extent_than_the_areas(secret_plan, tmp_path):
    copy = shared(tmp_path, secret_plan)
    cells = shapely.union_all(list(cells_of(copy).values())).bounds
    with closing(sqlite3.connect(copy / "shared.gpkg")) as connection:
        extents = connection.execute("SELECT table_name, min_x, min_y, max_x, max_y FROM gpkg_contents").fetchall()
    assert {one[0]: one[1:] for one in extents} == {
        "cells": pytest.approx(cells), "totals": (None,) * 4, "cautions": (None,) * 4,
    }  # fmt: skip
    assert sorted(path.name for path in copy.iterdir()) == ["notes.txt", "shared.gpkg", "shared.html", "totals.csv"]


# The partner: the work on enrolled land.


@pytest.fixture(scope="module")
def partner_plan(tmp_path_factory):
    reasons = ["", "the gate of Quillfeather Holding 3 is shut", "as kenning-004 has it", "kenning-003 has no road",
               "no road within 60 m", ""]  # fmt: skip
    return write_folder(
        tmp_path_factory.mktemp("partner") / "plan", pieces((0, 0, 6)), shortfall_reason=reasons,
        enrolled=["yes", "yes", "yes", "yes", "yes", "no"], area_acres=[10.0, 20.0, 30.0, 40.0, 50.0, 600.0],
        traps_given=[2, 1, 0, 0, 1, 0],
    )  # fmt: skip


def rows_of(copy: Path, table: str) -> list[dict[str, str]]:
    with (copy / "tables" / f"{table}.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_a_partner_sees_the_work_and_nothing_of_others(partner_plan, tmp_path):
    copy = shared(tmp_path, partner_plan, "partner")
    told = {(one.table, one.column) for one in read_columns() if decisions()[one.table, one.column]["partner"] != "no"}
    assert {(path.stem, name) for path in (copy / "tables").iterdir() for name in rows_of(copy, path.stem)[0]} == told
    for table in {table for table, _ in told}:
        layer = pyogrio.read_dataframe(copy / "shared.gpkg", layer=table)
        assert set(layer.columns) - {"geometry"} == {name for one, name in told if one == table}
        assert len(layer) == len(rows_of(copy, table))
    assert [row["property_id"] for row in rows_of(copy, "properties")] == [f"kenning-{n:03}" for n in range(5)]
    assert [row["site_id"] for row in rows_of(copy, "round_stops")] == ["TZ001K", "TZ002K", ""]
    hidden = ["kenning-005", "Quillfeather", "-Levee", "Invented bottoms", "tracts.gpkg", "invented quote", "wet\r"]
    assert found_in(partner_plan, hidden[:2]) == set(hidden[:2]) and found_in(copy, hidden) == set()
    shape = pyogrio.read_dataframe(partner_plan / "plan.gpkg", layer="properties").geometry.iloc[5]
    assert doubles_in(copy, shapely.get_coordinates(shape)[:, 0]) == set()
    page = (copy / "shared.html").read_text()
    for words in ("<dd>5</dd>", "<dd>150.0</dd>", "<dd>4</dd>", "<dd>2</dd>"):  # 600 acres are not enrolled
        assert words in page


def test_texts_that_name_a_property_are_blanked(partner_plan, tmp_path):
    copy = shared(tmp_path, partner_plan, "partner")
    # the name of another, the id of another, its own id, a number that is no id, none
    assert [row["shortfall_reason"] for row in rows_of(copy, "properties")] == [
        "", "", "", "kenning-003 has no road", "no road within 60 m"
    ]  # fmt: skip
    assert "2 texts were blanked" in (copy / "notes.txt").read_text()


@pytest.mark.parametrize(("name", "road"), [
    ("Umberwick", ""), ("UMBERWICK  road", ""), ("Umberwick Road 2", "Umberwick Road"), ("Road", ""),
    ("oa", "Umberwick Road"), ("kenning-000", "Umberwick Road"),
])  # fmt: skip
def test_a_road_called_after_a_property_is_blanked(tmp_path, name, road):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 2)), name=[name, "Second"])
    assert [row["road_name"] for row in rows_of(shared(tmp_path, plan, "partner"), "sites")] == [road, road]


def test_an_id_that_stands_for_a_missing_name_is_no_name(tmp_path):
    names = ["Umberwick", "Second"]
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 2)), property_id=names, name=names)
    assert rows_of(shared(tmp_path, plan, "partner"), "sites")[0]["road_name"] == "Umberwick Road"


def drop_triggers(connection: sqlite3.Connection) -> None:
    """Rows can be changed then without the functions of a GIS."""
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f'DROP TRIGGER "{name}"')


@pytest.mark.parametrize("audience", AUDIENCES)
def test_a_column_that_nobody_decided_about_is_left_out(tmp_path, audience):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 5)))
    with closing(sqlite3.connect(plan / "plan.gpkg")) as connection:
        drop_triggers(connection)
        connection.execute("ALTER TABLE sites ADD COLUMN owner TEXT")
        connection.execute("UPDATE sites SET owner = 'Wexcombe family'")
        connection.execute("CREATE TABLE phone_list (who TEXT)")
        connection.execute("INSERT INTO phone_list VALUES ('Wexcombe')")
        connection.execute("INSERT INTO gpkg_contents (table_name, data_type) VALUES ('phone_list', 'attributes')")
        connection.commit()
    copy = share_plan(plan, audience)
    assert set(copy.undecided) == {"sites.owner", "phone_list"}
    assert found_in(write_shared_copy(copy, tmp_path / "copy"), ["Wexcombe", "phone_list", "owner_"]) == set()


def test_nothing_enrolled_leaves_a_partner_nothing(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 2)), enrolled=["no", "no"])
    with pytest.raises(InputError, match="no property of the plan is enrolled"):
        share_plan(plan, "partner")


def test_a_site_on_land_not_enrolled_is_refused(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 2)), enrolled=["no", "yes"])
    with pytest.raises(InputError, match="sites on properties that are not enrolled"):
        share_plan(plan, "partner")


# The files.


@pytest.mark.parametrize("audience", AUDIENCES)
def test_files_are_sound_explained_and_the_same_again(partner_plan, tmp_path, audience):
    copies = [write_shared_copy(share_plan(partner_plan, audience), tmp_path / name) for name in ("one", "two")]
    files = [{path.relative_to(copy): path.read_bytes() for path in copy.rglob("*") if path.is_file()}
             for copy in copies]  # fmt: skip
    assert files[0] == files[1]
    header = files[0][Path("shared.gpkg")][:100]
    assert header[68:72] == b"GPKG" and int.from_bytes(header[60:64], "big") == 10300
    with closing(sqlite3.connect(copies[0] / "shared.gpkg")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        explained = set(connection.execute("SELECT table_name, column_name FROM gpkg_data_columns"))
        tables = [row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")]
        held = {(table, row[1]) for table in tables for row in connection.execute(f'PRAGMA table_info("{table}")')}
        assert {one for one in held if one[1] not in ("fid", "geom")} == explained
        said = [row[0] for row in connection.execute("SELECT caution FROM cautions")]
        changed = {row[0] for row in connection.execute("SELECT last_change FROM gpkg_contents")}
    assert said == [HEADLINE, *CAUTIONS] and changed == {"2026-01-01T00:00:00.000Z"}
    notes = " ".join((copies[0] / "notes.txt").read_text().split())
    page = (copies[0] / "shared.html").read_text().replace("&#39;", "'")
    assert all(one in notes and one in page for one in (HEADLINE, *CAUTIONS))


def test_the_page_tells_what_the_table_tells(secret_plan, tmp_path):
    copy = shared(tmp_path, secret_plan)
    page = (copy / "shared.html").read_text()
    body = re.search(r"<tbody>(.*?)</tbody>", page, re.DOTALL).group(1)
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", line) for line in body.strip().splitlines()]
    assert {row[0]: tuple(int(one.replace(",", "")) for one in row[1:]) for row in rows} == totals_of(copy)
    frame = pyogrio.read_dataframe(copy / "shared.gpkg", layer="totals")
    assert {row[0]: tuple(row[1:]) for row in frame.itertuples(index=False)} == totals_of(copy)
    (drawn,) = re.findall(r'viewBox="-12 -12 (\d+) (\d+)"', page)
    assert max(map(int, drawn)) == 1024 and page.count("<path class") == len(cells_of(copy)) + 5


def test_a_text_that_looks_like_a_formula_stays_text(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 2)), property_id=["=1+1", "2"])
    copy = shared(tmp_path, plan, "partner")
    assert [row["property_id"] for row in rows_of(copy, "properties")] == ["'=1+1", "2"]
    assert pyogrio.read_dataframe(copy / "shared.gpkg", layer="properties")["property_id"].tolist() == ["=1+1", "2"]


@pytest.mark.parametrize(("given", "shown"), [
    ("Swine\n in \u202ethe\u0000 bend ", "Swine in the bend"), (" \t", DEFAULT_TITLE), ("\u200b", DEFAULT_TITLE),
    ("a" * 300, "a" * 200),
])  # fmt: skip
def test_a_title_is_one_plain_line(secret_plan, given, shown):
    assert share_plan(secret_plan, "public", title=given).title == shown


@pytest.mark.skipif(find_browser() is None, reason=NO_BROWSER)
def test_texts_that_try_to_run_are_shown_as_typed(tmp_path):
    count = len(PAYLOADS)
    plan = write_folder(tmp_path / "plan", pieces((0, 0, count)), property_id=list(PAYLOADS), site=2)
    copies = [share_plan(plan, "partner"), share_plan(plan, "public")]
    titled = [share_plan(plan, "public", title=one).title for one in PAYLOADS[7:9]]
    assert titled == [" ".join(one.split()) for one in PAYLOADS[7:9]]
    for number, copy in enumerate([*copies, *(replace(copies[1], title=one) for one in PAYLOADS)]):
        path = tmp_path / f"{number}.html"
        path.write_text(shared_page(copy), encoding="utf-8")
        with opened(path, width=390) as seen:
            assert seen.faults == [] and seen.requests == [] and seen.page.evaluate("window.ran") is None
            assert seen.page.locator("h1").text_content() == copy.title
            assert seen.page.evaluate("document.documentElement.scrollWidth") <= 390
            if copy.audience == "partner":
                assert seen.page.locator("table").first.locator("tbody th").all_text_contents() == list(PAYLOADS)


def test_a_folder_that_is_there_is_left_alone(secret_plan, tmp_path):
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "mine.txt").write_text("mine")
    with pytest.raises(OutputError, match="exists already"):
        write_shared_copy(share_plan(secret_plan, "public"), tmp_path / "there")
    assert [path.name for path in tmp_path.rglob("*")] == ["there", "mine.txt"]
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="exists already"):
        check_new_folder(tmp_path / "link")


def test_after_a_failure_nothing_is_there(secret_plan, tmp_path, monkeypatch):
    copy = share_plan(secret_plan, "public")

    def full(_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shared_copy, "notes_text", full)
    with pytest.raises(OutputError, match="No space left"):
        write_shared_copy(copy, tmp_path / "new" / "copy")
    assert list(tmp_path.iterdir()) == []


def spoiled_record(plan: Path) -> None:
    record = json.loads((plan / "plan.json").read_text())
    record["totals"]["properties"] += 1
    (plan / "plan.json").write_text(json.dumps(record))


def without_column(plan: Path) -> None:
    frame = pyogrio.read_dataframe(plan / "plan.gpkg", layer="properties")
    (plan / "plan.gpkg").unlink()
    frame.drop(columns="traps").to_file(plan / "plan.gpkg", layer="properties")


@pytest.mark.parametrize(("spoil", "words"), [
    (lambda plan: (plan / "plan.json").unlink(), "plan.json: found no such file"),
    (lambda plan: (plan / "plan.gpkg").unlink(), "plan.gpkg: found no such file"),
    (lambda plan: (plan / "plan.gpkg").write_bytes(b"SQLite"), "plan.gpkg: found"),
    (spoiled_record, "do not fit"), (without_column, "no column traps"),
])  # fmt: skip
def test_a_folder_that_is_no_whole_plan(tmp_path, spoil, words):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 5)))
    spoil(plan)
    for audience in AUDIENCES if words.startswith("plan") else ("public",):
        with pytest.raises(InputError, match=words) as raised:
            share_plan(plan, audience)
        assert len(raised.value.messages) == 1 and "Make the plan again" in str(raised.value)


@pytest.mark.parametrize(("audience", "more", "words"), [
    ("press", {}, "--audience: found 'press'; expected one of partner, public"), ("public", {"least": 2}, "--least"),
    ("public", {"side_miles": 0.5}, "--side-miles"), ("public", {"side_miles": float("nan")}, "--side-miles"),
])  # fmt: skip
def test_requests_that_make_no_sense(secret_plan, audience, more, words):
    with pytest.raises(SettingsError, match=words):
        share_plan(secret_plan, audience, **more)


def test_a_property_without_a_shape_is_elsewhere(tmp_path):
    plan = write_folder(tmp_path / "plan", pieces((0, 0, 11)))
    with closing(sqlite3.connect(plan / "plan.gpkg")) as connection:
        drop_triggers(connection)
        connection.execute("UPDATE properties SET geom = NULL WHERE fid <= 5")
        connection.commit()
    told = totals_of(shared(tmp_path, plan))
    assert {name: one[0] for name, one in told.items()} == {"whole plan": 11, "A1": 6, "elsewhere": 5}


def test_numbers_of_the_tables_are_those_of_the_plan(partner_plan, tmp_path):
    copy = shared(tmp_path, partner_plan, "partner")
    for table in ("sites", "equipment", "calendar", "rounds"):
        before = pyogrio.read_dataframe(partner_plan / "plan.gpkg", layer=table)
        after = pyogrio.read_dataframe(copy / "shared.gpkg", layer=table)
        pd.testing.assert_frame_equal(pd.DataFrame(after), pd.DataFrame(before[list(after.columns)]))
