"""A folder of a plan is read back before it takes its place: whatever is missing or damaged is found."""

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.outputs.check_written import check_written
from allocator.outputs.tables import plan_tables
from allocator.outputs.write_plan import write_plan
from tests.unit.outputs.plan_builder import make_plan

ROWS = {name: len(frame) for name, frame in plan_tables(make_plan()).items()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_plan(make_plan(), tmp_path / "out")


def _cut_short(path: Path, share: float = 0.6) -> None:
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])


def _sql(words: str) -> Callable[[Path], None]:
    def run(folder: Path) -> None:
        base = sqlite3.connect(folder / "plan.gpkg")
        base.execute(words)
        base.commit()
        base.close()

    return run


def _unlist(folder: Path) -> None:
    record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    record["files"].remove("map.html")
    (folder / "plan.json").write_text(json.dumps(record), encoding="utf-8")


def _scramble(folder: Path) -> None:
    whole = (folder / "plan.gpkg").read_bytes()
    (folder / "plan.gpkg").write_bytes(whole[:8192] + bytes(4096) + whole[12288:])


DAMAGES: dict[str, tuple[Callable[[Path], object], str]] = {
    "no record": (lambda folder: (folder / "plan.json").unlink(), "No such file"),
    "record cut short": (lambda folder: _cut_short(folder / "plan.json"), "plan.json came out damaged"),
    "file gone": (lambda folder: (folder / "map.html").unlink(), "not those of plan.json: map.html"),
    "file not listed": (_unlist, "not those of plan.json: map.html"),
    "empty file": (lambda folder: (folder / "map.html").write_bytes(b""), "came out empty: map.html"),
    "rows lost": (_sql("delete from sites where fid = 1"), "holds 1 of the 2 rows of sites"),
    "layer lost": (_sql("delete from gpkg_contents where table_name = 'budget'"), "lists other tables .*budget"),
    "page of zeros": (_scramble, "came out damaged|malformed"),
    "geopackage cut short": (lambda folder: _cut_short(folder / "plan.gpkg"), "malformed|damaged"),
    "reference to nowhere": (_sql("update gpkg_metadata_reference set md_file_id = 99"), "leads nowhere"),
    "raster cut short": (lambda folder: _cut_short(folder / "habitat_score.tif"), "habitat_score|[Rr]ead"),
}


def test_a_whole_plan_passes(folder: Path) -> None:
    check_written(folder, ROWS)


@pytest.mark.parametrize("damage", DAMAGES)
def test_damage_is_found(folder: Path, damage: str) -> None:
    do, words = DAMAGES[damage]
    do(folder)
    with pytest.raises((OSError, sqlite3.Error), match=words):
        check_written(folder, ROWS)


def test_a_side_file_is_found(folder: Path) -> None:
    (folder / "plan.gpkg-journal").write_bytes(b"x")
    record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    record["files"].append("plan.gpkg-journal")
    (folder / "plan.json").write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(OSError, match=r"was not closed: found plan\.gpkg-journal"):
        check_written(folder, ROWS)
