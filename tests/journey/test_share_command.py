"""Copies of the demonstration plan for others, made by the command line from the written folder alone."""

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from allocator import demo_study_file
from tests.journey.studies import run
from tests.unit.test_share import found_in, prefix

QUICK = ("--set", "study.season=year_round", "--set", "study.name=Canary Larkspur")


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """A plan whose inputs are gone when it is shared."""
    base = tmp_path_factory.mktemp("plans")
    shutil.copytree(demo_study_file().parent, base / "study")
    done = run("plan", base / "study" / "study.toml", "--out", base / "plan", *QUICK)
    assert done.returncode == 0, done.stderr
    shutil.rmtree(base / "study")
    return base / "plan"


def layer(folder: Path, name: str, file: str = "plan.gpkg"):
    return pyogrio.read_dataframe(folder / file, layer=name)


def test_the_public_copy_tells_sums_and_not_a_byte_more(plan, tmp_path):
    done = run("share", plan, "--audience", "public", "--out", tmp_path / "public")
    assert done.returncode == 0, done.stderr
    assert "shared.html" in done.stdout
    copy, properties, sites = tmp_path / "public", layer(plan, "properties"), layer(plan, "sites")
    secrets = {
        *properties["property_id"],
        *properties["name"],
        *sites["site_id"],
        *sites["road_name"],
        *sites["usng"],
        "Canary Larkspur",
        *(row["path_name"] for row in json.loads((plan / "plan.json").read_text())["inputs"]),
    }
    points = np.concatenate([shapely.get_coordinates(one.geometry.to_numpy()) for one in (properties, sites)])
    degrees = np.concatenate([
        shapely.get_coordinates(one.geometry.to_crs(4326).to_numpy()) for one in (properties, sites)
    ])  # fmt: skip
    prefixes = {prefix(one) for one in np.concatenate([points, degrees]).ravel()}
    assert len(prefixes) > 1000 and found_in(plan, secrets) == secrets
    assert found_in(copy, secrets) == set()
    assert found_in(copy, {one for one in prefixes if "." in one}) == set()
    with (copy / "totals.csv").open(encoding="utf-8-sig", newline="") as file:
        whole, *areas = csv.DictReader(file)
    totals = json.loads((plan / "plan.json").read_text())["totals"]
    assert (int(whole["properties"]), int(whole["traps"])) == (totals["properties"], totals["traps"])
    for told, exact in (("land_acres", "area_acres"), ("habitat_acres", "habitat_acres")):
        assert abs(int(whole[told]) - totals[exact]) <= 5 and int(whole[told]) % 10 == 0
    for name in ("properties", "traps"):
        assert sum(int(row[name]) for row in areas) == int(whole[name])
    assert all(int(row["properties"]) >= 5 for row in areas)


def test_the_partner_copy_has_the_work_on_enrolled_land(plan, tmp_path):
    done = run("share", plan, "--audience", "partner", "--out", tmp_path / "copy", "--title", "Work for the crew")
    assert done.returncode == 0, done.stderr
    copy, owners = tmp_path / "copy", layer(plan, "properties")
    signed = owners[owners["enrolled"] == "yes"]
    counts = {name: len(layer(plan, name)) for name in ("sites", "rounds", "calendar", "access_paths", "equipment")}
    for name, count in ({"properties": len(signed)} | counts).items():
        assert count > 0 and len(layer(copy, name, "shared.gpkg")) == count
    shapes = layer(copy, "properties", "shared.gpkg").geometry
    assert shapely.equals(shapes.to_numpy(), signed.geometry.to_numpy()).all()
    hidden = {*owners["name"], *owners.loc[owners["enrolled"] == "no", "property_id"], "Canary Larkspur"}
    assert found_in(plan, hidden) == hidden
    assert found_in(copy, [*owners["name"], "Canary Larkspur"]) == set()
    told = {row[name] for path in (copy / "tables").iterdir() for row in csv.DictReader(
        path.read_text(encoding="utf-8-sig").splitlines()) for name in row if name == "property_id"}  # fmt: skip
    assert told == set(signed["property_id"])
    assert "Work for the crew" in (copy / "shared.html").read_text()


@pytest.mark.parametrize(("arguments", "words"), [
    (("{plan}/tables", "--audience", "public", "--out", "{new}"), "plan.json: found no such file"),
    (("{plan}", "--audience", "public", "--out", "{there}"), "exists already"),
    (("{plan}", "--audience", "press", "--out", "{new}"), "found 'press'; expected one of partner, public"),
    (("{plan}", "--audience", "public", "--least", "71", "--out", "{new}"), "the plan has 70 properties in all"),
    (("{plan}", "--audience", "public", "--areas", "{points}", "--out", "{new}"), "found no polygons"),
    (("{plan}", "--audience", "public", "--areas", "nowhere.gpkg", "--out", "{new}"), "found no file nowhere.gpkg"),
])  # fmt: skip
def test_mistakes_end_with_one_message_and_status_2(plan, tmp_path, arguments, words):
    (tmp_path / "there").mkdir()
    layer(plan, "sites").to_file(tmp_path / "points.gpkg")
    places = {"plan": plan, "new": tmp_path / "new", "there": tmp_path / "there", "points": tmp_path / "points.gpkg"}
    done = run("share", *(one.format(**places) for one in arguments))
    assert done.returncode == 2 and done.stderr.count("error: ") == 1 and words in done.stderr
    assert not done.stdout and "Traceback" not in done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"there", "points.gpkg"}
    assert list((tmp_path / "there").iterdir()) == []
