"""The settings used, as a study file that gives the same settings again."""

import tomllib
from pathlib import Path

import pytest

from allocator.core.cautions import HEADLINE
from allocator.core.settings import Settings
from allocator.inputs.settings_file import read_settings
from allocator.outputs.settings_toml import settings_as_toml
from tests.unit.outputs.plan_builder import make_settings

CHANGED = make_settings(
    study={"cell_m": 7.5, "crs": "EPSG:5070"},
    traps={"acres_per_trap": 1e22, "rounding": "up"},
    sites={"service_radius_m": 0.1 + 0.2},
    habitat={"cover": {"90": 1.0, 'a "b".c': 0.25, "": 0.0}},
    inputs={
        "water": {"path": ("a.gpkg:rivers", "b.shp")},
        "roads": {"path": "roads.gpkg", "class_field": "MTFCC", "scheme": "mtfcc"},
        "elevation": {"path": "dem.tif", "vertical_unit": "us_ft"},
    },
)


@pytest.mark.parametrize("settings", [make_settings(), CHANGED], ids=["defaults", "changed"])
def test_reading_it_back_gives_equal_settings(settings: Settings) -> None:
    assert Settings.model_validate(tomllib.loads(settings_as_toml(settings))) == settings


@pytest.mark.parametrize("settings", [make_settings(), CHANGED], ids=["defaults", "changed"])
def test_the_tool_reads_its_own_settings_file(tmp_path: Path, settings: Settings) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(settings_as_toml(settings), encoding="utf-8", newline="\n")
    assert read_settings(path) == settings


@pytest.mark.parametrize(
    "name",
    ['"quoted"', "back\\slash", "two\nlines", "\r", "a\u2028b", "\x7f\x01\t", "É 🐗", "'''", '"""', "# no", "\\u0041"],
)
def test_any_text_comes_back_as_it_was(name: str) -> None:
    settings = make_settings(study={"name": name})
    assert tomllib.loads(settings_as_toml(settings))["study"]["name"] == name


def test_absent_settings_are_left_out() -> None:
    values = tomllib.loads(settings_as_toml(make_settings()))
    assert "cell_m" not in values["study"]
    assert "service_radius_m" not in values["sites"]
    assert set(values["inputs"]) == {"properties", "land_cover"}


def test_values_are_in_the_users_units_with_defaults_spelt_out() -> None:
    values = tomllib.loads(settings_as_toml(make_settings()))
    assert values["traps"]["acres_per_trap"] == 300.0
    assert values["sites"]["road_distance_m"] == [5.0, 60.0]


def test_the_header_says_local_law_first_and_where_paths_start() -> None:
    lines = settings_as_toml(make_settings()).split("\n\n")[0].splitlines()
    assert all(line.startswith("# ") and len(line) <= 110 for line in lines)
    text = " ".join(line.removeprefix("# ") for line in lines)
    assert text.startswith(HEADLINE)
    assert "relative to the original study file" in text
