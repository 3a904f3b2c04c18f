"""The record of a plan: the contract's keys, plain values, no time of day but its own."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from allocator.outputs.plan_json import plan_record, versions, write_plan_json
from allocator.outputs.tables import cautions
from tests.unit.outputs.plan_builder import make_plan

STARTED = datetime(2026, 3, 4, 5, 6, 7, tzinfo=timezone(timedelta(hours=-4)))


def test_the_keys_are_those_of_the_contract() -> None:
    record = plan_record(make_plan(), STARTED, 1.25)
    assert {"study", "totals", "solver", "inputs", "versions", "warnings", "cautions", "facts"} <= set(record)
    assert list(record["totals"]) == [
        "properties", "area_acres", "habitat_acres", "habitat_units_acres", "enrolled_habitat_acres", "traps_exact",
        "traps", "traps_low", "traps_high", "traps_given", "existing_traps", "sites",
        "shortfall", "trap_sets", "trap_sets_bound", "sites_served", "cost_usd", "unpriced",
    ]  # fmt: skip
    assert record["made_by"] == "allocator"
    assert record["study"] == "Invented bottoms"
    assert record["cautions"] == list(cautions())
    assert record["warnings"] == ["1 trap has no site"]


def test_what_a_plan_does_not_know_is_left_out() -> None:
    record = plan_record(make_plan(), STARTED, 1.25)
    assert not {"person_hours", "miles", "crews"} & set(record["totals"])


def test_inputs_carry_their_hashes() -> None:
    assert plan_record(make_plan(), STARTED, 0.0)["inputs"] == [
        {
            "role": "properties",
            "path_name": "tracts.gpkg:tracts",
            "crs": "EPSG:5070",
            "features": 3,
            "sha256": "0" * 64,
        }
    ]


def test_times_are_utc_and_stand_in_two_keys_only() -> None:
    record = plan_record(make_plan(), STARTED, 1.2504)
    assert record["started"] == "2026-03-04T09:06:07+00:00"
    assert record["seconds"] == 1.25
    later = plan_record(make_plan(), STARTED + timedelta(days=1), 9.0)
    assert {key for key in record if record[key] != later[key]} == {"started", "seconds"}


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        plan_record(make_plan(), datetime(2026, 1, 1), 0.0)


def test_blank_numbers_become_null_and_the_file_is_valid_json(tmp_path: Path) -> None:
    record = plan_record(make_plan(0), datetime.now(UTC), 0.0)
    write_plan_json(record, tmp_path / "plan.json")
    text = (tmp_path / "plan.json").read_text(encoding="utf-8")
    assert "NaN" not in text
    back = json.loads(text)
    assert back == record
    assert back["solver"] == {"status": "none", "gap_percent": None}
    assert back["facts"]["none"] is None


def test_arrays_tuples_and_sets_become_lists() -> None:
    facts: dict[Any, Any] = {
        "a": np.array([1.0, np.inf]),
        "b": {"z", "y"},
        "c": (np.float32(0.5), np.bool_(True)),
        4: np.int64(5),
    }
    record = plan_record(replace(make_plan(), facts=facts), STARTED, 0.0)
    assert record["facts"] == {"a": [1.0, None], "b": ["y", "z"], "c": [0.5, True], "4": 5}
    assert json.dumps(record, allow_nan=False)


def test_versions_name_every_library_that_numbers_rest_on() -> None:
    expected = {
        "allocator", "python", "numpy", "scipy", "shapely", "geos", "pyproj", "proj", "geopandas", "rasterio", "gdal",
        "opencv",
    }  # fmt: skip
    found = versions()
    assert expected <= set(found)
    assert all(found[name][0].isdigit() for name in expected - {"allocator"})
