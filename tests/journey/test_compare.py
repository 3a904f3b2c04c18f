"""Two plans side by side, from the folders that the plan command writes."""

import json
import shutil

import pytest

from allocator import demo_study_file
from tests.journey.studies import run

QUICK = ("--set", "study.season=year_round")


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    base = tmp_path_factory.mktemp("plans")
    for name, more in (("one", ()), ("other", ("--set", "traps.acres_per_trap=200", "--set", "sites.spacing_m=700"))):
        done = run("plan", demo_study_file(), "--out", base / name, *QUICK, *more)
        assert done.returncode == 0, done.stderr
    return base


def test_a_plan_and_itself_are_the_same(folders):
    done = run("compare", folders / "one", folders / "one")
    assert done.returncode == 0 and "one and one are the same plan." in done.stdout
    assert "Local law and licensed practice come first" in done.stdout


def test_what_differs_is_told(folders):
    done = run("compare", folders / "one", folders / "other")
    assert done.returncode == 0, done.stderr
    assert "  traps.acres_per_trap: 300 -> 200" in done.stdout and "  sites.spacing_m: 500 -> 700" in done.stdout
    found = json.loads(run("compare", folders / "one", folders / "other", "--json").stdout)
    records = [json.loads((folders / name / "plan.json").read_text())["totals"] for name in ("one", "other")]
    assert found["totals"]["traps"] == [one["traps"] for one in records]
    assert "habitat_acres" not in found["totals"] and not found["inputs"] and not found["seasons"]
    sites = found["sites"]
    assert sites["kept"] + len(sites["gone"]) == records[0]["sites"]
    assert sites["kept"] + len(sites["new"]) == records[1]["sites"]
    assert sites["gone"] and sites["new"]
    changed = found["properties"]
    assert sum(float(one["traps"][1]) - float(one["traps"][0]) for one in changed.values() if "traps" in one) == (
        records[1]["traps"] - records[0]["traps"]
    )
    assert all(name.isdigit() and len(name) == 4 for name in changed)  # ids keep their zeros


@pytest.mark.parametrize(("spoil", "told"), [
    (lambda folder: (folder / "plan.json").unlink(), "no plan.json in this folder"),
    (lambda folder: (folder / "plan.json").write_text("{"), "plan.json: damaged"),
    (lambda folder: (folder / "plan.json").write_text("[]"), "no totals"),
    (lambda folder: (folder / "settings.toml").write_text("a = "), "settings.toml: damaged"),
    (lambda folder: (folder / "settings.toml").unlink(), "settings.toml: cannot be read"),
    (lambda folder: (folder / "tables" / "sites.csv").write_text("a,b\n1\n"), "more or fewer values"),
    (lambda folder: (folder / "tables" / "sites.csv").write_bytes(b"a\n\xff\n"), "not UTF-8"),
])  # fmt: skip
def test_a_folder_that_is_no_plan(folders, tmp_path, spoil, told):
    shutil.copytree(folders / "one", tmp_path / "bad")
    spoil(tmp_path / "bad")
    done = run("compare", folders / "one", tmp_path / "bad")
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr
