"""Wrong input ends in one clear message and status 2, and leaves no folder behind."""

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from tests.journey.studies import ALBERS, RASTER_INPUTS, run, square, write_cover, write_shapes, write_study


@pytest.fixture
def land(tmp_path: Path) -> Path:
    """A folder with a good study: one tract, half of it swamp."""
    codes = np.full((60, 60), 82)
    codes[:30] = 90
    write_cover(tmp_path / "cover.tif", codes, 30.0)
    write_shapes(tmp_path / "tracts.gpkg", [square(1800.0)], {"no": ["7"]}, ALBERS)
    write_study(tmp_path, RASTER_INPUTS)
    return tmp_path


def _missing_file(land: Path) -> None:
    (land / "cover.tif").unlink()


def _no_crs(land: Path) -> None:
    write_cover(land / "cover.tif", np.full((60, 60), 90), 30.0, crs=None)


def _unknown_key(land: Path) -> None:
    write_study(land, RASTER_INPUTS + "[habitat]\ntreshold = 0.5\n")


def _elsewhere(land: Path) -> None:
    write_shapes(land / "tracts.gpkg", [square(1800.0, 300_000.0)], {"no": ["7"]}, ALBERS)


def _unknown_codes(land: Path) -> None:
    write_cover(land / "cover.tif", np.full((60, 60), 77), 30.0)


def _empty_layer(land: Path) -> None:
    tracts = gpd.read_file(land / "tracts.gpkg")
    (land / "tracts.gpkg").unlink()
    tracts.iloc[:0].to_file(land / "tracts.gpkg", geometry_type="Polygon")


def _no_id_column(land: Path) -> None:
    write_study(land, RASTER_INPUTS.replace('id = "no"', 'id = "number"'))


def _endless_reach(land: Path) -> None:
    write_study(land, RASTER_INPUTS + "[habitat.curves]\nwater_m = [[0, 1.0], [500000, 0.0]]\n")


def _not_toml(land: Path) -> None:
    (land / "study.toml").write_text("[study\n", encoding="utf-8")


def _old_codes(land: Path) -> None:
    write_cover(land / "cover.tif", np.tile([91, 92, 11, 41, 83, 33], (60, 10)), 30.0)


CASES = {
    _missing_file: ("cover.tif",),
    _no_crs: ("cover.tif", "coordinate"),
    _unknown_key: ("treshold", "habitat.threshold"),
    _elsewhere: ("overlap", "km"),
    _unknown_codes: ("77", "cover.tif"),
    _empty_layer: ("tracts.gpkg", "empty (0 features)"),
    _no_id_column: ("number", "no"),
    _endless_reach: ("habitat.curves.water_m", "500,000 m", "study.cell_m"),
    _not_toml: ("study.toml", "line 1"),
    _old_codes: ("91", "92", "nlcd_1992"),
}


@pytest.mark.parametrize("spoil", list(CASES), ids=lambda spoil: spoil.__name__.strip("_"))
def test_one_message_and_nothing_written(land: Path, spoil) -> None:
    spoil(land)
    done = run("plan", land / "study.toml", "--out", land / "plan")
    assert done.returncode == 2
    errors = [line for line in done.stderr.splitlines() if line.startswith("error: ")]
    assert len(errors) == 1
    assert all(word in errors[0] for word in CASES[spoil]), errors[0]
    assert "Traceback" not in done.stderr
    assert not [path for path in land.iterdir() if "plan" in path.name]


def test_the_good_study_plans(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan")
    assert done.returncode == 0, done.stderr
    assert (land / "plan" / "map.html").is_file()


def test_every_error_is_said_at_once(land: Path) -> None:
    _no_crs(land)
    _no_id_column(land)
    done = run("check", land / "study.toml")
    assert done.returncode == 2
    assert done.stdout.count("error:") == 2 and "2 errors" in done.stdout


def test_an_old_plan_is_not_replaced_unasked(land: Path) -> None:
    out = land / "plan"
    assert run("plan", land / "study.toml", "--out", out).returncode == 0
    before = (out / "plan.json").read_bytes()
    again = run("plan", land / "study.toml", "--out", out)
    assert again.returncode == 2 and "--overwrite" in again.stderr
    assert (out / "plan.json").read_bytes() == before
    assert run("plan", land / "study.toml", "--out", out, "--overwrite").returncode == 0
    shutil.rmtree(out)
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    assert run("plan", land / "study.toml", "--out", out, "--overwrite").returncode == 2
    assert (out / "notes.txt").read_text() == "mine"


def test_set_overrides_one_value(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan", "--set", "traps.acres_per_trap=50")
    assert done.returncode == 0, done.stderr
    assert "8 in whole traps" in done.stdout  # 400.3 acres of swamp over 50
    wrong = run("plan", land / "study.toml", "--out", land / "other", "--set", "traps.acres_per_trap=-50")
    assert wrong.returncode == 2 and "traps.acres_per_trap" in wrong.stderr


def test_quiet_may_stand_anywhere_and_says_nothing(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan", "-q")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_fault_of_the_tool_shows_no_traceback_unless_asked(land: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import allocator.cli
    import allocator.inputs.read_study

    def broken(*_: object) -> None:
        raise ZeroDivisionError("made for this test")

    monkeypatch.setattr(allocator.inputs.read_study, "read_study", broken)
    monkeypatch.setattr("sys.argv", ["allocator", "plan", str(land / "study.toml"), "--out", str(land / "plan")])
    with pytest.raises(SystemExit) as stopped:
        allocator.cli.main()
    assert stopped.value.code == 1
    monkeypatch.setattr("sys.argv", ["allocator", "--debug", "plan", str(land / "study.toml"), "--out", "plan"])
    with pytest.raises(ZeroDivisionError):
        allocator.cli.main()
