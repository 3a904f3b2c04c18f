"""Two plans side by side, from the folders that the plan command writes."""

import csv
import json
import math
import re
import shutil
from pathlib import Path

import pytest

from allocator import demo_study_file
from allocator.compare import compare_plans, comparison_words
from allocator.core.cautions import HEADLINE
from allocator.core.errors import InputError
from allocator.inputs import plan_folder
from allocator.inputs.plan_folder import PlanFolder, read_plan_folder
from allocator.outputs import tables
from tests.journey.studies import run

QUICK = ("--set", "study.season=year_round")
CHANGED = ("--set", "traps.acres_per_trap=200", "--set", "habitat.threshold=0.501")


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    base = tmp_path_factory.mktemp("plans")
    for name, more in (("one", ()), ("again", ()), ("other", CHANGED)):
        done = run("plan", demo_study_file(), "--out", base / name, *QUICK, *more)
        assert done.returncode == 0, done.stderr
    return base


def rows_of(folder, table):
    with (folder / "tables" / f"{table}.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_two_runs_of_a_study_are_the_same_plan(folders):
    done = run("compare", folders / "one", folders / "again")
    same = f"{folders / 'one'} and {folders / 'again'} are the same plan."
    assert done.returncode == 0 and done.stdout.splitlines() == [same, HEADLINE]
    assert json.loads(run("compare", folders / "one", folders / "again", "--json").stdout)["is_same"] is True


def test_what_differs_is_told(folders):
    done = run("compare", folders / "one", folders / "other")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[-1] == HEADLINE
    at = lines.index("Settings that differ:")
    assert lines[at + 1 : at + 5] == [
        "  habitat.threshold: 0.5 -> 0.501", "  traps.acres_per_trap: 300.0 -> 200.0", "Inputs that differ:", "  none",
    ]  # fmt: skip
    records = [json.loads((folders / name / "plan.json").read_text())["totals"] for name in ("one", "other")]
    for name in records[0]:
        assert sum(line.startswith(f"  {name}: ") for line in lines) == 1  # every total, also those that are equal
    traps = [one["traps"] for one in records]
    assert traps[1] > traps[0] and f"  traps: {traps[0]} -> {traps[1]} (+{traps[1] - traps[0]})" in lines
    listed = [line for line in lines if re.match(r"  \d{4}: ", line)]  # ids of four digits keep their zeros
    head = next(line for line in lines if line.startswith("Properties that differ: "))
    assert len(listed) == 20 and f"  and {int(head.split()[3]) - 20} more" in lines


def test_the_json_adds_up_with_the_tables(folders):
    done = run("compare", folders / "one", folders / "other", "--json")
    found = json.loads(done.stdout)
    assert done.stdout.strip() == json.dumps(found, indent=2, sort_keys=True)
    assert found["caution"] == HEADLINE and found["is_same"] is False and not found["inputs"]
    plans = folders / "one", folders / "other"
    before, after = (json.loads((folder / "plan.json").read_text())["totals"] for folder in plans)
    assert found["totals"] == {name: [before[name], after[name], after[name] - before[name]] for name in before}
    (season,) = found["seasons"].values()
    assert season[:2] == [float(rows_of(folder, "seasons")[0]["habitat_acres"]) for folder in plans]
    sites = found["sites"]
    assert sites["kept"] + len(sites["gone"]) == before["sites"] and sites["kept"] + len(sites["new"]) == after["sites"]
    assert sites["kept"] and sites["gone"] and sites["new"]
    changed = found["properties"]["changed"].values()
    for name in ("traps", "sites"):
        assert sum(one[name][1] - one[name][0] for one in changed if name in one) == after[name] - before[name]


PLAN_TOTALS = {"traps": 3, "habitat_acres": 900.0}


def plan(name="p", properties=(), sites=(), totals=PLAN_TOTALS, settings=None, inputs=(), seasons=()):
    """A plan by hand: properties as (id, acres, traps, sites), sites as (latitude, longitude)."""
    return PlanFolder(name, {"totals": dict(totals)}, settings or {}, {
        "properties": [
            {"property_id": key, "habitat_acres": str(acres), "traps": str(traps), "traps_given": str(traps),
             "sites": str(count)} for key, acres, traps, count in properties
        ],
        "sites": [
            {"site_id": f"T{at}", "property_id": "01", "latitude": repr(latitude), "longitude": repr(longitude)}
            for at, (latitude, longitude) in enumerate(sites)
        ],
        "inputs": [{"role": role, "path_name": path, "sha256": sha} for role, path, sha in inputs],
        "seasons": [{"season": season, "habitat_acres": str(acres)} for season, acres in seasons],
    })  # fmt: skip


def degrees_of(north_m, east_m, latitude):
    """Small steps on WGS 84 in degrees by its radii of curvature M and N (a = 6378137 m, 1/f = 298.257223563:
    NGA.STND.0036, table 3.1; the radii are textbook geodesy, from memory, unverified)."""
    flat = 1 / 298.257223563
    e2, phi = flat * (2 - flat), math.radians(latitude)
    w2 = 1 - e2 * math.sin(phi) ** 2
    meridian, normal = 6378137 * (1 - e2) / w2**1.5, 6378137 / math.sqrt(w2)
    return math.degrees(north_m / meridian), math.degrees(east_m / (normal * math.cos(phi)))


@pytest.mark.parametrize("latitude", [0.0, 28.4, 64.0, -45.0])
@pytest.mark.parametrize(("north_m", "east_m", "kept"), [
    (49.9, 0, 1), (50.1, 0, 0), (0, -49.9, 1), (0, 50.1, 0), (35.3, 35.3, 1), (-35.4, 35.4, 0),
])  # fmt: skip
def test_sites_are_the_same_within_fifty_metres(latitude, north_m, east_m, kept):
    north, east = degrees_of(north_m, east_m, latitude)
    found = compare_plans(plan(sites=[(latitude, 179.9999)]), plan(sites=[(latitude + north, 179.9999 + east)]))
    assert found["sites"]["kept"] == kept and len(found["sites"]["gone"]) == len(found["sites"]["new"]) == 1 - kept


def test_the_nearest_site_is_the_same_one_and_only_once():
    (step, _), (far, _) = degrees_of(20, 0, 28.0), degrees_of(45, 0, 28.0)
    found = compare_plans(plan(sites=[(28.0, -64.0), (28.0 + far, -64.0)]), plan(sites=[(28.0 + step, -64.0)]))
    assert found["sites"]["kept"] == 1 and [one["site_id"] for one in found["sites"]["gone"]] == ["T1"]
    assert found["sites"]["gone"][0]["latitude"] == pytest.approx(28.0 + far, abs=5e-7)
    assert compare_plans(plan(), plan(sites=[(28.0, -64.0)]))["sites"] == {
        "kept": 0, "gone": [], "new": [{"site_id": "T0", "property_id": "01", "latitude": 28.0, "longitude": -64.0}]
    }  # fmt: skip


def test_properties_that_differ_the_largest_change_first():
    same = [(f"0{at}", 10, 1, 1) for at in range(1, 6)]
    one = plan("a", [*same, ("6", 1, 0, 0)])
    after = [("01", 10.04, 1, 1), ("02", 10.06, 1, 1), ("03", 10, 1, 0), ("04", 90, 1, 1), ("05", 9, 3, 1)]
    other = plan("b", [*after, ("06", 1, 0, 0)])
    found = compare_plans(one, other)["properties"]
    assert list(found["changed"]) == ["05", "03", "04", "02"]  # by traps, sites, acres; 0.04 acres is no change
    assert found["changed"]["05"] == {"traps": [1, 3], "traps_given": [1, 3], "habitat_acres": [10, 9]}
    assert found["gone"] == ["6"] and found["new"] == ["06"]
    words = comparison_words(one, other, compare_plans(one, other)).splitlines()
    assert {"  6: only in a", "  06: only in b", "Properties that differ: 4 changed, 1 gone, 1 new"} <= set(words)


def test_totals_settings_inputs_and_seasons():
    one = plan(
        "a", totals={"traps": 3, "old": 1}, seasons=[("summer", 5.0)], settings={"a": {"is_on": True, "far_m": 0.001}},
        inputs=[("water", "w.gpkg", "aa"), ("roads", "w.gpkg", "aa"), ("soils", "s.csv", "aa")],
    )  # fmt: skip
    other = plan(
        "b", totals={"traps": 1, "kind": "x"}, settings={"a": {"is_on": False, "far_m": 0.002}},
        inputs=[("water", "w.gpkg", "aa"), ("roads", "w.gpkg", "bb"), ("houses", "h.gpkg", "aa")],
    )  # fmt: skip
    found = compare_plans(one, other)
    assert found["totals"] == {"traps": [3, 1, -2], "old": [1, None, None], "kind": [None, "x", None]}
    assert found["settings"] == {"a.is_on": [True, False], "a.far_m": [0.001, 0.002]} and not found["seasons"]
    words = comparison_words(one, other, found).splitlines()
    assert {
        "  traps: 3 -> 1 (-2)", "  old: 1 -> not given", "  kind: not given -> x", "  a.is_on: true -> false",
        "  a.far_m: 0.001 -> 0.002", "  roads w.gpkg: other contents", "  soils s.csv: only in a",
        "  houses h.gpkg: only in b",
    } <= set(words)  # fmt: skip
    assert not any(line.startswith("  water") for line in words)


def test_texts_come_back_as_they_were(folders, tmp_path):
    assert plan_folder.FORMULA_STARTS == tables.FORMULA_STARTS
    path = shutil.copytree(folders / "one", tmp_path / "texts") / "tables" / "properties.csv"
    texts = [f"{mark}1" for mark in tables.FORMULA_STARTS] + ["'t Wood", "0007", 'a "b", c', "two\r\nlines\u2028here"]
    table = rows_of(folders / "one", "properties")
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, table[0].keys())
        writer.writeheader()
        for row, text in zip(table, texts, strict=False):
            guarded = f"'{text}" if text[0] in tables.FORMULA_STARTS else text
            writer.writerow(row | {"property_id": guarded, "name": guarded})
    read = read_plan_folder(tmp_path / "texts").tables["properties"]
    assert [row["property_id"] for row in read] == [row["name"] for row in read] == texts


