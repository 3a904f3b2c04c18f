"""What a check says: every input with its state, every problem, the outlook; for people and for programs."""

import json
from dataclasses import replace

from allocator.core.study import Checked, InputRecord, Problem
from allocator.outputs.check_words import WIDTH, check_record, check_words
from tests.unit.outputs.plan_builder import make_study

ROADS = Problem("warning", "inputs.roads (roads.gpkg)", "no class_field: " + "a truck is taken to use every road; " * 6)
WATER = Problem("note", "inputs.water (b.gpkg)", "one line was left out.")
BROKEN = Problem("error", "inputs.land_cover (cover.tif)", "codes that are not in the scheme.")


def _checked(*problems: Problem) -> Checked:
    study = make_study()
    records = (
        *study.inputs, InputRecord("land_cover", "cover.tif", "EPSG:5070", 300, "1" * 64),
        InputRecord("water", "a.gpkg:streams", "EPSG:4326", 2, "2" * 64),
        InputRecord("water", "b.gpkg", "EPSG:4326", 1, "3" * 64),
        InputRecord("roads", "roads.gpkg", "EPSG:4326", 1200, "4" * 64),
        InputRecord("elevation", "dem.tif", "EPSG:4326", 300, "5" * 64),
    )  # fmt: skip
    has_errors = any(one.severity == "error" for one in problems)
    return Checked(study.settings, None if has_errors else replace(study, inputs=records), problems)


def _line(words: str, start: str) -> list[str]:
    return next(line for line in words.splitlines() if line.strip().startswith(start)).split()


def test_every_input_has_a_line_with_its_state() -> None:
    words = check_words(_checked(ROADS, WATER))
    assert words.splitlines()[0] == "Invented bottoms"
    assert _line(words, "roads ") == ["roads", "roads.gpkg", "1,200", "records", "EPSG:4326", "1", "warning"]
    assert _line(words, "water       a.gpkg")[2:] == ["2", "records", "EPSG:4326", "good"]
    assert _line(words, "water       b.gpkg")[-2:] == ["1", "note"]
    assert _line(words, "elevation")[2:4] == ["300", "cells"]
    assert _line(words, "land cover")[3:5] == ["300", "records"]  # this study's land cover is polygons
    assert words.endswith("0 errors, 1 warning, 1 note. The study can be planned: 3 properties, 300 cells of 10 m.")


def test_problems_stand_under_their_input_and_lines_are_short() -> None:
    lines = check_words(_checked(ROADS, WATER)).splitlines()
    at = lines.index("inputs.roads (roads.gpkg)")
    assert lines[at + 1].startswith("  warning: no class_field:") and lines[at + 2].startswith("    ")
    assert max(map(len, lines)) <= WIDTH
    assert " ".join(line.strip() for line in lines[at + 1 : lines.index(WATER.source)]) == (
        f"warning: {ROADS.message.strip()}"
    )


def test_an_error_is_told_and_nothing_is_promised() -> None:
    words = check_words(_checked(BROKEN, ROADS))
    assert _line(words, "land cover")[-1] == "refused"
    assert words.splitlines()[2].split()[-3:] == ["good", "so", "far"]
    assert words.endswith("1 error, 1 warning, 0 notes. Nothing can be planned until the errors are mended.")


def test_a_study_file_that_cannot_be_used_has_no_table() -> None:
    problem = Problem("error", "study.toml", "line 3: expected = after a key.")
    words = check_words(Checked(None, None, (problem,)))
    assert words.splitlines()[:2] == ["study.toml", "  error: line 3: expected = after a key."]


def test_the_record_holds_the_same() -> None:
    record = json.loads(json.dumps(check_record(_checked(ROADS, WATER))))
    assert record["study"] == "Invented bottoms" and record["can_be_planned"] is True
    assert record["counts"] == {"error": 0, "warning": 1, "note": 1}
    assert [one["path_name"] for one in record["inputs"]][-1] == "dem.tif"
    assert record["problems"][0] == {"severity": "warning", "source": ROADS.source, "message": ROADS.message}
    refused = check_record(_checked(BROKEN))
    assert refused["can_be_planned"] is False and refused["inputs"] == [] and refused["counts"]["error"] == 1
    assert check_record(Checked(None, None, (BROKEN,)))["study"] is None
