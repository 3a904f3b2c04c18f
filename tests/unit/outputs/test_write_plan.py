"""Writing a plan: whole or not at all, and never over what is not its own."""

import json
import os
import shutil
import sqlite3
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
from pyogrio.errors import DataSourceError

from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.core.settings import Settings
from allocator.core.visits import SiteDecision
from allocator.outputs import folder_swap
from allocator.outputs import write_plan as module
from allocator.outputs.write_plan import check_target, write_plan
from tests.unit.outputs import plan_builder
from tests.unit.outputs.plan_builder import make_settings

DECISIONS = pd.DataFrame({
    "site_id": ["T009", "V1"], "decision": ["reject", "keep"], "decision_reason": ["wet", ""],
    "moved_m": [0.0, 3.0], "new_site_id": ["", "T001"], "outcome": ["rejected", "kept"],
})  # fmt: skip


def make_plan(sites: int = 2, settings: Settings | None = None, decisions: int = 0) -> Plan:
    """A plan with so many of the field decisions."""
    return plan_builder.make_plan(sites, settings, field_decisions=DECISIONS.iloc[:decisions])


@pytest.fixture(autouse=True)
def _plain_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "map_page", lambda plan: "<!doctype html>\n<title>É</title>\n")


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _fail_with(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(module, "write_tables", fail)


def test_everything_is_in_the_folder_and_nothing_beside_it(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    assert out == (tmp_path / "out").resolve()
    files = {"plan.gpkg", "map.html", "settings.toml", "plan.json", "habitat_score.tif", "justification.txt"}
    assert {path.name for path in out.iterdir()} == files | {
        "tables", "tables.xlsx", "styles", "sites.gpx", "sites.kmz", "site_cards.html", "report.html",
    }  # fmt: skip
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert (out / "map.html").read_text(encoding="utf-8") == "<!doctype html>\n<title>É</title>\n"


def test_a_plan_without_sites_is_written(tmp_path: Path) -> None:
    out = write_plan(make_plan(0), tmp_path / "out")
    assert len(pyogrio.read_dataframe(out / "plan.gpkg", layer="sites")) == 0


def test_folders_above_are_made(tmp_path: Path) -> None:
    assert (write_plan(make_plan(), tmp_path / "a" / "b" / "out") / "plan.json").exists()


def test_the_folder_is_as_open_as_any_other(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    out = write_plan(make_plan(), str(tmp_path / "out"))
    assert out.stat().st_mode == (tmp_path / "other").stat().st_mode


def test_only_the_record_differs_between_two_runs(tmp_path: Path) -> None:
    first = _contents(write_plan(make_plan(), tmp_path / "a", started=datetime.now(UTC) - timedelta(hours=1)))
    second = _contents(write_plan(make_plan(), tmp_path / "b"))
    assert {name for name in first if first[name] != second[name]} == {"plan.json"}


def test_the_record_counts_from_the_start_and_lists_its_files(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out", started=datetime.now(UTC) - timedelta(hours=1))
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert 3600 <= record["seconds"] < 3660
    assert set(record["files"]) == set(_contents(out)) - {"plan.json"}


def test_a_folder_that_exists_is_refused(tmp_path: Path) -> None:
    before = _contents(write_plan(make_plan(), tmp_path / "out"))
    with pytest.raises(OutputError, match=r"out exists already\. .* --overwrite"):
        write_plan(make_plan(0), tmp_path / "out")
    assert _contents(tmp_path / "out") == before


def test_overwrite_replaces_a_plan_whole(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    write_plan(make_plan(0), out, overwrite=True)
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["totals"]["sites"] == 0
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("record", [None, "", "{", "[]", '{"made_by": "another"}', '{"totals": {}}'])
def test_overwrite_refuses_a_folder_that_is_no_plan(tmp_path: Path, record: str | None) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.docx").write_text("years of work")
    if record is not None:
        (out / "plan.json").write_text(record)
    before = _contents(out)
    with pytest.raises(OutputError, match=r"holds no plan made by this tool\. Found .*thesis\.docx"):
        write_plan(make_plan(), out, overwrite=True)
    assert _contents(out) == before


@pytest.mark.parametrize("overwrite", [False, True])
def test_an_empty_folder_is_used(tmp_path: Path, overwrite: bool) -> None:
    (tmp_path / "out").mkdir()
    write_plan(make_plan(), tmp_path / "out", overwrite=overwrite)
    assert (tmp_path / "out" / "plan.json").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_empty_folder_that_somebody_holds_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OutputError, match=r"you work in it.*Name a new folder in it, such as .*plan"):
        check_target(".")
    monkeypatch.chdir("/")
    monkeypatch.setattr(Path, "is_mount", lambda self: self == tmp_path)
    with pytest.raises(OutputError, match="a drive is mounted there"):
        check_target(tmp_path)


def test_overwrite_refuses_to_delete_what_was_put_beside_a_plan(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    (out / "field notes.txt").write_text("seen at the creek")
    with pytest.raises(OutputError, match=r"Found field notes\.txt\. Move that elsewhere"):
        write_plan(make_plan(), out, overwrite=True)
    assert (out / "field notes.txt").exists()


def test_overwrite_refuses_a_plan_that_another_program_has_open(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    (out / "plan.gpkg-wal").write_bytes(b"")
    with pytest.raises(OutputError, match="close programs that have the plan open"):
        write_plan(make_plan(), out, overwrite=True)


def test_a_file_in_the_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    for overwrite in (False, True):
        with pytest.raises(OutputError, match="Found a file there"):
            write_plan(make_plan(), tmp_path / "out", overwrite=overwrite)
    assert (tmp_path / "out").read_text() == "mine"


def test_a_file_among_the_folders_above_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("mine")
    with pytest.raises(OutputError, match="Found a file at"):
        check_target(tmp_path / "a" / "b" / "out")


def test_a_folder_that_may_not_be_written_to_is_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="may not be written to"):
        check_target(tmp_path / "out")


def test_a_name_that_no_folder_can_have_is_refused(tmp_path: Path) -> None:
    for name in ("a\0b", "x" * 300):
        with pytest.raises(OutputError, match="hoose another folder"):
            write_plan(make_plan(), tmp_path / name)


def test_checking_changes_nothing(tmp_path: Path) -> None:
    assert check_target(tmp_path / "a" / "out") == (tmp_path / "a" / "out").resolve()
    assert list(tmp_path.iterdir()) == []


def test_a_link_to_a_plan_stays_a_link(tmp_path: Path) -> None:
    real = write_plan(make_plan(), tmp_path / "real")
    (tmp_path / "link").symlink_to(real, target_is_directory=True)
    write_plan(make_plan(0), tmp_path / "link", overwrite=True)
    assert (tmp_path / "link").is_symlink()
    assert json.loads((real / "plan.json").read_text(encoding="utf-8"))["totals"]["sites"] == 0


@pytest.mark.parametrize(
    "error",
    [
        OSError(28, "No space left on device"),
        DataSourceError("disk I/O error"),
        sqlite3.OperationalError("database or disk is full"),
    ],
    ids=["system", "layers", "explanations"],
)
def test_a_failing_writer_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    _fail_with(monkeypatch, error)
    with pytest.raises(
        OutputError, match=r"could not be written to .*(No space left|disk I/O error|disk is full)"
    ) as found:
        write_plan(make_plan(), tmp_path / "new" / "out")
    assert len(found.value.messages) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt(), ValueError("a fault")])
def test_a_failing_writer_leaves_the_old_plan_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    before = _contents(out)
    _fail_with(monkeypatch, error)
    with pytest.raises(OutputError if isinstance(error, OSError) else type(error)):
        write_plan(make_plan(0), out, overwrite=True)
    assert _contents(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("error", [OSError(13, "Permission denied"), KeyboardInterrupt()])
def test_a_swap_that_fails_puts_the_old_plan_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    before = _contents(out)
    rename = Path.rename

    def fail_to_move_in(self: Path, target: Path) -> Path:
        if ".partial-" in self.name:
            raise error
        return rename(self, target)

    monkeypatch.setattr(folder_swap, "exchange", lambda *_: False)
    monkeypatch.setattr(Path, "rename", fail_to_move_in)
    with pytest.raises(OutputError if isinstance(error, OSError) else type(error)):
        write_plan(make_plan(0), out, overwrite=True)
    assert _contents(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_appears_while_the_plan_is_written_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def page_while_another_works(plan: object) -> str:
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "theirs.txt").write_text("theirs")
        return "<title>ours</title>"

    monkeypatch.setattr(module, "map_page", page_while_another_works)
    with pytest.raises(OutputError, match=r"is not replaced.*Found theirs\.txt"):
        write_plan(make_plan(), tmp_path / "out")
    assert _contents(tmp_path / "out") == {"theirs.txt": b"theirs"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_old_plan_that_cannot_be_deleted_is_named_and_the_new_one_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    monkeypatch.setattr(shutil, "rmtree", lambda *_, **__: None)
    write_plan(make_plan(0), out, overwrite=True)
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["totals"]["sites"] == 0
    assert "old one could not be deleted" in caplog.text


def test_nothing_is_written_to_the_systems_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = tmp_path / "temporary"
    empty.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(empty))
    write_plan(make_plan(), tmp_path / "out")
    assert list(empty.iterdir()) == []


@pytest.mark.parametrize("name", ["settings.toml", "tables/sites.csv", "map.html"])
def test_a_file_changed_since_is_not_lost(tmp_path: Path, name: str) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    with (out / name).open("a") as file:
        file.write("# mine\n")
    before = _contents(out)
    with pytest.raises(OutputError, match=rf"changed since it was made.* Found {name}\. Move what you want to keep"):
        write_plan(make_plan(0), out, overwrite=True)
    assert _contents(out) == before
    (out / name).rename(tmp_path / "kept")  # as the message says
    write_plan(make_plan(0), out, overwrite=True)
    assert (tmp_path / "kept").read_bytes() == before[name]


def test_decisions_typed_into_the_geopackage_are_not_lost(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    base = sqlite3.connect(out / "plan.gpkg")
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):  # the file's own triggers ask for them
        base.create_function(name, 1, lambda shape: 0)
    base.execute("update sites set decision = 'keep' where site_id = 'T001'")
    base.commit()
    base.close()
    with pytest.raises(OutputError, match=r"Found plan\.gpkg\."):
        check_target(out, overwrite=True)


def test_a_geopackage_that_a_program_only_opened_counts_as_unchanged(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    before = (out / "plan.gpkg").read_bytes()
    base = sqlite3.connect(out / "plan.gpkg")
    base.execute("pragma journal_mode = wal")  # so does a GIS that opens the file, and leaves it so
    base.execute("update gpkg_contents set last_change = '2027-01-01T00:00:00.000Z'")
    base.commit()
    base.close()
    assert (out / "plan.gpkg").read_bytes() != before
    assert sorted(path.name for path in out.glob("plan.gpkg*")) == ["plan.gpkg"]
    write_plan(make_plan(0), out, overwrite=True)


def test_a_plan_without_hashes_is_replaced_with_a_word(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    del record["sha256"]
    (out / "plan.json").write_text(json.dumps(record))
    write_plan(make_plan(0), out, overwrite=True)
    assert [one.getMessage() for one in caplog.records] == [
        f"Whether files in {out} were changed since its plan was made cannot be told."
    ]


def test_a_plan_that_another_program_writes_to_is_not_replaced(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    before = _contents(out)
    base = sqlite3.connect(out / "plan.gpkg", isolation_level=None)
    base.execute("begin exclusive")
    with pytest.raises(OutputError, match=r"another program is writing to its plan\.gpkg.* Close that program"):
        write_plan(make_plan(0), out, overwrite=True)
    assert _contents(out) == before
    base.execute("rollback")
    base.close()
    write_plan(make_plan(0), out, overwrite=True)


@pytest.mark.skipif(os.name == "nt", reason="an open file keeps its folder in place on Windows")
def test_a_program_that_reads_the_old_plan_keeps_reading_it(tmp_path: Path) -> None:
    out = write_plan(make_plan(), tmp_path / "out")
    base = sqlite3.connect(out / "plan.gpkg", isolation_level=None)
    base.execute("begin")
    assert base.execute("select count(*) from sites").fetchone() == (2,)
    write_plan(make_plan(0), out, overwrite=True)
    assert base.execute("select count(*) from candidates").fetchone()[0] > 0
    assert base.execute("select count(*) from sites").fetchone() == (2,)
    assert len(pyogrio.read_dataframe(out / "plan.gpkg", layer="sites")) == 0
    base.close()


def test_field_decisions_are_not_dropped(tmp_path: Path) -> None:
    named = make_settings(inputs={"site_decisions": {"path": "field/visited.gpkg"}})
    out = write_plan(make_plan(2, named, decisions=2), tmp_path / "out")
    before = _contents(out)
    with pytest.raises(OutputError, match=r"\(1 keep, 1 reject\) and this study names none.* last time field/visited"):
        write_plan(make_plan(), out, overwrite=True)
    assert _contents(out) == before


def test_field_decisions_without_a_row_still_name_their_file(tmp_path: Path) -> None:
    named = make_settings(inputs={"site_decisions": {"path": ["field/a.gpkg", "field/b.gpkg"]}})
    out = write_plan(make_plan(2, named), tmp_path / "out")
    with pytest.raises(OutputError, match=r"had field decisions.* last time field/a\.gpkg, field/b\.gpkg\."):
        write_plan(make_plan(), out, overwrite=True)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ([("T009", "reject"), ("V1", "keep")], None),
        ([("T009", "reject"), ("T001", "keep")], None),  # the kept site by the id that the plan gave it
        ([("T001", "keep")], "lacks: T009 (reject). "),
        ([("T009", "keep")], "lacks: T009 (reject), V1 (keep). "),
    ],
)
def test_a_decision_left_out_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, given: list[tuple[str, str]], told: str | None
) -> None:
    named = make_settings(inputs={"site_decisions": {"path": "field/visited.gpkg"}})
    out = write_plan(make_plan(2, named, decisions=2), tmp_path / "out")
    new = make_plan(2, named)
    decisions = tuple(SiteDecision(site_id, word, "", 0.0, 0.0, 0.0) for site_id, word in given)  # type: ignore[arg-type]
    write_plan(replace(new, study=replace(new.study, site_decisions=decisions)), out, overwrite=True)
    said = [one.getMessage() for one in caplog.records]
    assert len(said) == (told is not None)
    assert told is None or told in said[0]