def test_a_plan_without_seasons_can_be_compared(folders, tmp_path):
    shutil.copytree(folders / "one", tmp_path / "older")
    (tmp_path / "older" / "tables" / "seasons.csv").unlink()
    done = run("compare", folders / "other", tmp_path / "older")
    assert done.returncode == 0 and "by season" not in done.stdout


def edit(name, old, new):
    """Spoils a file of a plan by another text in place of a text that must be there."""

    def spoil(folder: Path) -> None:
        text = (folder / name).read_bytes().decode()
        assert old in text
        (folder / name).write_bytes(text.replace(old, new, 1).encode())

    return spoil


@pytest.mark.parametrize(("spoil", "file", "found"), [
    (lambda at: (at / "plan.json").unlink(), "plan.json", "no such file"),
    (lambda at: shutil.rmtree(at), "plan.json", "no such file"),
    (lambda at: (at / "plan.json").write_text("{"), "plan.json", "damage"),
    (lambda at: (at / "plan.json").write_text("[" * 100_000), "plan.json", "damage"),
    (lambda at: (at / "plan.json").write_text("[]"), "plan.json", "without totals"),
    (lambda at: (at / "plan.json").write_text('{"totals": 3}'), "plan.json", "without totals"),
    (lambda at: (at / "settings.toml").write_text("a = "), "settings.toml", "damage"),
    (lambda at: (at / "settings.toml").unlink(), "settings.toml", "no such file"),
    (lambda at: (at / "tables" / "sites.csv").unlink(), "sites.csv", "no such file"),
    (lambda at: (at / "tables" / "sites.csv").write_text(""), "sites.csv", "no column site_id"),
    (lambda at: (at / "tables" / "sites.csv").write_bytes(b"a\n\xff\n"), "sites.csv", "not UTF-8"),
    (edit("tables/sites.csv", "latitude", "lat"), "sites.csv", "no column latitude"),
    (edit("tables/sites.csv", '"T001",1,', '"T001",1,28,'), "sites.csv", "more or fewer values"),
    (edit("tables/sites.csv", '"T001",1,', '"T001",'), "sites.csv", "more or fewer values"),
    (edit("tables/sites.csv", '"T001",', '"T001,'), "sites.csv", "damage"),
    (edit("tables/sites.csv", ",28.", ",north 28."), "sites.csv", "in column latitude, row 1"),
    (lambda at: (at / "tables" / "seasons.csv").write_text("season,habitat_acres\nwet,nan\n"), "seasons.csv", "'nan'"),
    (edit("tables/inputs.csv", "sha256", "hash"), "inputs.csv", "no column sha256"),
])  # fmt: skip
def test_a_folder_that_is_no_plan_or_a_damaged_one(folders, tmp_path, spoil, file, found):
    shutil.copytree(folders / "one", tmp_path / "bad")
    spoil(tmp_path / "bad")
    with pytest.raises(InputError) as raised:
        read_plan_folder(tmp_path / "bad")
    (message,) = raised.value.messages
    assert file in message and found in message and "expected" in message and "Make the plan again" in message


@pytest.mark.parametrize("order", [("one", "bad"), ("bad", "one")])
def test_the_command_says_so_and_ends_with_status_2(folders, order):
    done = run("compare", *(folders / name for name in order))
    assert done.returncode == 2 and done.stderr.count("error: ") == 1 and "plan.json: found no such file" in done.stderr
    assert not done.stdout and "Traceback" not in done.stderr
